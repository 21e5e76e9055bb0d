"""The watcher takes every scan once, whatever the system's file events do, and survives what it meets."""

import contextlib
import errno
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from structlog.testing import capture_logs
from watchdog.events import FileModifiedEvent
from watchdog.observers.api import BaseObserver, EventEmitter
from watchdog.observers.polling import PollingObserver

from conftest import CONFIG, Bench, sheet_scan, write_scan
from platemark.flow import watch
from platemark.flow.delivery import Outcome
from platemark.flow.watch import Watcher, is_remote
from platemark.flow.workers import order

# The scan is the sheet itself, so that nothing has to be found on a bed; one print keeps it quick.
PLAIN = 'stages = ["resample", "border", "jpeg"]\n' + CONFIG.partition("[print.mini]")[0]
QUICK = PLAIN + '[watch]\nsettle = "30 ms"\nsweep = "100 ms"\n'
HERON = ["heron.card.jpg", "heron.card.toml"]
# Never reached when all is well: only how long a broken watcher may keep the tests waiting.
DEADLINE = 20.0


def until(condition: Callable[[], object]) -> None:
    """Wait until something is so."""
    end = time.monotonic() + DEADLINE
    while not condition():
        assert time.monotonic() < end, "it did not come about"
        threading.Event().wait(0.005)


@dataclass
class Watched:
    """A studio that is being watched in a thread."""

    bench: Bench
    outcomes: list[Outcome] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.watcher = Watcher(self.bench.studio, on_outcome=self.outcomes.append)
        self.thread = threading.Thread(target=self.watcher.run)

    def start(self) -> None:
        self.thread.start()

    def stop(self) -> None:
        self.watcher.stop()
        self.thread.join(DEADLINE)
        assert not self.thread.is_alive()

    def done(self) -> list[tuple[str, str]]:
        return [(outcome.scan, outcome.status) for outcome in self.outcomes]

    @property
    def scans(self) -> Path:
        return self.bench.root / "scans"


@pytest.fixture
def prepared(tmp_path: Path) -> Iterator[Watched]:
    """A studio that nobody watches yet."""
    watched = Watched(Bench(tmp_path / "studio", QUICK))
    yield watched
    if watched.thread.is_alive():
        watched.stop()


@pytest.fixture
def watched(prepared: Watched) -> Watched:
    """A studio that is watched."""
    prepared.start()
    return prepared


def arriving(watched: Watched, name: str = "heron.tif", seed: int = 0) -> Path:
    """A scan that appears whole, as one that is moved in does."""
    scan = write_scan(watched.bench.root / "elsewhere" / name, sheet_scan(seed=seed))
    return scan.rename(watched.scans / name)


class SilentEmitter(EventEmitter):
    """A system that never tells."""

    def queue_events(self, timeout: float) -> None:
        self.stopped_event.wait(timeout)


class SilentObserver(BaseObserver):
    def __init__(self) -> None:
        super().__init__(SilentEmitter)


# Arriving.


def test_scans_that_were_there_before_the_start_are_taken(prepared):
    for seed, name in enumerate(["heron.tif", "wren.tif"]):
        arriving(prepared, name, seed)
    prepared.start()
    until(lambda: len(prepared.outcomes) == 2)
    assert prepared.done() == [("heron.tif", "ready"), ("wren.tif", "ready")]


def test_scans_that_arrive_during_the_watch_are_taken_once_each(watched):
    for seed in range(3):
        arriving(watched, f"scan{seed}.tif", seed)
    until(lambda: len(watched.outcomes) == 3)
    watched.stop()
    assert sorted(watched.done()) == [(f"scan{seed}.tif", "ready") for seed in range(3)]


def test_a_scan_that_is_written_slowly_is_taken_when_it_is_whole(watched, tmp_path):
    content = write_scan(tmp_path / "heron.tif").read_bytes()
    with (watched.scans / "heron.tif").open("wb") as file:
        for start in range(0, len(content), 64 * 1024):
            file.write(content[start : start + 64 * 1024])
            file.flush()
            seen = watched.watcher.inbox.seen
            until(lambda seen=seen: watched.watcher.inbox.seen is not seen)  # it was looked at meanwhile
    until(lambda: watched.outcomes)
    assert watched.done() == [("heron.tif", "ready")]
    [original] = (watched.bench.root / "originals").glob("*.tif")
    assert original.read_bytes() == content


def test_half_a_scan_is_held_after_its_time_of_grace_and_the_next_one_prints(watched, tmp_path):
    content = write_scan(tmp_path / "half.tif").read_bytes()
    (watched.scans / "half.tif").write_bytes(content[: len(content) // 2])
    arriving(watched)
    until(lambda: len(watched.outcomes) == 2)
    assert watched.done() == [("heron.tif", "ready"), ("half.tif", "held")]
    assert watched.bench.names("held") == ["half.held.toml", "half.tif"]


@pytest.mark.parametrize("events", [1, 500])
def test_a_scan_is_taken_once_however_many_events_tell_of_it(watched, events):
    scan = arriving(watched)
    ringing = watch._Ringing(watched.watcher._bell)
    for _ in range(events):
        ringing.on_any_event(FileModifiedEvent(str(scan)))
    until(lambda: watched.outcomes)
    watched.stop()
    assert watched.done() == [("heron.tif", "ready")]


def test_scans_are_found_by_the_sweep_when_no_event_ever_comes(prepared, monkeypatch):
    monkeypatch.setattr(watch, "Observer", SilentObserver)
    prepared.start()
    until(lambda: prepared.watcher._observer)
    arriving(prepared)
    until(lambda: prepared.outcomes)
    assert prepared.done() == [("heron.tif", "ready")]


def test_litter_is_left_where_it_lies(watched):
    for name in (".heron.tif", "heron.tif.part", "Thumbs.db", "~$heron.tif"):
        (watched.scans / name).write_bytes(b"litter")
    arriving(watched)
    until(lambda: watched.outcomes)
    watched.stop()
    assert watched.done() == [("heron.tif", "ready")]
    assert len(list(watched.scans.glob("*"))) == 4


def test_a_scan_that_changes_whenever_it_is_read_is_never_moved_from_under_its_writer(prepared, monkeypatch):
    tries, keep = [], order.deliver_any

    def changing(studio, path, progress):
        tries.append(path)
        if len(tries) < 4:
            raise watch.Changing("heron.tif changed while it was read", remedy="wait")
        return keep(studio, path, progress)

    monkeypatch.setattr(order, "deliver_any", changing)
    arriving(prepared)
    prepared.start()
    until(lambda: prepared.outcomes)
    assert prepared.done() == [("heron.tif", "ready")]


def test_what_a_crash_left_is_cleared_before_the_watch_begins(prepared):
    left = prepared.bench.root / "ready" / ".platemark-part-0123456789abcdef"
    left.write_bytes(b"half")
    prepared.start()
    until(lambda: not left.exists())


# The observer.


def test_an_observer_that_died_is_mended(watched):
    until(lambda: watched.watcher._observer)
    first = watched.watcher._observer
    with capture_logs() as log:
        first.stop()
        until(lambda: watched.watcher._observer not in {None, first})
    assert [line["event"] for line in log if line["log_level"] == "warning"] == [
        "file events had stopped; watching anew"
    ]
    arriving(watched)
    until(lambda: watched.outcomes)


def test_an_emitter_that_died_under_a_living_observer_is_mended(watched):
    until(lambda: watched.watcher._observer)
    first = watched.watcher._observer
    for emitter in first.emitters:
        emitter.stop()
    until(lambda: watched.watcher._observer not in {None, first})
    arriving(watched)
    until(lambda: watched.outcomes)


@pytest.mark.parametrize("code", [errno.EMFILE, errno.ENOSPC])
def test_a_system_out_of_watches_is_polled_and_the_limit_named_not_the_disk(prepared, monkeypatch, code):
    def refuse() -> BaseObserver:
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(watch, "Observer", refuse)
    with capture_logs() as log:
        prepared.start()
        until(lambda: isinstance(prepared.watcher._observer, PollingObserver))
    assert "fs.inotify.max_user_watches" in log[0]["remedy"]
    arriving(prepared)
    until(lambda: prepared.outcomes)


def test_polling_can_be_asked_for(tmp_path):
    watched = Watched(Bench(tmp_path / "studio", QUICK + 'observer = "polling"\n'))
    with capture_logs() as log:
        watched.start()
        arriving(watched)
        until(lambda: watched.outcomes)
    watched.stop()
    assert log[0]["event"] == "polling"


@pytest.mark.parametrize(
    ("mounts", "remote"),
    [
        ("/dev/sda1 / ext4 rw 0 0\n", False),
        ("/dev/sda1 / ext4 rw 0 0\nserver:/art {folder} nfs4 rw 0 0\n", True),
        ("//nas/art {folder} cifs rw 0 0\n/dev/sdb1 {folder}/scans ext4 rw 0 0\n", False),
        ("", False),
    ],
)
def test_a_network_folder_is_known_by_its_mount(tmp_path, mounts, remote):
    scans = tmp_path / "art" / "scans"
    scans.mkdir(parents=True)
    table = tmp_path / "mounts"
    table.write_text(mounts.format(folder=str(scans.parent.resolve())))
    assert is_remote(scans, table) is remote


# The folder.


@pytest.mark.parametrize("way", ["removed", "renamed"])
def test_a_folder_that_is_taken_away_and_made_anew_is_watched_again(watched, way):
    arriving(watched)
    until(lambda: watched.outcomes)
    with capture_logs() as log:
        if way == "removed":
            shutil.rmtree(watched.scans)
        else:
            watched.scans.rename(watched.bench.root / "old scans")
        until(lambda: watched.watcher._observer is None)
        watched.scans.mkdir()
        arriving(watched, "wren.tif", 1)
        until(lambda: len(watched.outcomes) == 2)
    assert watched.done() == [("heron.tif", "ready"), ("wren.tif", "ready")]
    paused = [line for line in log if line["event"] == "paused"]
    assert len(paused) == 1  # said once, not at every try
    assert str(watched.scans) in paused[0]["fault"]


def test_a_folder_replaced_between_two_looks_is_watched_anew(watched):
    arriving(watched)
    until(lambda: watched.outcomes)
    first = watched.watcher._observer
    fresh = watched.bench.root / "fresh"
    fresh.mkdir()
    with contextlib.suppress(FileNotFoundError):
        watched.scans.rename(watched.bench.root / "old scans")
    fresh.rename(watched.scans)
    until(lambda: watched.watcher._observer not in {None, first})
    arriving(watched, "wren.tif", 1)
    until(lambda: len(watched.outcomes) == 2)


# Trouble.


def test_one_bad_scan_does_not_stop_the_next(watched):
    (watched.scans / "bad.tif").write_bytes(b"no picture at all")
    arriving(watched)
    until(lambda: len(watched.outcomes) == 2)
    assert sorted(watched.done()) == [("bad.tif", "held"), ("heron.tif", "ready")]


@pytest.mark.parametrize("fault", [SystemExit(3), KeyboardInterrupt(), RuntimeError("no edge")])
def test_a_stage_cannot_end_the_watcher(watched, monkeypatch, fault):
    stage = watched.watcher.studio.plugins.stage("border").kind
    measure = stage.measure

    def failing(self, picture, settings, job):
        if job.work.name == "heron":
            raise fault
        return measure(self, picture, settings, job)

    monkeypatch.setattr(stage, "measure", failing)
    arriving(watched)
    until(lambda: watched.outcomes)
    arriving(watched, "wren.tif", 1)
    until(lambda: len(watched.outcomes) == 2)
    assert watched.done() == [("heron.tif", "held"), ("wren.tif", "ready")]


def test_a_full_disk_pauses_the_work_once_and_it_goes_on_by_itself(watched, monkeypatch):
    with capture_logs() as log:
        monkeypatch.setenv("PLATEMARK_FAILPOINT", "out.write:enospc")
        arriving(watched)
        until(lambda: any(line["event"] == "paused" for line in log))
        assert watched.outcomes == []
        assert watched.bench.names("ready") == []
        monkeypatch.delenv("PLATEMARK_FAILPOINT")
        until(lambda: watched.outcomes)
    [paused] = [line for line in log if line["event"] == "paused"]
    assert "make room" in paused["remedy"]
    assert str(watched.bench.root / "ready") in paused["remedy"]
    assert [line["event"] for line in log if line["event"] == "going on"] == ["going on"]
    assert watched.bench.names("ready") == HERON


def test_a_scan_that_cannot_be_worked_on_lets_the_next_one_go_first(watched, monkeypatch):
    keep = order.deliver_any

    def refused(studio, path, progress):
        if path.name == "heron.tif" and not any(outcome.scan == "wren.tif" for outcome in watched.outcomes):
            raise watch.StoreError("heron.tif cannot be read", remedy="look after the disk")
        return keep(studio, path, progress)

    monkeypatch.setattr(order, "deliver_any", refused)
    arriving(watched)
    until(lambda: watched.watcher._trouble)
    arriving(watched, "wren.tif", 1)
    until(lambda: len(watched.outcomes) == 2)
    assert watched.done() == [("wren.tif", "ready"), ("heron.tif", "ready")]


def test_stopping_finishes_the_scan_in_hand_and_takes_no_other(prepared, monkeypatch):
    busy, go_on = threading.Event(), threading.Event()
    keep = order.deliver_any

    def slowly(studio, path, progress):
        busy.set()
        assert go_on.wait(DEADLINE)
        return keep(studio, path, progress)

    monkeypatch.setattr(order, "deliver_any", slowly)
    for seed, name in enumerate(["heron.tif", "wren.tif"]):
        arriving(prepared, name, seed)
    prepared.start()
    assert busy.wait(DEADLINE)
    prepared.watcher.stop()
    go_on.set()
    prepared.thread.join(DEADLINE)
    assert prepared.done() == [("heron.tif", "ready")]
    assert prepared.bench.names("scans") == ["wren.tif"]


# The command.


@pytest.mark.skipif(os.name == "nt", reason="Windows sends no such signals")
@pytest.mark.parametrize("sent", [signal.SIGTERM, signal.SIGINT], ids=["SIGTERM", "Ctrl-C"])
def test_a_signal_ends_the_command_after_the_scan_in_hand(tmp_path, sent):
    bench = Bench(tmp_path / "studio", QUICK)
    bench.drop("heron.tif")
    order = [sys.executable, "-c", "from platemark.face.cli import main; main()", "watch", "--config", str(bench.file)]
    # The stage sleeps long enough for the signal to find it at work.
    slow = {**os.environ, "PLATEMARK_FAILPOINT": "stage.border:sleep=0.5"}
    with subprocess.Popen(order, env=slow, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True) as process:
        until(lambda: list((bench.root / "originals").glob("heron-*")) or process.poll() is not None)
        process.send_signal(sent)
        said, _ = process.communicate(timeout=DEADLINE)
    assert process.returncode == 0, said
    assert "Nothing is half done" in said
    assert bench.names("ready") == HERON
    assert bench.names("scans") == []
    assert list(bench.root.rglob(".platemark-part-*")) == []


def test_parts_are_taken_together_when_the_last_one_comes_and_a_missing_one_is_told(tmp_path: Path) -> None:
    watched = Watched(Bench(tmp_path / "studio", QUICK + 'wait_for_parts = "1 ms"\n'))
    watched.start()
    try:
        whole = sheet_scan(seed=3)
        write_scan(watched.scans / "heron_2of2.tif", whole[:, 84:])
        until(lambda: watched.outcomes)
        assert watched.done() == [("heron", "waiting")]
        assert watched.outcomes[0].reason.startswith("the scan heron_1of2 is missing")
        assert watched.bench.names("held") == ["heron.held.toml"]
        write_scan(watched.scans / "heron_1of2.tif", whole[:, :300])
        until(lambda: len(watched.outcomes) > 1)
        assert watched.done()[1:] == [("heron.tif", "ready")]
        until(lambda: watched.bench.names("scans") == [])
        assert watched.bench.names("held") == []
    finally:
        watched.stop()

"""Section A of the faults: every scan is taken once, whatever its writer and the file events do; see README.md."""

import contextlib
import os
import shutil
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import BinaryIO

import numpy as np
import pytest
from own_system import in_own_system, mount, strace, unmount
from structlog.testing import capture_logs
from watchdog.events import (
    DirModifiedEvent,
    FileClosedEvent,
    FileCreatedEvent,
    FileModifiedEvent,
    FileSystemEventHandler,
)
from watchdog.observers.api import BaseObserver, EventEmitter
from watchdog.observers.polling import PollingObserver

from conftest import PLAIN, QUICK, TINY, Bench, Watched, arriving, sheet_scan, tiny_scan, until, write_scan
from platemark.errors import PlatemarkError
from platemark.flow import observing
from platemark.flow.delivery import Changing, deliver
from platemark.flow.inbox import Inbox, list_scans
from platemark.flow.observing import is_remote
from platemark.flow.prepare import prepare
from platemark.flow.watch import Watcher
from platemark.flow.workers.here import Here

POSIX = pytest.mark.skipif(os.name == "nt", reason="signals and links of POSIX")


@pytest.fixture
def studio(tmp_path: Path) -> Bench:
    """Two prints, of scans that are sheets themselves."""
    return Bench(tmp_path / "studio", PLAIN)


class SilentEmitter(EventEmitter):
    """A system that never tells."""

    def queue_events(self, timeout: float) -> None:
        self.stopped_event.wait(timeout)


class SilentObserver(BaseObserver):
    def __init__(self) -> None:
        super().__init__(SilentEmitter)


# Arriving.


def test_f08_scans_that_were_there_before_the_start_are_taken(prepared):
    for seed, name in enumerate(["heron.tif", "wren.tif"]):
        arriving(prepared, name, seed)
    prepared.start()
    until(lambda: len(prepared.outcomes) == 2)
    assert prepared.done() == [("heron.tif", "ready"), ("wren.tif", "ready")]


def test_f09_a_scan_that_lands_between_the_watch_and_the_first_listing_is_taken_once(prepared):
    def landing(folder: Path) -> Iterator[tuple[Path, tuple[int, int, int] | None]]:
        assert prepared.watcher.observing.observer is not None  # the watch stands
        prepared.watcher.inbox.listing = list_scans
        arriving(prepared)
        return list_scans(folder)

    prepared.watcher.inbox.listing = landing
    prepared.start()
    until(lambda: prepared.outcomes)
    prepared.stop()
    assert prepared.done() == [("heron.tif", "ready")]


def test_scans_that_arrive_during_the_watch_are_taken_once_each(watched):
    for seed in range(3):
        arriving(watched, f"scan{seed}.tif", seed)
    until(lambda: len(watched.outcomes) == 3)
    watched.stop()
    assert sorted(watched.done()) == [(f"scan{seed}.tif", "ready") for seed in range(3)]


def looked_again(watched: Watched) -> None:
    """Wait until the watcher has looked into the folder anew."""
    seen = watched.watcher.inbox.seen
    until(lambda: watched.watcher.inbox.seen is not seen)


def written_in_pieces(watched: Watched, file: BinaryIO, content: bytes, size: int) -> None:
    """Write a file piece by piece, the watcher looking at it after each."""
    for start in range(0, len(content), size):
        file.write(content[start : start + size])
        file.flush()
        looked_again(watched)


def test_f01_a_scan_that_is_written_slowly_is_taken_when_it_is_whole(watched, tmp_path):
    content = write_scan(tmp_path / "heron.tif").read_bytes()
    with (watched.scans / "heron.tif").open("wb") as file:
        written_in_pieces(watched, file, content, 64 * 1024)
    until(lambda: watched.outcomes)
    assert watched.done() == [("heron.tif", "ready")]
    [original] = (watched.bench.root / "originals").glob("*.tif")
    assert original.read_bytes() == content


def test_f01_a_writer_that_pauses_longer_than_the_settle_time_is_waited_for_again(watched, tmp_path):
    content = write_scan(tmp_path / "heron.tif").read_bytes()
    path = watched.scans / "heron.tif"
    with path.open("wb") as file:
        file.write(content[: len(content) // 2])
        file.flush()
        until(lambda: path in watched.watcher.inbox.unfinished)  # it was tried, and is not whole
        file.write(content[len(content) // 2 :])
    until(lambda: watched.outcomes)
    assert watched.done() == [("heron.tif", "ready")]


@pytest.mark.skipif(not hasattr(os, "posix_fallocate"), reason="this system reserves no room for files")
def test_f02_room_reserved_first_and_filled_later_is_taken_when_it_is_whole(watched, tmp_path):
    content = write_scan(tmp_path / "heron.tif", compression="zlib").read_bytes()
    with (watched.scans / "heron.tif").open("wb") as file:
        os.posix_fallocate(file.fileno(), 0, len(content))
        written_in_pieces(watched, file, content, len(content) // 6)
    until(lambda: watched.outcomes)
    assert watched.done() == [("heron.tif", "ready")]
    [original] = (watched.bench.root / "originals").glob("*.tif")
    assert original.read_bytes() == content


def test_f03_an_empty_file_that_is_filled_later_is_waited_for(watched, tmp_path):
    content = write_scan(tmp_path / "heron.tif").read_bytes()
    path = watched.scans / "heron.tif"
    path.touch()
    until(lambda: path in watched.watcher.inbox.unfinished)
    assert watched.outcomes == []
    path.write_bytes(content)
    until(lambda: watched.outcomes)
    assert watched.done() == [("heron.tif", "ready")]


def test_f04_a_save_under_a_hidden_name_first_is_taken_under_its_last_name(watched):
    write_scan(watched.scans / ".heron.tmp.tif")
    looked_again(watched)
    assert watched.watcher.inbox.seen == {}
    (watched.scans / ".heron.tmp.tif").replace(watched.scans / "heron.tif")
    until(lambda: watched.outcomes)
    assert watched.done() == [("heron.tif", "ready")]


@pytest.mark.parametrize("way", [os.rename, os.link], ids=["renamed", "linked"])
def test_f05_a_scan_that_is_never_closed_here_is_taken(watched, way):
    elsewhere = write_scan(watched.bench.root / "elsewhere" / "heron.tif")
    way(elsewhere, watched.scans / "heron.tif")
    until(lambda: watched.outcomes)
    assert watched.done() == [("heron.tif", "ready")]


def test_f01_half_a_scan_is_held_after_its_time_of_grace_and_the_next_one_prints(watched, tmp_path):
    content = write_scan(tmp_path / "half.tif").read_bytes()
    (watched.scans / "half.tif").write_bytes(content[: len(content) // 2])
    arriving(watched)
    until(lambda: len(watched.outcomes) == 2)
    assert watched.done() == [("heron.tif", "ready"), ("half.tif", "held")]
    assert watched.bench.names("held") == ["half.held.toml", "half.tif"]


def test_f06_a_scan_is_taken_once_however_many_events_tell_of_it_in_whatever_order(watched):
    scan = watched.scans / "heron.tif"
    kinds = [FileClosedEvent, FileModifiedEvent, FileCreatedEvent]
    ringing = observing._Ringing(watched.watcher._bell)
    for event in [kind(str(scan)) for kind in kinds] * 50:  # before there is anything to tell of
        ringing.on_any_event(event)
    arriving(watched)
    for event in [kind(str(scan)) for kind in kinds] * 50:
        ringing.on_any_event(event)
    until(lambda: watched.outcomes)
    export = watched.bench.root / "ready" / "heron.card.jpg"
    export.touch()
    export.chmod(0o600)
    ringing.on_any_event(DirModifiedEvent(str(watched.scans)))
    watched.stop()
    assert watched.done() == [("heron.tif", "ready")]


@POSIX
@pytest.mark.skipif(not Path("/proc/sys/fs/inotify/max_queued_events").exists(), reason="there is no such queue here")
def test_f07_events_lost_in_a_full_queue_lose_no_scan(tmp_path):
    bench = Bench(tmp_path / "studio", QUICK.replace("100 ms", "300 s") + '[work]\nwhere = "here"\n')
    most = int(Path("/proc/sys/fs/inotify/max_queued_events").read_text())
    if most > 40_000:
        pytest.skip(f"NOT TESTED: the system keeps {most} events, too many to fill its queue here")
    command = [sys.executable, "-c", "from platemark.face.cli import main; main()", "watch", "--config", bench.file]
    log = bench.root / "platemark.log"
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as process:
        try:
            bench.drop("first.tif")
            until(lambda: "first.card.jpg" in bench.names("ready"))
            os.kill(process.pid, signal.SIGSTOP)
            litter = bench.root / "scans" / "upload.part"
            for _ in range(most // 3 + 100):  # made, closed and taken away: three events each, of no scan
                os.close(os.open(litter, os.O_CREAT | os.O_WRONLY))
                litter.unlink()
            for number in range(3):
                bench.drop(f"heron{number}.tif", sheet_scan(seed=1 + number))
            os.kill(process.pid, signal.SIGCONT)
            # The next sweep is five minutes away: the scans are found because the loss was heard of.
            until(lambda: len(bench.names("ready")) == 8)
        finally:
            process.kill()
    lost = [line for line in log.read_text(encoding="utf-8").splitlines() if "lost file events" in line]
    assert len(lost) == 1


def test_f10_scans_are_found_by_the_sweep_when_no_event_ever_comes(prepared, monkeypatch):
    monkeypatch.setattr(observing, "Observer", SilentObserver)
    prepared.start()
    until(lambda: prepared.watcher.observing.observer)
    arriving(prepared)
    until(lambda: prepared.outcomes)
    assert prepared.done() == [("heron.tif", "ready")]


def test_f18_litter_is_left_where_it_lies(watched):
    for name in (".heron.tif", "heron.tif.part", "Thumbs.db", "~$heron.tif"):
        (watched.scans / name).write_bytes(b"litter")
    arriving(watched)
    until(lambda: watched.outcomes)
    watched.stop()
    assert watched.done() == [("heron.tif", "ready")]
    assert len([path for path in watched.scans.iterdir() if path.read_bytes() == b"litter"]) == 4


# The observer.


def test_f11_an_observer_that_died_is_mended(watched):
    until(lambda: watched.watcher.observing.observer)
    first = watched.watcher.observing.observer
    with capture_logs() as log:
        first.stop()
        until(lambda: watched.watcher.observing.observer not in {None, first})
    assert [line["event"] for line in log if line["log_level"] == "warning"] == [
        "file events had stopped; watching anew"
    ]
    arriving(watched)
    until(lambda: watched.outcomes)


class Raising(FileSystemEventHandler):
    """A handler that ends the thread that calls it."""

    def on_any_event(self, event: object) -> None:
        raise RuntimeError(event)


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_f11_an_observer_whose_handler_raised_is_mended(watched):
    until(lambda: watched.watcher.observing.observer)
    first = watched.watcher.observing.observer
    first.schedule(Raising(), str(watched.bench.root / "ready"))
    (watched.bench.root / "ready" / "hers.txt").touch()
    until(lambda: watched.watcher.observing.observer not in {None, first})
    arriving(watched)
    until(lambda: watched.outcomes)


def test_f11_an_emitter_that_died_under_a_living_observer_is_mended(watched):
    until(lambda: watched.watcher.observing.observer)
    first = watched.watcher.observing.observer
    for emitter in first.emitters:
        emitter.stop()
    until(lambda: watched.watcher.observing.observer not in {None, first})
    arriving(watched)
    until(lambda: watched.outcomes)


def out_of_watches(place: Path) -> None:
    """The system has no watches left, then no instances; its word for the first is that of a full disk."""
    for number, limit in enumerate(["max_inotify_watches", "max_inotify_instances"]):
        Path("/proc/sys/user", limit).write_text("0")
        bench = Bench(place / limit, QUICK)
        with capture_logs() as log, Watched(bench) as watched:
            until(lambda watched=watched: isinstance(watched.watcher.observing.observer, PollingObserver))
            assert "fs.inotify.max_user_watches" in log[0]["remedy"]
            arriving(watched, seed=number)
            until(lambda watched=watched: watched.outcomes)
        Path("/proc/sys/user", limit).write_text("1000")


@pytest.mark.skipif(not Path("/proc/sys/user/max_inotify_watches").exists(), reason="no such limit here")
def test_f14_a_system_out_of_watches_is_polled_and_the_limit_named_not_the_disk(tmp_path):
    in_own_system(out_of_watches, tmp_path)


def test_f10_polling_can_be_asked_for(tmp_path):
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
def test_f10_a_network_folder_is_known_by_its_mount(tmp_path, mounts, remote):
    scans = tmp_path / "art" / "scans"
    scans.mkdir(parents=True)
    table = tmp_path / "mounts"
    table.write_text(mounts.format(folder=str(scans.parent.resolve())))
    assert is_remote(scans, table) is remote


# The folder.


@pytest.mark.parametrize("way", ["removed", "renamed"])
def test_f12_a_folder_that_is_taken_away_and_made_anew_is_watched_again(watched, way):
    arriving(watched)
    until(lambda: watched.outcomes)
    with capture_logs() as log:
        if way == "removed":
            shutil.rmtree(watched.scans)
        else:
            watched.scans.rename(watched.bench.root / "old scans")
        until(lambda: watched.watcher.observing.observer is None)
        watched.scans.mkdir()
        arriving(watched, "wren.tif", 1)
        until(lambda: len(watched.outcomes) == 2)
    assert watched.done() == [("heron.tif", "ready"), ("wren.tif", "ready")]
    paused = [line for line in log if line["event"] == "paused"]
    assert len(paused) == 1  # said once, not at every try
    assert str(watched.scans) in paused[0]["fault"]


def test_f12_a_folder_replaced_between_two_looks_is_watched_anew(watched):
    arriving(watched)
    until(lambda: watched.outcomes)
    first = watched.watcher.observing.observer
    fresh = watched.bench.root / "fresh"
    fresh.mkdir()
    with contextlib.suppress(FileNotFoundError):
        watched.scans.rename(watched.bench.root / "old scans")
    fresh.rename(watched.scans)
    until(lambda: watched.watcher.observing.observer not in {None, first})
    arriving(watched, "wren.tif", 1)
    until(lambda: len(watched.outcomes) == 2)


def unmounted(place: Path) -> None:
    """Scans lie on a disk of their own, which is taken away and comes back."""
    bench, disk = Bench(place / "studio", QUICK), place / "disk"
    disk.mkdir()
    mount("-t", "tmpfs", "tmpfs", disk)
    mount("--bind", disk, bench.root / "scans")
    with Watched(bench) as watched, capture_logs() as log:
        bench.drop("heron.tif")
        until(lambda: watched.outcomes)
        unmount(watched.scans)
        until(lambda: any(line["event"] == "paused" for line in log))
        write_scan(watched.scans / "beside.tif", sheet_scan(seed=1))  # lies where the disk belongs
        with pytest.raises(PlatemarkError, match="is not there, only the empty folder"):
            Watcher(bench.studio).run()  # neither does a new start take the bare place for the disk
        mount("--bind", disk, watched.scans)
        bench.drop("wren.tif", sheet_scan(seed=2))
        until(lambda: len(watched.outcomes) == 2)
        assert watched.done() == [("heron.tif", "ready"), ("wren.tif", "ready")]
    [paused] = [line for line in log if line["event"] == "paused"]
    assert str(watched.scans) in paused["fault"]
    assert "connect the disk" in paused["remedy"]
    assert any(line["event"] == "going on" for line in log)


def test_f13_a_disk_that_was_unmounted_pauses_the_work_and_it_goes_on_when_it_is_back(tmp_path):
    in_own_system(unmounted, tmp_path)


# Trouble.


def test_f66_one_bad_scan_does_not_stop_the_next(watched):
    (watched.scans / "bad.tif").write_bytes(b"no picture at all")
    arriving(watched)
    until(lambda: len(watched.outcomes) == 2)
    assert sorted(watched.done()) == [("bad.tif", "held"), ("heron.tif", "ready")]


# The command.


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no pipes in folders")
def test_f16_f17_links_and_pipes_beside_a_scan_are_left_and_told_once(prepared):
    (prepared.scans / "link.tif").symlink_to("/etc/hostname")
    (prepared.scans / "loop.tif").symlink_to(prepared.scans / "loop.tif")
    (prepared.scans / "folder.tif").symlink_to("/")
    os.mkfifo(prepared.scans / "pipe.tif")
    with capture_logs() as log:
        prepared.start()
        arriving(prepared)
        until(lambda: prepared.outcomes)
        prepared.stop()
    assert prepared.done() == [("heron.tif", "ready")]
    assert prepared.bench.names("held") == []
    told = [Path(line["path"]).name for line in log if line["event"].startswith("ignored")]
    assert sorted(told) == ["folder.tif", "link.tif", "loop.tif", "pipe.tif"]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no pipes in folders")
def test_f17_a_pipe_named_by_hand_does_not_block(studio, tmp_path):
    os.mkfifo(tmp_path / "pipe.tif")
    [[outcome]] = prepare(studio.studio, [tmp_path / "pipe.tif"])
    assert (outcome.status, outcome.reason) == ("held", "pipe.tif is no file")


def test_f19_a_scan_that_is_gone_before_it_is_opened_is_no_trouble(prepared):
    def vanishing(folder: Path) -> list[tuple[Path, tuple[int, int, int] | None]]:
        listed = list(list_scans(folder))
        (folder / "heron.tif").unlink(missing_ok=True)
        return listed

    prepared.watcher.inbox.listing = vanishing
    prepared.watcher.inbox.settle = 0.0  # taken at the first look
    arriving(prepared)
    with capture_logs() as log:
        prepared.start()
        until(lambda: not (prepared.scans / "heron.tif").exists())
        arriving(prepared, "wren.tif", 1)
        until(lambda: prepared.outcomes)
        prepared.stop()
    assert prepared.done() == [("wren.tif", "ready")]
    assert not [line for line in log if line["log_level"] in {"warning", "error"}]


def test_f20_a_scan_that_changes_while_it_is_read_is_left_to_its_writer(studio, monkeypatch):
    scan = studio.drop("heron.tif")
    before = scan.read_bytes()

    def overwrite() -> None:
        until(lambda: list((studio.root / "originals").glob(".platemark-part-*")))
        write_scan(scan, sheet_scan(seed=1))

    monkeypatch.setenv("PLATEMARK_FAILPOINT", "archive.write:sleep=0.3")
    writer = threading.Thread(target=overwrite)
    writer.start()
    with pytest.raises((Changing, PlatemarkError)):
        deliver(studio.studio, scan)
    writer.join()
    monkeypatch.delenv("PLATEMARK_FAILPOINT")
    assert studio.names("scans") == ["heron.tif"]
    assert studio.names("ready") == studio.names("held") == []
    studio.run()
    [original] = (studio.root / "originals").glob("*.tif")
    assert original.read_bytes() not in {before, b""}
    assert len(studio.names("ready")) == 4


def test_f20_a_scan_replaced_while_its_prints_are_made_gets_its_own_turn(studio):
    scan = studio.drop("heron.tif")

    def replace(_print: str, stage: str) -> None:
        if stage == "jpeg":
            write_scan(scan, sheet_scan(seed=1))

    deliver(studio.studio, scan, replace)
    assert studio.names("scans") == ["heron.tif"]
    first = {path.name: path.read_bytes() for path in (studio.root / "ready").glob("heron.*.jpg")}
    studio.run()
    assert len(studio.names("ready")) == 8
    assert {name: (studio.root / "ready" / name).read_bytes() for name in first} == first


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no pipes in folders")
def test_f16_f17_only_plain_files_are_listed_and_a_pipe_does_not_block(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)  # the address of a socket must be short
    scan = tmp_path / "heron.tif"
    scan.write_bytes(b"scan")
    (tmp_path / "folder.tif").mkdir()
    (tmp_path / "link.tif").symlink_to(scan)
    (tmp_path / "loop.tif").symlink_to(tmp_path / "loop.tif")
    (tmp_path / "outside").symlink_to("/")
    os.mkfifo(tmp_path / "pipe.tif")
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind("socket.tif")
        assert [path.name for path, stamp in list_scans(tmp_path) if stamp] == ["heron.tif"]


def test_f16_what_is_passed_over_is_told_once(tmp_path):
    (tmp_path / "link.tif").symlink_to("/")
    (tmp_path / "card" / "deeper").mkdir(parents=True)
    inbox = Inbox(tmp_path, 2.0, 20.0)
    with capture_logs() as told:
        for now in (0.0, 1.0):
            inbox.look(now)
    assert sorted(line["path"] for line in told) == [str(tmp_path / "card" / "deeper"), str(tmp_path / "link.tif")]


def test_f15_twenty_thousand_other_files_are_neither_opened_nor_asked_for_their_size(tmp_path):
    folder, log = tmp_path / "scans", tmp_path / "calls"
    folder.mkdir()
    for number in range(20_000):
        os.close(os.open(folder / f"{number}.txt", os.O_CREAT | os.O_WRONLY))
    scan = write_scan(folder / "heron.tif")
    look = (
        "import sys; from pathlib import Path; from platemark.flow.inbox import Inbox\n"
        "inbox = Inbox(Path(sys.argv[1]), 0.0, 1.0); inbox.look(0.0); print(*inbox.look(1.0))"
    )
    words = [strace(), "-f", "--seccomp-bpf", "-o", str(log), "-e", "trace=%file"]
    done = subprocess.run([*words, sys.executable, "-c", look, str(folder)], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == str(scan)
    calls = log.read_text()
    assert "heron.tif" in calls
    assert f'"{folder}/' in calls
    assert not [line for line in calls.splitlines() if f"{folder}/" in line and ".txt" in line]


class Counting(Here):
    """Counts what is in work at once, and notes how much memory the program has."""

    def __init__(self) -> None:
        self.resident: list[int] = []

    def submit(self, fn: Callable[..., object], /, *args: object, **kwargs: object) -> object:
        future = super().submit(fn, *args, **kwargs)
        pages = int(Path("/proc/self/statm").read_text().split()[1])
        self.resident.append(pages * os.sysconf("SC_PAGESIZE"))
        return future


@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="this system does not tell how much memory is taken")
def test_f26_a_hundred_scans_at_once_are_taken_in_order_with_flat_memory(tmp_path):
    watched = Watched(Bench(tmp_path / "studio", TINY))
    for number in range(100):
        write_scan(watched.scans / f"scan{number:03}.tif", tiny_scan(number))
    watched.watcher.executor = watched.watcher.dispatcher.executor = counting = Counting()
    most: list[int] = []
    watched.watcher.on_outcome = lambda outcome: (
        watched.outcomes.append(outcome),
        most.append(len(watched.watcher.dispatcher._in_work)),
    )
    with capture_logs(), watched:
        until(lambda: len(watched.outcomes) == 100, seconds=120)
    assert watched.done() == [(f"scan{number:03}.tif", "ready") for number in range(100)]
    assert len(watched.bench.names("ready")) == 200
    assert max(most) <= watched.watcher.workers
    # The first quarter is left out: libraries warm up. A leak of each scan's 16-bit pixels would be 8 MB.
    second, last = np.mean(counting.resident[25:50]), np.mean(counting.resident[75:])
    assert last - second < 4e6

"""Section B of the faults: disk, crash, and two at once; see README.md."""

import contextlib
import hashlib
import os
import re
import signal
import subprocess
import sys
import tempfile
import threading
import tomllib
from collections import Counter
from pathlib import Path

import pytest
from own_system import in_own_system, mount, platemark, strace, without_power
from PIL import Image
from structlog.testing import capture_logs

from conftest import (
    DEADLINE,
    HERON,
    ONE_PRINT,
    PLAIN,
    QUICK,
    TINY,
    Bench,
    Watched,
    arriving,
    sheet_scan,
    tiny_scan,
    until,
    write_scan,
)
from platemark.contract.plugins import load_plugins
from platemark.errors import PlatemarkError, StoreError
from platemark.flow import chain, delivery
from platemark.flow.holder import sole_worker
from platemark.flow.reproduce import reproduce
from platemark.flow.verify import verify
from platemark.records import failpoint, store
from platemark.records.manifest import read_manifest


@pytest.fixture
def studio(tmp_path: Path) -> Bench:
    """Two prints, of scans that are sheets themselves."""
    return Bench(tmp_path / "studio", PLAIN)


def recorded_steps(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The steps of an undisturbed run: scan, ticket and all."""
    steps: list[str] = []
    with monkeypatch.context() as recording:
        for module in (store, delivery, chain):
            recording.setattr(module, "reach", steps.append)
        drop_with_ticket(bench)
        bench.run()
    return steps


def drop_with_ticket(bench: Bench) -> bytes:
    scan = bench.drop("heron.tif", tiny_scan())
    scan.with_suffix(".toml").write_text('title = "Heron"\n')
    return scan.read_bytes()


def numbered_steps(steps: list[str]) -> list[str]:
    """`out.write:2` is the second time that this step is reached."""
    return [f"{step}:{steps[: index + 1].count(step)}" for index, step in enumerate(steps)]


# Each line of its input names a config and a point of failure; a child works there and is killed, a second one goes on.
# The parent never decodes a picture, so that it has no threads to lose when it forks.
CRASHER = """
import os, sys
from pathlib import Path
from platemark.flow.prepare import prepare
from platemark.flow.studio import open_studio
import platemark_stages

def work(config, failpoint):
    child = os.fork()
    if child:
        return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    os.environ["PLATEMARK_FAILPOINT"] = failpoint
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    studio = open_studio(config)
    for _ in prepare(studio, sorted(studio.scans.glob("*.tif"))):
        pass
    os._exit(0)

for line in sys.stdin:
    config, failpoint = line.rstrip("\\n").split("\\t")
    print(work(Path(config), failpoint), work(Path(config), ""), flush=True)
"""


@pytest.mark.skipif(not hasattr(os, "fork"), reason="this system cannot fork")
def test_f30_after_a_kill_at_any_step_the_next_start_ends_where_an_undisturbed_run_does(tmp_path, monkeypatch):
    undisturbed = Bench(tmp_path / "undisturbed", TINY)
    points = numbered_steps(recorded_steps(undisturbed, monkeypatch))
    assert len(points) > 25
    benches = [Bench(tmp_path / point.replace(":", "-"), TINY) for point in points]
    for bench in benches:
        drop_with_ticket(bench)
    orders = "".join(f"{bench.file}\t{point}:kill\n" for bench, point in zip(benches, points, strict=True))
    result = subprocess.run([sys.executable, "-c", CRASHER], input=orders, capture_output=True, text=True, check=True)
    ends = dict(zip(points, result.stdout.splitlines(), strict=True))
    assert ends == dict.fromkeys(points, "-9 0")
    differing = [point for bench, point in zip(benches, points, strict=True) if bench.tree() != undisturbed.tree()]
    assert differing == []


@pytest.mark.skipif(not hasattr(os, "fork"), reason="this system cannot fork")
def test_f30_after_a_kill_while_a_scan_is_put_aside_it_lies_there_once_with_ticket_and_note(tmp_path):
    points = ["held.publish", "copy.publish", "copy.dirsync", "move.publish", "move.clear", "ticket.clear"]
    benches = [Bench(tmp_path / point, TINY) for point in points]
    for bench in benches:
        (bench.root / "scans" / "heron.tif").write_bytes(b"no picture")
        (bench.root / "scans" / "heron.toml").write_text('title = "Heron"\n')
    orders = "".join(f"{bench.file}\t{point}:kill\n" for bench, point in zip(benches, points, strict=True))
    result = subprocess.run([sys.executable, "-c", CRASHER], input=orders, capture_output=True, text=True, check=True)
    assert result.stdout.splitlines() == ["-9 0"] * len(points)
    for bench in benches:
        assert sorted(bench.tree()) == ["held/heron.held.toml", "held/heron.tif", "held/heron.toml"]


WRITES = "rename,renameat,renameat2,link,linkat,unlink,unlinkat,fsync,openat"
PATH = re.compile(r'"((?:[^"\\]|\\.)*)"')


def calls_of(bench: Bench, log: Path) -> list[tuple[str, list[str]]]:
    """The calls that a delivery made in its studio, in order: name and paths; for `fsync` the path it stands for."""
    scan = next((bench.root / "scans").glob("*.tif"))
    under = [strace(), "-f", "--seccomp-bpf", "-y", "-o", log, "-e", f"trace={WRITES}"]
    done = platemark("prepare", scan, "--config", bench.file, under=under)
    assert done.returncode == 0, done.stdout + done.stderr
    calls = []
    for line in log.read_text().splitlines():
        name, _, rest = line.split(None, 1)[1].partition("(")
        paths = re.findall(r"<([^>]+)>", rest)[:1] if name == "fsync" else PATH.findall(rest)
        if " = 0" in rest and any(str(bench.root) in path for path in paths):
            calls.append((name, paths))
    return calls


def test_f32_before_a_file_gets_its_name_it_is_synced_and_its_folder_after(tmp_path):
    bench = Bench(tmp_path / "studio", ONE_PRINT)
    bench.drop("heron.tif")
    calls = calls_of(bench, tmp_path / "calls")
    published = [
        (number, *map(Path, paths[-2:]))
        for number, (name, paths) in enumerate(calls)
        if name.startswith(("link", "rename")) and ".platemark-part-" in paths[0]
    ]
    lasting = {path.name for _, _, path in published} - {".platemark.holder"}
    assert {path.rpartition("-")[0] or path for path in lasting if path.endswith(".tif")} == {"heron"}
    assert set(HERON) < lasting
    for number, part, target in published:
        assert part.parent == target.parent  # F40: written beside its place
        synced = [paths[0] for name, paths in calls[:number] if name == "fsync"]
        assert str(part) in synced, target
        after = [paths[0] for name, paths in calls[number:] if name == "fsync"]
        assert str(target.parent) in after, target
    # The scan leaves last of all, when everything that was made of it lasts.
    [gone] = [number for number, (name, paths) in enumerate(calls) if paths[0].endswith("scans/heron.tif")]
    assert calls[gone][0].startswith("unlink")
    assert gone > max(number for number, _, target in published if target.name in HERON)


@pytest.mark.parametrize(("call", "when"), [("fsync", 3), ("linkat,link", 2)])
def test_f31_after_a_kill_inside_a_system_call_the_next_start_ends_where_an_undisturbed_run_does(tmp_path, call, when):
    bench, other = Bench(tmp_path / "studio", ONE_PRINT), Bench(tmp_path / "undisturbed", ONE_PRINT)
    scan = bench.drop("heron.tif")
    under = [strace(), "-f", "-o", os.devnull, "-e", f"trace={call}", "-e", f"inject={call}:signal=KILL:when={when}"]
    done = platemark("prepare", scan, "--config", bench.file, under=under)
    assert done.returncode == -signal.SIGKILL, done.stdout + done.stderr
    assert scan.exists()
    bench.run()
    other.drop("heron.tif")
    other.run()
    assert bench.tree() == other.tree()


def test_f33_whoever_lists_the_exports_meanwhile_sees_whole_ones_only_and_no_manifest_without_its_file(tmp_path):
    bench = Bench(tmp_path / "studio", PLAIN)
    for seed in range(6):
        bench.drop(f"heron{seed}.tif", sheet_scan(seed=seed))
    looks: list[int] = []
    wrong: list[str] = []
    done = threading.Event()

    def look() -> None:
        ready = bench.root / "ready"
        while not done.is_set():
            names = [path for path in sorted(ready.iterdir()) if not path.name.startswith(".")]
            looks.append(len(names))
            for path in names:
                try:
                    if path.suffix == ".toml":
                        told = read_manifest(path).output
                        if store.sha256_of(ready / told.file) != told.sha256:
                            wrong.append(path.name)
                    else:
                        with Image.open(path) as export:
                            export.load()
                except (OSError, PlatemarkError) as fault:
                    wrong.append(f"{path.name}: {fault}")

    looking = threading.Thread(target=look)
    looking.start()
    bench.run()
    done.set()
    looking.join()
    assert wrong == []
    assert len({*looks}) > 3  # it did look meanwhile


def test_f34_a_file_that_cannot_be_synced_is_not_shown_and_made_anew_when_it_can(tmp_path):
    bench = Bench(tmp_path / "studio", ONE_PRINT)
    scan = bench.drop("heron.tif")
    content = scan.read_bytes()
    undisturbed = Bench(tmp_path / "undisturbed", ONE_PRINT)
    undisturbed.drop("heron.tif")
    undisturbed.run()
    # From the third or sixth on, each fsync says that the disk failed; the first two are of the file that names us.
    for when in ("3+", "6+"):
        under = [strace(), "-f", "-o", os.devnull, "-e", "trace=fsync", "-e", f"inject=fsync:error=EIO:when={when}"]
        done = platemark("prepare", scan, "--config", bench.file, under=under)
        said = " ".join((done.stdout + done.stderr).split())
        assert done.returncode == 2, said
        assert "(Input/output error)" in said
        assert "look after the disk" in said
        assert scan.read_bytes() == content
        assert list(bench.root.rglob(".platemark-part-*")) == []
        assert not list(bench.root.glob("ready/*.toml"))
    bench.run()
    assert bench.tree() == undisturbed.tree()


def test_f37_a_disk_that_refuses_at_any_step_loses_nothing_and_the_next_try_ends_well(tmp_path, monkeypatch):
    undisturbed = Bench(tmp_path / "undisturbed", TINY)
    points = numbered_steps(recorded_steps(undisturbed, monkeypatch))
    for point in points:
        if point.startswith(("decode", "stage", "done")):
            continue  # nothing is written there
        action = "eio" if "sync" in point else "enospc"
        bench = Bench(tmp_path / point.replace(":", "-"), TINY)
        content = drop_with_ticket(bench)
        with monkeypatch.context() as refusing:
            refusing.setattr(failpoint, "_reached", Counter())
            refusing.setenv("PLATEMARK_FAILPOINT", f"{point}:{action}")
            with pytest.raises(StoreError) as refused:
                bench.run()
        assert str(bench.root) in refused.value.what, point
        assert refused.value.remedy, point
        assert content in {path.read_bytes() for path in bench.root.rglob("*.tif")}, point
        assert len(list(bench.root.glob("ready/*.jpg"))) == len(list(bench.root.glob("ready/*.toml"))), point
        bench.run()
        assert bench.tree() == undisturbed.tree(), point


def test_f39_a_broken_scan_is_held_and_the_next_one_prints(studio):
    (studio.root / "scans" / "broken.tif").write_bytes(b"II*\0 and nothing more")
    studio.drop("heron.tif")
    studio.run()
    assert studio.statuses == [("", "held"), ("card", "ready"), ("mini", "ready")]
    assert (studio.root / "held" / "broken.tif").read_bytes() == b"II*\0 and nothing more"
    [told] = tomllib.loads((studio.root / "held" / "broken.held.toml").read_text(encoding="utf-8"))["held"]
    assert told["print"] == "all"


def test_f41_her_own_file_at_the_name_of_an_export_is_left_alone(studio):
    hers = studio.root / "ready" / "heron.card.jpg"
    hers.write_bytes(b"hers")
    studio.drop("heron.tif")
    studio.run()
    assert hers.read_bytes() == b"hers"
    assert "heron-2.card.jpg" in studio.names("ready")


HOLD_AND_WAIT = """
import sys
from pathlib import Path
from platemark.flow.holder import sole_worker
from platemark.flow.reproduce import reproduce
from platemark.flow.verify import verify
with sole_worker(Path(sys.argv[1]), Path("scans")):
    print("held", flush=True)
    sys.stdin.read()
"""


@pytest.fixture
def other(tmp_path: Path):
    """Another process that holds the folder."""
    order = [sys.executable, "-c", HOLD_AND_WAIT, str(tmp_path)]
    with subprocess.Popen(order, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "held\n"
        yield process
        process.kill()


def test_f42_a_second_worker_is_told_the_process_that_holds_the_folder(tmp_path, other):
    with pytest.raises(PlatemarkError) as refused, sole_worker(tmp_path, tmp_path / "scans"):
        pass
    assert f"process {other.pid}" in refused.value.what
    assert str(tmp_path / "scans") in (refused.value.remedy or "")


def test_f42_after_a_kill_the_next_worker_starts(tmp_path, other):
    other.kill()
    other.wait()
    with sole_worker(tmp_path, tmp_path / "scans"):
        assert f"process {os.getpid()}\n" in (tmp_path / ".platemark.holder").read_text()


def test_f43_left_overs_of_a_crash_are_cleared_at_the_start_and_nobody_elses(studio):
    for folder in ("scans", "ready", "held", "originals"):
        (studio.root / folder / f"{store.TEMPORARY}0123").write_bytes(b"half")
    hers = studio.root / "ready" / "upload.part"
    hers.write_bytes(b"hers")
    studio.run()
    assert list(studio.root.rglob(f"{store.TEMPORARY}*")) == []
    assert hers.read_bytes() == b"hers"


def test_f43_what_a_crash_left_is_cleared_before_the_watch_begins(prepared):
    left = prepared.bench.root / "ready" / ".platemark-part-0123456789abcdef"
    left.write_bytes(b"half")
    prepared.start()
    until(lambda: not left.exists())


def test_f46_an_edit_of_the_scan_does_not_reach_the_archive(tmp_path):
    scan = write_scan(tmp_path / "heron.tif")
    content = scan.read_bytes()
    (tmp_path / "originals").mkdir()
    kept = store.keep_original(scan, tmp_path / "originals")
    with scan.open("ab") as file:
        file.write(b"edited")
    assert kept.path.read_bytes() == content


@pytest.mark.parametrize("keep", [0, 1000], ids=["empty", "short"])
def test_f47_a_short_original_left_by_an_old_crash_is_set_aside_and_kept_anew(studio, keep):
    content = studio.drop("heron.tif").read_bytes()
    studio.run()
    [original] = (studio.root / "originals").glob("*.tif")
    original.write_bytes(content[:keep])
    studio.drop("heron.tif")
    with capture_logs() as log:
        studio.run()
    assert original.read_bytes() == content
    assert original.with_name(f"{original.name}.damaged").read_bytes() == content[:keep]
    assert [line["log_level"] for line in log if "damaged" in line["event"]] == ["error"]


def filled(folder: Path) -> Path:
    """Take what room there is on a disk."""
    filler = folder / ".filler"
    with filler.open("wb", buffering=0) as file, contextlib.suppress(OSError):
        while True:
            file.write(bytes(4096))
    return filler


def paused(log: list[dict[str, object]], folder: Path) -> dict[str, object]:
    """Wait for the line that says why the work pauses."""
    until(lambda: any(line["event"] == "paused" and str(folder) in str(line["fault"]) for line in log))
    return next(line for line in log if line["event"] == "paused" and str(folder) in str(line["fault"]))


def full_disk(place: Path) -> None:
    """Exports, then originals find no room; then there is room for an export and none for its manifest."""
    bench = Bench(place / "studio", QUICK)
    for name in ("ready", "originals"):
        mount("-t", "tmpfs", "-o", "size=4m,nr_inodes=40", "tmpfs", bench.root / name)
    ready, originals = bench.root / "ready", bench.root / "originals"
    with capture_logs() as log, Watched(bench) as watched:
        filler = filled(ready)
        scan = bench.drop("heron.tif")
        content = scan.read_bytes()
        told = paused(log, ready)
        assert f"make room on the disk of {ready}" in str(told["remedy"])
        assert bench.names("ready") == watched.outcomes == []
        assert [path.name for path in ready.iterdir()] == [".filler"]  # nothing half written is left
        filler.unlink()
        until(lambda: watched.outcomes)
        assert bench.names("ready") == HERON
        assert any(line["event"] == "going on" for line in log)

        filler = filled(originals)
        scan = bench.drop("wren.tif", sheet_scan(seed=1))
        content = scan.read_bytes()
        told = paused(log, originals)
        assert f"make room on the disk of {originals}" in str(told["remedy"])
        assert scan.read_bytes() == content
        assert not list(originals.glob("wren*"))
        assert not list(originals.glob(".platemark-part-*"))
        filler.unlink()
        until(lambda: len(watched.outcomes) == 2)
        [kept] = originals.glob("wren-*.tif")
        assert kept.read_bytes() == content

        # A file needs an inode; a second name for it does not. So the export fits, and the manifest does not.
        log.clear()
        free = os.statvfs(ready).f_ffree
        for number in range(free - 1):
            (ready / f".filler{number}").touch()
        bench.drop("owl.tif", sheet_scan(seed=2))
        told = paused(log, ready)
        assert "owl.card.toml" in str(told["fault"])
        assert not list(ready.glob("owl.*.toml"))
        for number in range(free - 1):
            (ready / f".filler{number}").unlink()
        until(lambda: len(watched.outcomes) == 3)
        assert {"owl.card.jpg", "owl.card.toml"} < set(bench.names("ready"))
        assert len(bench.names("ready")) == 6
    assert verify(bench.root).sound


def test_f35_f36_f37_a_full_disk_pauses_the_work_shows_no_half_file_and_it_goes_on_by_itself(tmp_path):
    in_own_system(full_disk, tmp_path)


@pytest.mark.skipif(os.name == "nt", reason="a limit of POSIX")
def test_f35_a_file_too_large_for_the_system_pauses_the_work_too(tmp_path):
    # Where nobody may mount: the program may write no file of more than 8 kB, as on a disk that is full.
    bench = Bench(tmp_path / "studio", ONE_PRINT)
    scan = bench.drop("heron.tif")
    limit = ["sh", "-c", 'ulimit -f 16; exec "$@"', "sh"]
    done = platemark("prepare", scan, "--config", bench.file, under=limit)
    assert done.returncode == 2, done.stdout + done.stderr
    assert "cannot be written (File too large)" in " ".join(done.stderr.split())
    assert scan.exists()
    assert bench.names("ready") == bench.names("originals") == []
    assert list(bench.root.rglob(".platemark-part-*")) == []


def read_only(place: Path) -> None:
    """A folder that cannot be written stops the start, pauses the work, and it goes on when it can."""
    bench = Bench(place / "studio", QUICK)
    for name in ("ready", "originals", "held", "scans"):
        folder = bench.root / name
        mount("--bind", folder, folder)
        mount("-o", "remount,ro,bind", folder)
        with pytest.raises(PlatemarkError, match="cannot be written") as stop:
            bench.studio.make_folders()
        assert str(folder) in stop.value.what
        assert stop.value.remedy
        mount("-o", "remount,rw,bind", folder)
    ready = bench.root / "ready"
    with capture_logs() as log, Watched(bench) as watched:
        mount("-o", "remount,ro,bind", ready)
        bench.drop("heron.tif")
        assert f"allow writing in {ready}" in str(paused(log, ready)["remedy"])
        mount("-o", "remount,rw,bind", ready)
        until(lambda: watched.outcomes)
    assert watched.done() == [("heron.tif", "ready")]


def test_f38_a_folder_that_cannot_be_written_stops_the_start_and_pauses_the_work(tmp_path):
    in_own_system(read_only, tmp_path)


def unreadable(place: Path) -> None:
    """One scan may not be read by who runs the program."""
    bench = Bench(place / "studio", ONE_PRINT)
    bench.drop("closed.tif").chmod(0)
    bench.drop("heron.tif", sheet_scan(seed=1))
    assert [(outcome.scan, outcome.status) for outcome in bench.run()] == [
        ("closed.tif", "held"),
        ("heron.tif", "ready"),
    ]
    assert "closed.tif cannot be read (Permission denied)" in bench.outcomes[0].reason
    assert "owner and rights" in bench.outcomes[0].remedy
    assert bench.names("held") == ["closed.held.toml", "closed.tif"]


def test_f39_a_scan_that_may_not_be_read_is_held_and_the_next_one_prints(tmp_path):
    without_power(unreadable, tmp_path)


def test_f40_every_file_is_written_beside_its_place_so_other_disks_do_not_matter(tmp_path):
    shared = Path("/dev/shm")  # noqa: S108 - the one other disk that every Linux has
    if not shared.is_dir() or shared.stat().st_dev == tmp_path.stat().st_dev:
        pytest.skip("NOT TESTED: there is no second disk here (/dev/shm)")
    with tempfile.TemporaryDirectory(dir=shared) as other:
        folders = f'[folders]\nready = "{other}/ready"\nheld = "{other}/held"\n'
        bench = Bench(tmp_path / "studio", ONE_PRINT + folders)
        content = bench.drop("heron.tif").read_bytes()
        (bench.root / "scans" / "torn.tif").write_bytes(content[:5000])
        assert [outcome.status for outcome in bench.run()] == ["ready", "held"]
        assert (Path(other) / "held" / "torn.tif").read_bytes() == content[:5000]
        assert sorted(path.name for path in (Path(other) / "ready").iterdir()) == HERON
        assert verify(Path(other) / "ready").sound
    assert bench.names("scans") == []


def test_f44_dates_of_files_change_nothing_in_what_is_made(tmp_path):
    made = []
    for number, seconds in enumerate((None, 0, 4_070_908_800)):  # now; 1970; 2099
        bench = Bench(tmp_path / f"studio{number}", QUICK)
        scan = bench.drop("heron.tif")
        if seconds is not None:
            os.utime(scan, (seconds, seconds))
        with Watched(bench) as watched:
            until(lambda watched=watched: watched.outcomes)
        made.append(bench.tree())
        text = (bench.root / "ready" / "heron.card.toml").read_text(encoding="utf-8")
        assert tomllib.loads(text)["made"]["when"].endswith("+00:00")
    assert made[0] == made[1] == made[2]


def test_f44_a_clock_that_jumps_takes_no_scan_early_and_none_twice(tmp_path):
    bench, clock = Bench(tmp_path / "studio", QUICK), Clock()
    watched = Watched(bench)
    watched.watcher.clock = clock
    with watched:
        arriving(watched)
        until(lambda: clock.asked > 5)
        assert watched.outcomes == []  # time stands still, and so does the settle time
        clock.now = 1e9
        until(lambda: watched.outcomes)
        clock.now = 0.0
        arriving(watched, "wren.tif", 1)
        until(lambda: any(path.name == "wren.tif" for path in watched.watcher.inbox.seen))
        clock.now = 2e9
        until(lambda: len(watched.outcomes) == 2)
    assert watched.done() == [("heron.tif", "ready"), ("wren.tif", "ready")]


class Clock:
    """A clock that the test sets."""

    def __init__(self) -> None:
        self.now = 0.0
        self.asked = 0

    def __call__(self) -> float:
        self.asked += 1
        return self.now


def test_f45_a_flipped_byte_in_the_archive_is_told_and_nothing_is_made_or_mended_from_it(studio):
    studio.drop("heron.tif")
    studio.run()
    [original] = (studio.root / "originals").glob("*.tif")
    before, damaged = original.read_bytes(), bytearray(original.read_bytes())
    damaged[len(damaged) // 2] ^= 1
    original.write_bytes(damaged)
    [finding] = verify(studio.root).findings
    expected, found = (hashlib.sha256(data).hexdigest()[:12] for data in (before, damaged))
    assert original.name in finding.sentence
    assert expected in finding.sentence
    assert found in finding.sentence
    with pytest.raises(PlatemarkError, match=found):
        reproduce(studio.root / "ready" / "heron.card.toml", load_plugins())
    assert original.read_bytes() == damaged


# A step, and what lies in the studio when it is reached.
STEPS = {
    "archive.write": "originals/.platemark-part-*",
    "stage.border": "originals/heron-*",
    "manifest.write": "ready/heron.card.jpg",
}


@pytest.mark.skipif(os.name == "nt", reason="Windows sends no such signals")
@pytest.mark.parametrize("step", STEPS)
def test_f48_a_signal_at_any_step_ends_the_command_after_the_scan_in_hand(tmp_path, step):
    bench = Bench(tmp_path / "studio", QUICK)
    bench.drop("heron.tif")
    program = [sys.executable, "-c", "from platemark.face.cli import main; main()"]
    command = [*program, "watch", "--config", str(bench.file)]
    # The step takes long enough for the signal to find it at work.
    slow = {**os.environ, "PLATEMARK_FAILPOINT": f"{step}:sleep=0.4"}
    sent = signal.SIGINT if step == "stage.border" else signal.SIGTERM

    def is_there() -> bool:
        at_work = (bench.root / "originals" / ".platemark.holder").exists() and list(bench.root.glob(STEPS[step]))
        return bool(at_work) or process.poll() is not None

    with subprocess.Popen(command, env=slow, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True) as process:
        until(is_there)
        process.send_signal(sent)
        said, _ = process.communicate(timeout=DEADLINE)
    assert process.returncode == 0, said
    assert "Nothing is half done" in said
    assert bench.names("ready") == HERON
    assert bench.names("scans") == []
    assert list(bench.root.rglob(".platemark-part-*")) == []


def test_f32_the_original_is_safe_before_an_export_is_seen_and_the_scan_leaves_last(tmp_path, monkeypatch):
    steps = recorded_steps(Bench(tmp_path / "studio", TINY), monkeypatch)
    order = ["archive.dirsync", "out.publish", "manifest.publish", "inbox.clear"]
    assert [step for step in steps if step in order] == order

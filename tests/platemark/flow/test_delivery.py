"""One scan to all its prints: durably, once, and without losing anything whatever happens on the way."""

import os
import subprocess
import sys
import tomllib
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from conftest import CONFIG, Bench, sheet_scan, write_scan
from platemark import hookimpl
from platemark.errors import StoreError
from platemark.flow import chain, delivery
from platemark.flow.delivery import Changing, deliver
from platemark.flow.prepare import prepare
from platemark.records import failpoint, store
from platemark.records.names import name_key
from platemark.records.store import sha256_of

# The scan is the sheet itself, so that nothing has to be found on a bed.
PLAIN = 'stages = ["resample", "border", "jpeg"]\n' + CONFIG
ONE_PRINT = PLAIN.partition("[print.mini]")[0]
BOTH = ["heron.card.jpg", "heron.card.toml", "heron.mini.jpg", "heron.mini.toml"]


@pytest.fixture
def studio(tmp_path: Path) -> Bench:
    return Bench(tmp_path / "studio", PLAIN)


def tree(root: Path) -> dict[str, bytes]:
    """All files of the four folders; of a manifest what does not depend on when it was written."""
    folders = ("scans", "ready", "held", "originals")
    files = [path for folder in folders for path in (root / folder).rglob("*") if path.is_file()]
    return {
        path.relative_to(root).as_posix(): path.read_bytes().partition(b"\n[made]")[0]
        for path in files
        if not path.name.endswith((".lock", ".holder"))
    }


def statuses(bench: Bench) -> list[tuple[str, str]]:
    return [(outcome.print_name, outcome.status) for outcome in bench.outcomes]


def held_note(bench: Bench, name: str) -> dict[str, object]:
    return tomllib.loads((bench.root / "held" / f"{name}.held.toml").read_text(encoding="utf-8"))


# One scan.


def test_a_scan_becomes_its_prints_and_is_kept_as_it_was(studio):
    scan = studio.drop("heron.tif")
    content = scan.read_bytes()
    studio.run()
    assert studio.names("ready") == BOTH
    [original] = (studio.root / "originals").glob("*.tif")
    assert original.read_bytes() == content
    assert original.name == f"heron-{sha256_of(original)[:12]}.tif"
    assert studio.names("scans") == []


def test_the_original_is_safe_before_an_export_is_seen_and_the_scan_leaves_last(studio, monkeypatch):
    steps = recorded_steps(studio, monkeypatch)
    order = ["archive.dirsync", "out.publish", "manifest.publish", "out.publish", "manifest.publish", "inbox.clear"]
    assert [step for step in steps if step in order] == order


def test_the_ticket_goes_with_its_scan(studio):
    studio.drop("heron.tif").with_suffix(".toml").write_text('title = "Heron"\n')
    studio.run()
    assert studio.names("scans") == []
    [ticket] = (studio.root / "originals").glob("*.toml")
    assert ticket.read_text() == 'title = "Heron"\n'
    assert ticket.with_suffix(".tif").is_file()


def test_a_ticket_of_two_scans_serves_both(studio):
    studio.drop("heron.tif").with_suffix(".toml").write_text('title = "Heron"\nprints = ["card"]\n')
    studio.drop("heron.tiff", sheet_scan(seed=1))
    studio.run()
    assert studio.names("ready") == ["heron-2.card.jpg", "heron-2.card.toml", "heron.card.jpg", "heron.card.toml"]
    assert studio.names("scans") == []


def test_a_scan_prepared_from_her_own_folder_stays_there(studio, tmp_path):
    scan = write_scan(tmp_path / "art" / "heron.tif")
    before = scan.read_bytes()
    outcomes = [outcome for made in prepare(studio.studio, [scan]) for outcome in made]
    assert [outcome.status for outcome in outcomes] == ["ready", "ready"]
    assert scan.read_bytes() == before


def test_a_scan_named_from_inside_the_studio_is_the_same_as_one_found_there(studio, monkeypatch):
    studio.drop("heron.tif")
    monkeypatch.chdir(studio.root)
    outcomes = [outcome for made in prepare(studio.studio, [Path("scans/heron.tif")]) for outcome in made]
    assert [outcome.status for outcome in outcomes] == ["ready", "ready"]
    assert studio.names("scans") == []


def test_a_scan_in_a_folder_named_after_a_print_becomes_only_that_print(studio):
    studio.drop("mini/heron.tif")
    studio.run()
    assert studio.names("ready") == ["heron.mini.jpg", "heron.mini.toml"]


def test_a_scan_in_any_other_folder_is_held_with_the_names_that_would_do(studio):
    studio.drop("holiday/heron.tif")
    [outcome] = studio.run()
    assert "holiday" in outcome.reason
    assert "card or mini" in outcome.remedy
    assert studio.names("held") == ["heron.held.toml", "heron.tif"]


# Names.


def test_two_scans_of_one_name_get_exports_of_their_own(studio):
    studio.drop("heron.tif")
    studio.drop("heron.tiff", sheet_scan(seed=1))
    studio.run()
    assert studio.names("ready") == sorted([*BOTH, *(name.replace("heron", "heron-2") for name in BOTH)])


@pytest.mark.parametrize(("one", "other"), [("Heron.tif", "heron.tif"), ("caf\u00e9.tif", "cafe\u0301.tif")])
def test_names_that_are_one_on_some_disks_get_exports_of_their_own(studio, one, other):
    studio.drop(one)
    studio.drop(other, sheet_scan(seed=1))
    if len(list((studio.root / "scans").iterdir())) == 1:
        pytest.skip("these two are one name on this disk")
    studio.run()
    keys = {name_key(name) for name in studio.names("ready")}
    assert len(keys) == len(studio.names("ready")) == 8
    assert [status for _print, status in statuses(studio)] == ["ready"] * 4


@pytest.mark.parametrize(
    "name",
    [
        "-rf.tif",
        "line\nbreak.tif",
        "red\x1b[31m.tif",
        os.fsdecode(b"latin1-\xe9.tif"),
        "x.tif[page=8]",
        "x" * 251 + ".tif",
        "no ending",
    ],
    ids=ascii,
)
def test_a_scan_of_a_hostile_name_is_printed_like_any_other(studio, tmp_path, name):
    write_scan(tmp_path / "plain.tif").rename(studio.root / "scans" / name)
    outcomes = studio.run()
    assert [outcome.status for outcome in outcomes] == ["ready", "ready"]
    assert studio.names("scans") == []
    for outcome in outcomes:
        assert outcome.export is not None
        assert outcome.export.name.isprintable()
        assert outcome.scan.encode("utf-8").isascii() or outcome.scan.isprintable()


@pytest.mark.parametrize(
    "name", ["line\nbreak.tif", os.fsdecode(b"latin1-\xe9.tif"), "x" * 251 + ".tif"], ids=["newline", "bytes", "long"]
)
def test_a_scan_of_a_hostile_name_is_held_like_any_other(studio, name):
    (studio.root / "scans" / name).write_bytes(b"no picture")
    [outcome] = studio.run()
    assert outcome.status == "held"
    assert (studio.root / "held" / name).read_bytes() == b"no picture"
    [note] = (studio.root / "held").glob("*.held.toml")
    assert tomllib.loads(note.read_text(encoding="utf-8"))["held"]


def test_her_own_file_at_the_name_of_an_export_is_left_alone(studio):
    hers = studio.root / "ready" / "heron.card.jpg"
    hers.write_bytes(b"hers")
    studio.drop("heron.tif")
    studio.run()
    assert hers.read_bytes() == b"hers"
    assert "heron-2.card.jpg" in studio.names("ready")


def test_the_same_scan_under_another_name_is_not_kept_or_printed_twice_and_the_log_says_so(studio):
    for name in ("heron.tif", "other.tif"):
        studio.drop(name)
    with capture_logs() as log:
        studio.run()
    assert statuses(studio) == [("card", "ready"), ("mini", "ready"), ("card", "known"), ("mini", "known")]
    assert studio.names("ready") == BOTH
    assert len(list((studio.root / "originals").glob("*.tif"))) == 1
    told = [line for line in log if "not made again" in line["event"]]
    assert [(line["scan"], line["export"]) for line in told] == [("other.tif", BOTH[0]), ("other.tif", BOTH[2])]


# The archive.


@pytest.mark.parametrize("keep", [0, 1000], ids=["empty", "short"])
def test_a_short_original_left_by_an_old_crash_is_set_aside_and_kept_anew(studio, keep):
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


# Changes on the way.


def test_a_scan_that_changes_while_it_is_read_is_left_to_its_writer(studio, monkeypatch):
    scan = studio.drop("heron.tif")
    keep = store.keep_original
    monkeypatch.setattr(
        store, "keep_original", lambda *where, **when: (write_scan(scan, sheet_scan(seed=1)), keep(*where, **when))[1]
    )
    with pytest.raises(Changing):
        deliver(studio.studio, scan)
    assert studio.names("scans") == ["heron.tif"]
    assert studio.names("ready") == studio.names("held") == []
    [outcome] = studio.run()  # by hand it is not waited for, but neither moved from under its writer
    assert (outcome.status, studio.names("scans"), studio.names("held")) == ("held", ["heron.tif"], [])


def test_a_scan_replaced_while_its_prints_are_made_gets_its_own_turn(studio):
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


def test_a_ticket_written_while_the_prints_are_made_gets_its_own_turn(studio):
    scan = studio.drop("heron.tif")

    def write(_print: str, stage: str) -> None:
        if stage == "jpeg":
            scan.with_suffix(".toml").write_text('title = "Heron"\nprints = ["card"]\n')

    deliver(studio.studio, scan, write)
    assert studio.names("scans") == ["heron.tif", "heron.toml"]
    studio.run()
    assert statuses(studio) == [("card", "ready")]
    assert studio.names("ready") == sorted([*BOTH, "heron-2.card.jpg", "heron-2.card.toml"])
    assert studio.names("scans") == []


def test_a_scan_that_vanishes_while_its_prints_are_made_is_printed(studio):
    scan = studio.drop("heron.tif")
    outcomes = deliver(studio.studio, scan, lambda _print, _stage: scan.unlink(missing_ok=True))
    assert [outcome.status for outcome in outcomes] == ["ready", "ready"]


# Held.


def test_a_wrong_ticket_holds_its_scan_with_line_and_remedy(studio):
    studio.drop("heron.tif").with_suffix(".toml").write_text('titel = "Heron"\n')
    [outcome] = studio.run()
    assert "heron.toml, titel" in outcome.reason
    assert "title" in outcome.reason
    assert studio.names("held") == ["heron.held.toml", "heron.tif", "heron.toml"]
    assert studio.names("scans") == studio.names("ready") == []


def test_a_held_scan_put_right_and_moved_back_is_printed_and_the_old_note_goes(studio):
    scan = studio.drop("heron.tif")
    scan.with_suffix(".toml").write_text('titel = "Heron"\n')
    studio.run()
    held = studio.root / "held"
    (held / "heron.tif").rename(scan)
    (held / "heron.toml").unlink()
    scan.with_suffix(".toml").write_text('title = "Heron"\n')
    studio.run()
    assert studio.names("ready") == BOTH
    assert studio.names("held") == studio.names("scans") == []


def test_two_held_scans_of_one_name_keep_their_own_notes_and_tickets(studio):
    for name in ("heron.tif", "heron.png"):
        (studio.root / "scans" / name).write_bytes(name.encode())
        (studio.root / "scans" / "heron.toml").write_text(f'title = "{name}"\n')
        studio.run()
    assert studio.names("held") == [
        "heron-2.held.toml",
        "heron-2.png",
        "heron-2.toml",
        "heron.held.toml",
        "heron.tif",
        "heron.toml",
    ]
    assert (studio.root / "held" / "heron-2.toml").read_text() == 'title = "heron.png"\n'
    assert str(held_note(studio, "heron-2")["scan"]).endswith("heron-2.png")


def test_an_unreadable_scan_is_held_and_the_next_one_prints(studio):
    (studio.root / "scans" / "broken.tif").write_bytes(b"II*\0 and nothing more")
    studio.drop("heron.tif")
    studio.run()
    assert statuses(studio) == [("", "held"), ("card", "ready"), ("mini", "ready")]
    assert (studio.root / "held" / "broken.tif").read_bytes() == b"II*\0 and nothing more"
    [told] = held_note(studio, "broken")["held"]  # type: ignore[misc]
    assert told["print"] == "all"


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no pipes in folders")
def test_a_pipe_named_by_hand_does_not_block(studio, tmp_path):
    os.mkfifo(tmp_path / "pipe.tif")
    [[outcome]] = prepare(studio.studio, [tmp_path / "pipe.tif"])
    assert (outcome.status, outcome.reason) == ("held", "pipe.tif is no file")


def test_a_scan_named_by_hand_that_is_not_there_is_told(studio):
    [[outcome]] = prepare(studio.studio, [studio.root / "scans" / "gone.tif"])
    assert outcome.status == "held"
    assert "gone.tif is gone" in outcome.reason


STAGE = """
from platemark import Parameters, Settings, Stage, hookimpl

class Faulty(Stage[Settings, Parameters]):
    name = "faulty"
    def measure(self, picture, settings, job):
        if job.print_name == "mini" and job.work.name == "heron":
            {fault}
        return Parameters()
    def apply(self, picture, parameters):
        return picture

@hookimpl
def platemark_stages():
    return [Faulty]
"""


@pytest.fixture
def with_stage(tmp_path: Path) -> Iterator[Callable[[str], Bench]]:
    def make(fault: str) -> Bench:
        folder = tmp_path / "studio" / "stages"
        folder.mkdir(parents=True)
        (folder / "faulty.py").write_text(STAGE.format(fault=fault))
        chain = PLAIN.replace('"border"', '"faulty", "border"')
        return Bench(tmp_path / "studio", 'stages_dir = "stages"\n' + chain)

    yield make
    for name in [name for name in sys.modules if name.startswith("platemark_stage_faulty")]:
        del sys.modules[name]


@pytest.mark.parametrize("fault", ['raise ValueError("no edge")', "raise SystemExit(3)", "raise MemoryError"])
def test_a_stage_that_fails_holds_its_print_by_name_and_all_others_go_on(with_stage, fault):
    bench = with_stage(fault)
    bench.drop("heron.tif")
    bench.drop("wren.tif", sheet_scan(seed=1))
    bench.run()
    assert statuses(bench) == [("card", "ready"), ("mini", "held"), ("card", "ready"), ("mini", "ready")]
    assert "faulty" in bench.outcomes[1].reason
    assert bench.names("held") == ["heron.held.toml", "heron.tif"]
    assert Path(str(held_note(bench, "heron")["archived"])).is_file()


def test_a_stage_that_raises_what_ctrl_c_raises_is_only_a_stage_that_fails(with_stage, monkeypatch):
    bench = with_stage("raise KeyboardInterrupt")
    bench.drop("heron.tif")
    with pytest.raises(KeyboardInterrupt):  # here it may be the keyboard: the scan stays for the next start
        bench.run()
    assert bench.names("scans") == ["heron.tif"]
    monkeypatch.setattr(delivery, "is_from_the_keyboard", lambda: False)
    bench.run()
    assert statuses(bench) == [("card", "known"), ("mini", "held")]
    assert "the stage faulty" in bench.outcomes[1].reason


def test_a_stage_file_edited_while_the_program_runs_is_not_recorded_as_what_it_was(with_stage):
    bench = with_stage("pass")
    scan, opened = bench.drop("heron.tif"), bench.studio
    with (bench.root / "stages" / "faulty.py").open("a") as file:
        file.write("# edited\n")
    assert {outcome.status for outcome in deliver(opened, scan)} == {"held"}
    assert list((bench.root / "originals" / "stages").glob("*")) == []


def test_a_fault_of_our_own_holds_the_scan_keeps_its_traceback_and_stops_nothing(studio, monkeypatch):
    examine = delivery.examine
    monkeypatch.setattr(
        delivery, "examine", lambda path, *more: 1 / 0 if path.name == "heron.tif" else examine(path, *more)
    )
    studio.drop("heron.tif")
    studio.drop("wren.tif", sheet_scan(seed=1))
    with capture_logs() as log:
        studio.run()
    assert statuses(studio) == [("", "held"), ("card", "ready"), ("mini", "ready")]
    assert "ZeroDivisionError" in studio.outcomes[0].reason
    assert [type(line["exc_info"]) for line in log if "exc_info" in line] == [ZeroDivisionError]


# Crashes and refusing disks.


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
    scan = bench.drop("heron.tif")
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
def test_after_a_kill_at_any_step_the_next_start_ends_where_an_undisturbed_run_does(tmp_path, monkeypatch):
    undisturbed = Bench(tmp_path / "undisturbed", ONE_PRINT)
    points = numbered_steps(recorded_steps(undisturbed, monkeypatch))
    assert len(points) > 25
    benches = [Bench(tmp_path / point.replace(":", "-"), ONE_PRINT) for point in points]
    for bench in benches:
        drop_with_ticket(bench)
    orders = "".join(f"{bench.file}\t{point}:kill\n" for bench, point in zip(benches, points, strict=True))
    result = subprocess.run([sys.executable, "-c", CRASHER], input=orders, capture_output=True, text=True, check=True)
    ends = dict(zip(points, result.stdout.splitlines(), strict=True))
    assert ends == dict.fromkeys(points, "-9 0")
    differing = [
        point for bench, point in zip(benches, points, strict=True) if tree(bench.root) != tree(undisturbed.root)
    ]
    assert differing == []


@pytest.mark.skipif(not hasattr(os, "fork"), reason="this system cannot fork")
def test_after_a_kill_while_a_scan_is_put_aside_it_lies_there_once_with_ticket_and_note(tmp_path):
    points = ["held.publish", "copy.publish", "copy.dirsync", "move.publish", "move.clear", "ticket.clear"]
    benches = [Bench(tmp_path / point, ONE_PRINT) for point in points]
    for bench in benches:
        (bench.root / "scans" / "heron.tif").write_bytes(b"no picture")
        (bench.root / "scans" / "heron.toml").write_text('title = "Heron"\n')
    orders = "".join(f"{bench.file}\t{point}:kill\n" for bench, point in zip(benches, points, strict=True))
    result = subprocess.run([sys.executable, "-c", CRASHER], input=orders, capture_output=True, text=True, check=True)
    assert result.stdout.splitlines() == ["-9 0"] * len(points)
    for bench in benches:
        assert sorted(tree(bench.root)) == ["held/heron.held.toml", "held/heron.tif", "held/heron.toml"]


def test_a_disk_that_refuses_at_any_step_loses_nothing_and_the_next_try_ends_well(tmp_path, monkeypatch):
    undisturbed = Bench(tmp_path / "undisturbed", ONE_PRINT)
    points = numbered_steps(recorded_steps(undisturbed, monkeypatch))
    for point in points:
        if point.startswith(("decode", "stage", "done")):
            continue  # nothing is written there
        action = "eio" if "sync" in point else "enospc"
        bench = Bench(tmp_path / point.replace(":", "-"), ONE_PRINT)
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
        assert tree(bench.root) == tree(undisturbed.root), point


def test_left_overs_of_a_crash_are_cleared_at_the_start_and_nobody_elses(studio):
    for folder in ("scans", "ready", "held", "originals"):
        (studio.root / folder / f"{store.TEMPORARY}0123").write_bytes(b"half")
    hers = studio.root / "ready" / "upload.part"
    hers.write_bytes(b"hers")
    studio.run()
    assert list(studio.root.rglob(f"{store.TEMPORARY}*")) == []
    assert hers.read_bytes() == b"hers"


def test_a_ticket_that_waits_for_its_scan_is_not_cleared(studio):
    ticket = studio.root / "scans" / "heron.toml"
    ticket.write_text('title = "Heron"\n')
    studio.run()
    assert ticket.is_file()


@pytest.mark.parametrize("missing", ["ready", "originals", "held"])
def test_a_missing_folder_stops_with_its_path_and_nothing_is_lost(studio, missing):
    scan = studio.drop("heron.tif")
    opened = studio.studio
    (studio.root / missing).rmdir()
    with pytest.raises(StoreError, match=missing):
        deliver(opened, scan)
    content = {path.read_bytes() for path in studio.root.rglob("*.tif")}
    assert content == {write_scan(studio.root / "same.tif").read_bytes()}


# Plugins that listen.


def test_a_plugin_that_fails_when_it_is_told_changes_nothing(studio):
    class Listener:
        @hookimpl
        def platemark_delivered(self, export: Path, manifest: Path) -> None:  # noqa: ARG002
            raise SystemExit(1)

    opened = studio.studio
    opened.plugins.manager.register(Listener(), "listener")
    scan = studio.drop("heron.tif")
    with capture_logs() as log:
        assert [outcome.status for outcome in deliver(opened, scan)] == ["ready", "ready"]
    assert [line["plugin"] for line in log if line["event"].startswith("a plugin failed")] == ["listener"] * 2

"""One scan to all its prints: durably, once, and without losing anything whatever happens on the way."""

import tomllib
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from conftest import BOTH, PLAIN, Bench, sheet_scan, write_scan
from platemark import hookimpl
from platemark.errors import StoreError
from platemark.flow import delivery
from platemark.flow.delivery import deliver
from platemark.flow.prepare import prepare
from platemark.records.store import sha256_of


@pytest.fixture
def studio(tmp_path: Path) -> Bench:
    return Bench(tmp_path / "studio", PLAIN)


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


# The archive.


# Changes on the way.


def test_a_ticket_written_while_the_prints_are_made_gets_its_own_turn(studio):
    scan = studio.drop("heron.tif")

    def write(_print: str, stage: str) -> None:
        if stage == "jpeg":
            scan.with_suffix(".toml").write_text('title = "Heron"\nprints = ["card"]\n')

    deliver(studio.studio, scan, write)
    assert studio.names("scans") == ["heron.tif", "heron.toml"]
    studio.run()
    assert studio.statuses == [("card", "ready")]
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


def test_a_scan_named_by_hand_that_is_not_there_is_told(studio):
    [[outcome]] = prepare(studio.studio, [studio.root / "scans" / "gone.tif"])
    assert outcome.status == "held"
    assert "gone.tif is gone" in outcome.reason


def test_a_fault_of_our_own_holds_the_scan_keeps_its_traceback_and_stops_nothing(studio, monkeypatch):
    examine = delivery.examine
    monkeypatch.setattr(
        delivery, "examine", lambda path, *more: 1 / 0 if path.name == "heron.tif" else examine(path, *more)
    )
    studio.drop("heron.tif")
    studio.drop("wren.tif", sheet_scan(seed=1))
    with capture_logs() as log:
        studio.run()
    assert studio.statuses == [("", "held"), ("card", "ready"), ("mini", "ready")]
    assert "ZeroDivisionError" in studio.outcomes[0].reason
    assert [type(line["exc_info"]) for line in log if "exc_info" in line] == [ZeroDivisionError]


# Crashes and refusing disks.


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

"""Several scans that become one picture: a set is waited for, taken whole, made again, and held whole.

Joined for real where the pixels matter; otherwise a plain plugin lays halves side by side, which is quick.
"""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from conftest import CONFIG, Bench, sheet_scan
from platemark.contract.plugins import load_plugins
from platemark.errors import PluginError
from platemark.flow.inbox import Glance
from platemark.flow.leaving import clear_up
from platemark.flow.reproduce import reproduce
from platemark.flow.verify import verify
from platemark.flow.waiting import Waiting
from platemark.records.manifest import read_manifest

# What gathers without measuring: the scans of a set side by side, the left one darkened by what is measured.
BESIDE = """
from collections.abc import Mapping, Sequence
from typing import Any
from pydantic import Field
from platemark import Affine, Gathering, Held, Parameters, Picture, ScanSet, Settings, hookimpl


class BesideSettings(Settings):
    pass


class BesideParameters(Parameters):
    gap: int = Field(ge=0, description="Pixels.")


class Beside(Gathering[BesideSettings, BesideParameters]):
    '''Lays a left and a right half side by side.'''

    name = "beside"

    def announced(self, stem):
        for end in ("_left", "_right"):
            if stem.lower().endswith(end):
                name = stem[: -len(end)]
                return ScanSet(name, (name + "_left", name + "_right"))
        return None

    def measure_all(self, pictures, settings, known):
        if pictures[0].size != pictures[1].size:
            raise Held("the halves differ in size", remedy="scan them alike")
        return BesideParameters(gap=3)

    def apply_all(self, pictures, parameters):
        left, right = (picture.pixels().copy_memory() for picture in pictures)
        image = left.join(right, "horizontal", shim=parameters.gap)
        return Picture.of(image.copy(interpretation="rgb16"), pictures[0].profile, pictures[0].ppi)

    def placements(self, parameters):
        return [Affine.identity(), Affine.identity()]


@hookimpl
def platemark_stages():
    return [Beside]
"""
PLAIN = CONFIG.partition("[print.mini]")[0]
PLAIN = PLAIN.replace("[scanner]", 'stages_dir = "stages"\nstages = ["resample", "border", "jpeg"]\n\n[scanner]', 1)
PLAIN += '[work]\nwhere = "here"\n'  # so that what is killed is the program itself
PARTS = ("heron_left.tif", "heron_right.tif")
MADE = ["heron.card.jpg", "heron.card.toml"]


@pytest.fixture
def halves(tmp_path: Path) -> Bench:
    """A studio whose own plugin makes one picture of NAME_left and NAME_right."""
    (tmp_path / "studio" / "stages").mkdir(parents=True)
    (tmp_path / "studio" / "stages" / "beside.py").write_text(BESIDE, encoding="utf-8")
    return Bench(tmp_path / "studio", config=PLAIN)


def both(bench: Bench, *names: str) -> None:
    for seed, name in enumerate(names or PARTS):
        bench.drop(name, sheet_scan(seed=seed * 100))


def manifest_of(bench: Bench, name: str = "heron.card.toml"):
    return read_manifest(bench.root / "ready" / name)


def test_a_set_becomes_prints_under_its_own_name_and_leaves_whole(halves: Bench) -> None:
    both(halves)
    [outcome] = halves.run()
    assert (outcome.scan, outcome.status) == ("heron.tif", "ready")
    assert halves.names("ready") == MADE
    assert halves.names("scans") == []
    manifest = manifest_of(halves)
    assert [source.archived.rpartition("-")[0] for source in manifest.sources] == [
        "../originals/heron_left",
        "../originals/heron_right",
    ]
    assert manifest.transforms[0].stage == "beside"
    assert manifest.transforms[0].parameters == {"gap": 3}
    assert manifest.transforms[0].size_out == [2 * 384 + 3, 472]
    assert manifest.noticed["intake.scans"] == 2


def test_a_set_is_made_again_and_all_its_scans_are_verified(halves: Bench) -> None:
    both(halves)
    halves.run()
    assert reproduce(halves.root / "ready" / MADE[1], load_plugins()).same
    assert verify(halves.root).sound
    [second] = (halves.root / "originals").glob("heron_right-*.tif")
    second.write_bytes(second.read_bytes()[:-1] + b"x")
    [finding] = verify(halves.root).findings
    assert finding.path.name == second.name


def test_a_set_is_not_made_twice(halves: Bench) -> None:
    for _ in range(2):
        both(halves)
        outcomes = halves.run()
    assert [outcome.status for outcome in outcomes] == ["known"]
    assert halves.names("ready") == MADE
    assert halves.names("scans") == []


def test_endings_and_case_of_the_names_may_differ(halves: Bench) -> None:
    halves.drop("Heron_LEFT.TIFF", sheet_scan(seed=1))
    Image.fromarray(sheet_scan(seed=2)).save(halves.root / "scans" / "heron_right.png", dpi=(150, 150))
    assert [outcome.status for outcome in halves.run()] == ["ready"]


def test_a_set_in_the_folder_of_a_print_is_made_for_that_print(halves: Bench) -> None:
    both(halves, "card/heron_left.tif", "card/heron_right.tif")
    assert [outcome.print_name for outcome in halves.run()] == ["card"]


def test_the_ticket_of_a_set_has_its_name_and_may_correct_how_it_is_gathered(halves: Bench) -> None:
    both(halves)
    (halves.root / "scans" / "heron.toml").write_text('title = "Heron"\n[corrections.beside]\ngap = 9\n', "utf-8")
    halves.run()
    manifest = manifest_of(halves)
    assert manifest.transforms[0].parameters == {"gap": 9}
    assert manifest.work["title"] == "Heron"
    assert halves.names("scans") == []
    assert len(list((halves.root / "originals").glob("heron_left-*.toml"))) == 1


@pytest.mark.parametrize(("words", "told"), [("gap = -1", "gap"), ("gape = 1", "gape")])
def test_a_correction_that_does_not_fit_holds_the_whole_set(halves: Bench, words: str, told: str) -> None:
    both(halves)
    (halves.root / "scans" / "heron.toml").write_text(f"[corrections.beside]\n{words}\n", "utf-8")
    [outcome] = halves.run()
    assert outcome.status == "held"
    assert told in outcome.reason
    assert halves.names("held") == ["heron.held.toml", "heron.toml", *PARTS]
    assert halves.names("scans") == []


def test_a_ticket_for_one_scan_of_a_set_is_told_to_be_for_all(halves: Bench) -> None:
    both(halves)
    (halves.root / "scans" / "heron_left.toml").write_text('title = "Heron"\n', "utf-8")
    [outcome] = halves.run()
    assert "heron.toml" in outcome.remedy
    assert "heron_left.toml" in halves.names("held")


def test_what_stops_one_scan_holds_the_set_with_one_note(halves: Bench) -> None:
    both(halves)
    whole = halves.root / "scans" / PARTS[1]
    whole.write_bytes(whole.read_bytes()[:9000])
    [outcome] = halves.run()
    assert outcome.status == "held"
    assert PARTS[1] in outcome.reason
    assert halves.names("held") == ["heron.held.toml", *PARTS]
    note = (halves.root / "held" / "heron.held.toml").read_text("utf-8")
    assert all(name in note for name in PARTS)
    assert halves.names("scans") == []


def test_held_scans_come_back_whole_and_their_note_goes(halves: Bench) -> None:
    halves.drop(PARTS[0], sheet_scan())
    halves.drop(PARTS[1], sheet_scan()[:200])
    assert [outcome.reason for outcome in halves.run()] == ["the halves differ in size"]
    for name in PARTS:
        (halves.root / "held" / name).rename(halves.root / "scans" / name)
    halves.drop(PARTS[1], sheet_scan(seed=5))
    assert [outcome.status for outcome in halves.run()] == ["ready"]
    assert halves.names("held") == []


def test_a_second_set_of_a_name_that_is_held_already_still_belongs_together(halves: Bench) -> None:
    for seed in (1, 2):
        halves.drop(PARTS[0], sheet_scan(seed=seed))
        halves.drop(PARTS[1], sheet_scan(seed=seed)[:200])
        halves.run()
    assert halves.names("held") == [
        "heron-2.held.toml", "heron-2_left.tif", "heron-2_right.tif", "heron.held.toml", *PARTS,
    ]  # fmt: skip


def test_named_alone_a_scan_of_a_set_says_what_is_missing_and_stays(halves: Bench) -> None:
    halves.drop(PARTS[0])
    [outcome] = halves.run()
    assert (outcome.status, outcome.reason) == ("waiting", "the scan heron_right is missing")
    assert halves.names("scans") == [PARTS[0]]
    assert halves.names("held") == []


def test_the_same_part_twice_is_held_with_both_names(halves: Bench) -> None:
    both(halves, *PARTS, "heron_right.tiff")
    [outcome] = halves.run()
    assert "heron_right.tif and heron_right.tiff are the same part twice" in outcome.reason
    assert halves.names("held") == ["heron.held.toml", *PARTS, "heron_right.tiff"]


@pytest.mark.parametrize(
    ("names", "told"),
    [
        (("a_1of2.tif", "a_2of3.tif"), "do not go together"),
        (("a_3of2.tif",), "part 3 of 2"),
        (("a_0of2.tif",), "part 0 of 2"),
        (("a_1of7.tif",), "part 1 of 7"),
    ],
)
def test_numbers_of_parts_that_cannot_be_are_told(bench: Bench, names: tuple[str, ...], told: str) -> None:
    for name in names:
        bench.drop(name)
    [outcome] = bench.run()
    assert outcome.status == "held"
    assert told in outcome.reason
    assert set(names) <= set(bench.names("held"))


# Waiting: the clock and the listing are given.


def look(waiting: Waiting, bench: Bench, now: float, since: float = 0.0):
    seen = {path: Glance((1, 1, 1), since) for path in sorted((bench.root / "scans").glob("*.tif"))}
    work, told = waiting.sort_out(list(seen), seen, now)
    return [one.name for one in work], told


def test_a_scan_waits_for_its_set_and_goes_when_the_other_comes(halves: Bench) -> None:
    halves.drop(PARTS[0])
    halves.drop("egret.tif")
    waiting = Waiting(halves.studio)
    assert look(waiting, halves, 5.0) == (["egret.tif"], [])
    halves.drop(PARTS[1])
    assert look(waiting, halves, 6.0) == (["egret.tif", "heron"], [])


def test_a_missing_scan_is_told_once_in_held_and_the_note_goes_when_it_comes(halves: Bench) -> None:
    halves.drop(PARTS[0])
    waiting = Waiting(halves.studio)
    # Ten minutes, as the config has it where nothing is written.
    assert look(waiting, halves, 599.0)[1] == []
    [told] = look(waiting, halves, 601.0)[1]
    assert (told.status, told.reason) == ("waiting", "the scan heron_right is missing, and the others wait")
    assert look(waiting, halves, 9999.0)[1] == []
    assert halves.names("held") == ["heron.held.toml"]
    assert halves.names("scans") == [PARTS[0]]
    halves.drop(PARTS[1])
    assert look(waiting, halves, 9999.0) == (["heron"], [])
    assert halves.names("held") == []


def test_a_set_is_taken_only_when_all_its_scans_stand_still(halves: Bench) -> None:
    both(halves)
    first, second = (halves.root / "scans" / name for name in PARTS)
    seen = {path: Glance((1, 1, 1), 0.0) for path in (first, second)}
    assert Waiting(halves.studio).sort_out([first], seen, 5.0) == ([], [])


# After a kill.


def run_killed(bench: Bench, failpoint: str) -> None:
    code = "import sys; from platemark.face.cli import main; sys.argv = ['platemark', *sys.argv[1:]]; main()"
    files = [str(bench.root / "scans" / name) for name in PARTS]
    env = {**os.environ, "PLATEMARK_FAILPOINT": failpoint}
    command = [sys.executable, "-c", code, "prepare", "--config", str(bench.file), *files]
    ended = subprocess.run(command, env=env, cwd=bench.root, capture_output=True, check=False)
    assert ended.returncode < 0, ended.stderr.decode()


@pytest.mark.parametrize(
    "failpoint",
    [
        "archived.part:1:kill",
        "out.publish:kill",
        "leaving.publish:kill",
        "inbox.clear:1:kill",
        "inbox.clear:2:kill",
        "leaving.clear:kill",
    ],
)
def test_after_a_kill_the_next_start_ends_with_one_print_and_no_scan_left(halves: Bench, failpoint: str) -> None:
    both(halves)
    run_killed(halves, failpoint)
    clear_up(halves.studio)  # as every start does before it looks what lies in scans/
    assert {outcome.status for outcome in halves.run()} <= {"ready", "known"}
    assert halves.names("scans") == []
    assert halves.names("ready") == MADE
    assert halves.names("held") == []
    assert verify(halves.root).sound


@pytest.mark.parametrize("failpoint", ["move.publish:2:kill", "inbox.clear:1:kill", "inbox.clear:2:kill"])
def test_after_a_kill_while_a_set_is_put_aside_it_lies_there_whole(halves: Bench, failpoint: str) -> None:
    halves.drop(PARTS[0], sheet_scan())
    halves.drop(PARTS[1], sheet_scan()[:200])
    run_killed(halves, failpoint)
    clear_up(halves.studio)
    halves.run()
    assert halves.names("scans") == []
    assert halves.names("held") == ["heron.held.toml", *PARTS]


# Joined for real.


def parts_of_one(skew: float = 0.4):
    """Two cuts of one scan, 300 of its 384 columns each, so that 36 mm are in common."""
    whole = sheet_scan(seed=3, skew=skew)
    grain = np.random.Generator(np.random.PCG64(9)).integers(-30, 30, (59, 48, 1))
    textured = np.clip(whole + np.kron(grain, np.ones((8, 8, 1), int)), 0, 255).astype(np.uint8)
    return textured[:, :300], textured[:, 84:]


def test_a_stage_that_would_end_the_program_holds_its_set_and_no_more(halves: Bench) -> None:
    stage = halves.root / "stages" / "beside.py"
    stage.write_text(BESIDE.replace("return BesideParameters(gap=3)", "raise SystemExit(3)"), encoding="utf-8")
    both(halves)
    (outcome,) = halves.run()
    assert outcome.status == "held"
    assert "the stage beside" in outcome.reason


@pytest.mark.parametrize("threads", ["1", "2"])
def test_joined_parts_are_made_again_byte_for_byte_with_any_number_of_threads(tmp_path: Path, threads: str) -> None:
    bench = Bench(tmp_path / "studio", config='stages = ["resample", "border", "jpeg"]\n' + CONFIG)
    for number, part in enumerate(parts_of_one(), start=1):
        bench.drop(f"heron_{number}of2.tif", part)
    assert [(outcome.status, outcome.reason) for outcome in bench.run()] == [("ready", "")] * 2
    manifest = manifest_of(bench)
    join = manifest.transforms[0]
    assert join.stage == "join"
    # Cut from one scan, they lie 84 pixels apart, and together are as large as it was.
    assert join.parameters["parts"][1]["matrix"] == pytest.approx([1, 0, 84, 0, 1, 0], abs=0.05)
    assert join.size_out == pytest.approx([384, 472], abs=1)
    code = (
        "import sys; from pathlib import Path; from platemark.contract.plugins import load_plugins\n"
        "from platemark.flow.reproduce import reproduce\n"
        "sys.exit(0 if reproduce(Path(sys.argv[1]), load_plugins()).same else 1)"
    )
    command = [sys.executable, "-c", code, str(bench.root / "ready" / "heron.card.toml")]
    env = {**os.environ, "VIPS_CONCURRENCY": threads}
    assert subprocess.run(command, env=env, check=False).returncode == 0


def test_a_ticket_may_say_how_parts_lie_and_the_rest_is_measured_for_that(tmp_path: Path) -> None:
    bench = Bench(tmp_path / "studio", config='stages = ["resample", "border", "jpeg"]\n' + CONFIG)
    for number, part in enumerate(parts_of_one(), start=1):
        bench.drop(f"heron_{number}of2.tif", part)
    placed = [
        "{ matrix = [1.0, 0.0, 0.0, 0.0, 1.0, 0.0], size = [300, 472], usable = [0, 0, 300, 472] }",
        "{ matrix = [1.0, 0.0, 90.0, 0.0, 1.0, 2.0], size = [300, 472], usable = [0, 0, 300, 472] }",
    ]
    ticket = f"[corrections.join]\nparts = [{', '.join(placed)}]\n"
    (bench.root / "scans" / "heron.toml").write_text(ticket, "utf-8")
    assert [(outcome.status, outcome.reason) for outcome in bench.run()] == [("ready", "")] * 2
    join = manifest_of(bench).transforms[0]
    assert join.parameters["parts"][1]["matrix"] == [1, 0, 90, 0, 1, 2]
    assert join.size_out == [390, 474]
    assert reproduce(bench.root / "ready" / "heron.card.toml", load_plugins()).same


def test_parts_that_show_nothing_in_common_are_held_together(bench: Bench) -> None:
    noise = np.random.Generator(np.random.PCG64(1)).integers(0, 255, (2, 300, 260, 3), np.uint8)
    for number, part in enumerate(noise, start=1):
        bench.drop(f"heron_{number}of2.tif", part)
    [outcome] = bench.run()
    assert outcome.status == "held"
    assert "part" in outcome.reason
    assert bench.names("held") == ["heron.held.toml", "heron_1of2.tif", "heron_2of2.tif"]


def test_what_gathers_has_no_place_among_the_stages_of_a_print(tmp_path: Path) -> None:
    with pytest.raises(PluginError, match="join makes one picture of several"):
        Bench(tmp_path / "studio", config='stages = ["join", "jpeg"]\n' + CONFIG)

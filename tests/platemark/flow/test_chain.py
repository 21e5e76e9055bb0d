"""A chain: measured once where it can be, corrected where the artist knows better, and held where a stage fails."""

import re
import tomllib
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import ClassVar

import numpy as np
import pytest
import pyvips
import structlog
from pydantic import Field

from conftest import CONFIG, Bench
from platemark import Encoder, Held, Job, Parameters, Picture, Settings, Stage
from platemark.contract.plugins import FoundStage
from platemark.errors import PluginError
from platemark.flow.chain import Made, Shared, Step, check_chain, run_chain
from platemark.testing import gradient_picture, job_for

# ruff: noqa: ARG002 - small stages, written as a stranger writes them


class CutSettings(Settings):
    inset: int = 1


class Box(Parameters):
    left: int = Field(ge=0)
    width: int = Field(gt=0)
    note: str = ""


class Cut(Stage[CutSettings, Box]):
    """Looks at the scan alone, and counts how often."""

    name = "cut"
    per_print = False
    looked: ClassVar[list[str]] = []

    def measure(self, picture: Picture, settings: CutSettings, job: Job) -> Box:
        self.looked.append(job.print_name)
        job.notice("found", settings.inset)
        return Box(left=settings.inset, width=20, note="measured")

    def apply(self, picture: Picture, parameters: Box) -> Picture:
        return picture.cropped(parameters.left, 0, parameters.width, picture.height)

    def companions(self, before: Picture, after: Picture, parameters: Box) -> Mapping[str, bytes]:
        return {"cut.txt": parameters.note.encode()}


class Again(Cut):
    name = "again"


class Silent(Cut):
    name = "silent"

    def companions(self, before: Picture, after: Picture, parameters: Box) -> Mapping[str, bytes]:
        return {}


class PerPrint(Cut):
    name = "per-print"
    per_print = True


class Raw(Encoder[Settings, Parameters]):
    name = "raw"
    suffix = ".bin"

    def measure(self, picture: Picture, settings: Settings, job: Job) -> Parameters:
        return Parameters()

    def encode(self, picture: Picture, parameters: Parameters) -> bytes:
        return picture.array().tobytes()

    def about(self, parameters: Parameters) -> dict[str, str | int | float]:
        return {"format": "raw"}


def step(kind: type[Stage], correction: Mapping[str, object] | None = None, **settings: object) -> Step:
    found = FoundStage(kind, "kit 1.2", "kit", "1.2", "")
    return Step(found, kind.settings_model.model_validate(settings), correction or {})


def run(*steps: Step, shared: Shared | None = None, job: Job | None = None) -> Made:
    return run_chain(gradient_picture(), [*steps, step(Raw)], job or job_for(), {} if shared is None else shared)


@pytest.fixture(autouse=True)
def _nothing_looked_at_yet() -> None:
    Cut.looked.clear()


def decided(made: Made) -> list[Parameters]:
    return [applied.parameters for applied in made.applied]


# What several prints share.


def test_leading_stages_look_once_for_all_prints_of_a_scan() -> None:
    shared: Shared = {}
    jobs = [replace(job_for(), print_name=name) for name in ("large", "small", "card")]
    made = [run(step(Cut), step(Silent), shared=shared, job=job) for job in jobs]
    assert Cut.looked == ["large", "large"], "once for each of the two stages"
    assert len({one.data for one in made}) == 1
    assert [[notice.name for notice in job.notices] for job in jobs] == [["found", "found"]] * 3


def test_a_print_that_asks_otherwise_is_measured_for_itself() -> None:
    shared: Shared = {}
    run(step(Cut), shared=shared)
    assert decided(run(step(Cut, inset=5), shared=shared))[0] == Box(left=5, width=20, note="measured")
    assert len(Cut.looked) == 2


def test_what_follows_a_stage_of_the_print_is_measured_for_each_print() -> None:
    shared: Shared = {}
    for _ in range(2):
        run(step(PerPrint), step(Silent), shared=shared)
    assert len(Cut.looked) == 4


def test_what_follows_another_decision_is_not_shared_either() -> None:
    shared: Shared = {}
    run(step(Cut), step(Silent), shared=shared)
    run(step(Cut, inset=5), step(Silent), shared=shared)
    assert len(Cut.looked) == 4


# What the artist knows better.


def test_a_correction_of_everything_leaves_nothing_to_measure() -> None:
    made = run(step(Cut, {"left": 3, "width": 7, "note": "by hand"}))
    assert decided(made)[0] == Box(left=3, width=7, note="by hand")
    assert Cut.looked == []


def test_a_correction_of_a_part_stands_above_what_was_measured() -> None:
    assert decided(run(step(Cut, {"left": 3})))[0] == Box(left=3, width=20, note="measured")
    # Everything that has no default is given, and still the note is measured.
    assert decided(run(step(Cut, {"left": 3, "width": 7})))[0] == Box(left=3, width=7, note="measured")


@pytest.mark.parametrize(
    ("correction", "said"),
    [
        ({"widht": 3}, 'its ticket, [corrections.cut], widht = 3: unknown here; the nearest is "width"'),
        ({"left": "far"}, '[corrections.cut], left = "far": not a whole number'),
        ({"left": -1}, "[corrections.cut], left = -1: below 0"),
        ({"left": 1.5}, "[corrections.cut], left = 1.5: not a whole number"),
        ({"left": 1, "width": 0, "note": ""}, "[corrections.cut], width = 0: this must be more than 0"),
        ({"left": 1, "width": 2, "note": "", "depth": 1}, "[corrections.cut], depth = 1: unknown here"),
    ],
)
def test_a_correction_that_cannot_be_used_is_held_with_its_address(correction: dict[str, object], said: str) -> None:
    with pytest.raises(Held, match=re.escape(said)) as held:
        run(step(Cut, correction))
    assert "ticket" in held.value.remedy


def test_all_that_is_wrong_with_a_correction_is_told_at_once() -> None:
    with pytest.raises(Held) as held:
        run(step(Cut, {"left": "far", "width": -2}))
    assert "left" in held.value.reason
    assert "width" in held.value.reason


# What fails.


class Failing(Stage[Settings, Parameters]):
    name = "failing"
    gives: ClassVar[object] = None

    def measure(self, picture: Picture, settings: Settings, job: Job) -> Parameters:
        return Parameters()

    def apply(self, picture: Picture, parameters: Parameters) -> Picture:
        return picture


def failing(half: str, does: object) -> type[Stage]:
    def runs(_stage: Stage, *_given: object) -> object:
        if isinstance(does, BaseException):
            raise does
        return does(_given[0]) if callable(does) else does

    return type("Broken", (Failing,), {half: runs})


def eight_bits(picture: Picture) -> Picture:
    small = (picture.pixels() / 257).cast("uchar")
    return replace(picture, open=lambda: small)


def grey(picture: Picture) -> Picture:
    one = picture.pixels()[0]
    return replace(picture, open=lambda: one)


def lazily_broken(picture: Picture) -> Picture:
    """Fails only when somebody asks for its pixels: in the next stage, if nobody looks."""

    def opener() -> object:
        raise ValueError("torn")

    return replace(picture, open=opener)


@pytest.mark.parametrize(
    ("half", "does", "said"),
    [
        ("measure", ValueError("no edge\nanywhere"), "ValueError: no edge anywhere"),
        ("apply", ValueError("no edge"), "ValueError: no edge"),
        ("companions", ValueError("no edge"), "ValueError: no edge"),
        ("measure", SystemExit(3), "SystemExit: 3"),
        ("measure", None, "it measured NoneType, not Parameters"),
        ("measure", {"left": 1}, "it measured dict, not Parameters"),
        ("apply", None, "it gave back NoneType, not a Picture"),
        ("apply", Picture.array, "it gave back ndarray, not a Picture"),
        ("apply", eight_bits, "3 channels of uchar, not 3 of 16 bits"),
        ("apply", grey, "1 channels of ushort, not 3 of 16 bits"),
        ("apply", lambda picture: replace(picture, profile=None), "it dropped the colour profile"),
        ("apply", lambda picture: replace(picture, ppi=0), "a resolution of 0 ppi"),
        ("apply", lambda picture: replace(picture, ppi=float("nan")), "a resolution of nan ppi"),
        ("apply", lazily_broken, "ValueError: torn"),
        ("companions", 7, "AttributeError"),
        ("companions", {"toml": b""}, "a further file 'toml', which is not bytes under a name such as proof.jpg"),
        ("companions", {"../x.jpg": b""}, "a further file '../x.jpg'"),
        ("companions", {"proof.jpg": "text"}, "a further file 'proof.jpg', which is not bytes"),
    ],
)
def test_a_stage_that_fails_is_named_with_its_origin(half: str, does: object, said: str) -> None:
    broken = failing(half, does)
    with pytest.raises(Held) as held:
        run(step(broken), step(Cut))
    assert held.value.reason.startswith("the stage failing (kit 1.2) failed: ")
    assert said in held.value.reason
    assert Cut.looked == [] or half == "companions"  # which are made beside the stages that follow


@pytest.mark.parametrize("fault", [MemoryError(), pyvips.Error("unable to call gaussblur\n  out of memory")])
def test_a_stage_that_needs_too_much_memory_says_what_helps(fault: Exception) -> None:
    with pytest.raises(Held, match=r"the stage failing \(kit 1\.2\) needs more memory") as held:
        run(step(failing("measure", fault)), step(Cut))
    assert "memory in [work]" in held.value.remedy


@pytest.mark.parametrize("data", [None, b"", "text"])
def test_an_encoder_that_makes_no_file_is_named(data: object) -> None:
    class Empty(Raw):
        name = "empty"

        def encode(self, picture: Picture, parameters: Parameters) -> bytes:
            return data  # type: ignore[return-value]

    with pytest.raises(Held, match=r"the stage empty \(kit 1.2\) failed: it made no file"):
        run_chain(gradient_picture(), [step(Empty)], job_for(), {})


def test_parameters_out_of_their_own_bounds_are_told_without_a_programmers_words() -> None:
    broken = type("Broken", (Cut,), {"measure": lambda *_: Box(left=-1, width=0)})
    with pytest.raises(Held) as held:
        run(step(broken))
    assert "left: Input should be greater than or equal to 0; width" in held.value.reason
    assert "http" not in held.value.reason


def test_a_stage_that_asks_for_a_decision_is_heard_as_it_is() -> None:
    asks = failing("measure", Held("two sheets on the bed", remedy="lay one"))
    with pytest.raises(Held) as held:
        run(step(asks))
    assert (held.value.reason, held.value.remedy) == ("two sheets on the bed", "lay one")


def test_the_keyboard_still_ends_the_program() -> None:
    with pytest.raises(KeyboardInterrupt):
        run(step(failing("measure", KeyboardInterrupt())))


def test_the_log_gets_the_traceback_with_scan_print_and_stage() -> None:
    with structlog.testing.capture_logs() as lines, pytest.raises(Held):
        run(step(failing("apply", ValueError("no edge"))))
    (line,) = lines
    assert (line["scan"], line["print"], line["stage"]) == ("test", "test", "failing")
    assert line["exc_info"]


def test_two_stages_do_not_write_over_each_others_files() -> None:
    with pytest.raises(Held, match=r"the stage again .* a further file cut\.txt, as a stage before it did"):
        run(step(Cut), step(Again))


@pytest.mark.parametrize("value", [np.int64(3), float("nan"), None, [1]])
def test_a_notice_that_no_manifest_can_hold_is_named_with_its_stage(value: object) -> None:
    def notices(_picture: Picture, _settings: Settings, job: Job) -> Parameters:
        job.notice("found", value)  # type: ignore[arg-type]
        return Parameters()

    broken = type("Broken", (Failing,), {"measure": staticmethod(notices)})
    with pytest.raises(Held, match=r"the stage failing .* the notice found is"):
        run(step(broken))


# What is made.


def test_each_step_is_told_with_its_sizes_and_what_lies_beside_the_file() -> None:
    made = run(step(Cut))
    assert [(it.step.name, it.size_in, it.size_out) for it in made.applied] == [
        ("cut", (120, 90), (20, 90)),
        ("raw", (20, 90), (20, 90)),
    ]
    assert (made.suffix, made.companions, made.encoding) == (".bin", {"cut.txt": b"measured"}, {"format": "raw"})


def test_progress_names_each_stage_as_it_starts() -> None:
    heard: list[str] = []
    run_chain(gradient_picture(), [step(Cut), step(Raw)], job_for(), {}, heard.append)
    assert heard == ["cut", "raw"]


@pytest.mark.parametrize("kinds", [[Cut], [Raw, Cut], [Raw, Raw], [Raw, Cut, Raw]])
def test_a_chain_that_does_not_end_in_its_one_encoder_is_refused(kinds: list[type[Stage]]) -> None:
    with pytest.raises(PluginError, match=r"\[print\.a4\].*must write the file") as refused:
        check_chain([step(kind) for kind in kinds], "platemark.toml, [print.a4]")
    assert refused.value.remedy


# With the built-in stages.


def test_a_config_whose_chain_writes_no_file_is_refused_at_once(tmp_path: Path) -> None:
    with pytest.raises(PluginError, match=r"\[print\.card\]"):
        Bench(tmp_path / "studio", 'stages = ["crop", "resample"]\n' + CONFIG)


def test_a_ticket_that_gives_the_box_saves_a_scan_that_would_be_held(bench: Bench) -> None:
    scan = bench.drop("heron.tif")
    crop = "[corrections.crop]\nleft = 50\ntop = 50\nwidth = 280\nheight = 370\n"
    scan.with_suffix(".toml").write_text(f'prints = ["card"]\n[corrections.deskew]\ntilt = 0\n{crop}')
    assert [outcome.status for outcome in bench.run()] == ["ready"]
    manifest = (bench.root / "ready" / "heron.card.toml").read_text()
    assert "left = 50" in manifest
    assert "confidence" not in manifest, "nothing was measured"


def test_a_misspelt_correction_holds_the_scan_and_the_next_one_goes_on(bench: Bench) -> None:
    bench.drop("heron.tif").with_suffix(".toml").write_text("[corrections.deskew]\ntild = 1.0\n")
    bench.drop("wren.tif")
    assert [(outcome.scan, outcome.status) for outcome in bench.run()] == [
        ("heron.tif", "held"),
        ("wren.tif", "ready"),
        ("wren.tif", "ready"),
    ]
    note = tomllib.loads((bench.root / "held" / "heron.held.toml").read_text())
    assert ['the nearest is "tilt"' in held["reason"] for held in note["held"]] == [True]

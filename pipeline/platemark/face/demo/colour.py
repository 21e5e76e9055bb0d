"""The colour demo: the seven steps from the scan of a chart to a print that passes, on invented artwork and devices."""

import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from platemark.config.printed_helps import StripAsked
from platemark.config.writing import with_answers
from platemark.face.comparison.page import page
from platemark.face.demo.colour_scans import write_chart, write_originals, write_print
from platemark.face.demo.devices import paper_profile
from platemark.face.setting_up import set_up
from platemark.flow.comparing.comparison import compare, record
from platemark.flow.prepare import prepare
from platemark.flow.printed_help import make_page, make_strip
from platemark.flow.profile_shelf import add_profile
from platemark.flow.scanner_making import make_scanner_profile
from platemark.flow.studio import Studio, open_studio
from platemark.pixels.gamut_picture import gamut_picture
from platemark.records.manifest import read_manifest
from platemark.records.store import write_whole

_CONFIG = """\
# The studio of the colour demo: one print on an invented matte paper, and a card that keeps the tint of its original.

stages = ["deskew", "crop", "resample", "paper_white", "proof", "sharpen", "border", "jpeg"]

[scanner]
profile = "scanner.icc"

[print.a4-rag]
sheet = "A4"
border = "15 mm"
ppi = 300
paper = "rag"

[print.card]
sheet = "A6"
border = "6 mm"
ppi = 300

[print.card.paper_white]
paper = "keep"

[paper.rag]
profile = "profiles/rag.icc"
surface = "matte"
feed = "rear"
"""


@dataclass(frozen=True)
class Step:
    """One of the seven: what was done, what it found, and what there is to look at."""

    title: str
    said: tuple[str, ...]
    files: tuple[Path, ...]


def run_colour_demo(folder: Path, tell: Callable[[Step], None] = lambda _step: None) -> list[Step]:
    """Take the seven steps.

    Args:
        folder: an empty or new folder.
        tell: told each step when it is done.

    Raises:
        PlatemarkError: the folder holds a studio already or cannot be written.
    """
    (folder / "profiles").mkdir(parents=True, exist_ok=True)
    steps = []
    for take in (_scanner, _paper, _path, _white, _proof, _strip, _pass):
        steps.append(take(folder))
        tell(steps[-1])
    return steps


def _scanner(folder: Path) -> Step:
    chart, profile = folder / "chart.tif", folder / "scanner.icc"
    write_chart(chart)
    found, files = make_scanner_profile(chart, "patches-24", profile)
    mean, largest = found.left_out.mean, found.left_out.largest
    said = f"Colours that were left out of the fit are off by {mean:.1f} CIEDE2000 on average, {largest:.1f} at most."
    return Step("1  The scanner is profiled from the scan of a chart", (said,), (chart, *files))


def _paper(folder: Path) -> Step:
    came = folder / "rag.icc"
    write_whole(came, paper_profile(), step="demo")
    place, profile = add_profile(came, folder)
    picture = folder / "rag.gamut.png"
    write_whole(picture, gamut_picture(profile), step="demo")
    set_up(folder, _CONFIG)
    return Step(
        "2  The profile of the paper is put on the shelf", (f"{profile.description} is of use.",), (place, picture)
    )


def _path(folder: Path) -> Step:
    studio = _studio(folder)
    exports = [outcome.export for outcome in make_page(studio, "rag") if outcome.export]
    # What a person would read off the printed page of a way that honours profiles and keeps sizes.
    answers = {"profiles": "honoured", "line": "100 mm", "grey": "neutral"}
    text = studio.file.read_text(encoding="utf-8")
    write_whole(studio.file, with_answers(text, studio.file.name, answers).encode(), step="config", replace=True)
    return Step(
        "3  The way to the printer is tested with a page", ("Its answers stand in the config.",), tuple(exports)
    )


def _white(folder: Path) -> Step:
    studio = _studio(folder)
    scans = write_originals(studio.scans)
    outcomes = [outcome for made in prepare(studio, scans) for outcome in made]
    exports = [outcome.export for outcome in outcomes if outcome.export]
    noticed = read_manifest(studio.ready / "heron.a4-rag.toml").noticed
    said = tuple(f"{name}: {value}" for name, value in noticed.items() if name.startswith("paper_white."))
    return Step(
        "4  What becomes of the original's paper is decided: white for the print, kept for the card",
        said,
        tuple(exports),
    )


def _proof(folder: Path) -> Step:
    ready = folder / "ready"
    noticed = read_manifest(ready / "heron.a4-rag.toml").noticed
    said = tuple(f"{name}: {value}" for name, value in noticed.items() if name.startswith("proof."))
    return Step(
        "5  The proof tells what the paper does to the colours", said, tuple(sorted(ready.glob("heron.a4-rag.*.jpg")))
    )


def _strip(folder: Path) -> Step:
    studio = _studio(folder)
    (kept,) = studio.originals.glob("quince-*.tif")
    scan = folder / "quince.tif"  # the strip goes by the name of the scan that is named
    shutil.copyfile(kept, scan)
    exports = [outcome.export for outcome in make_strip(studio, [scan], "rag", StripAsked()) if outcome.export]
    return Step("6  A strip tries the darkest, palest and strongest places on the paper", (), tuple(exports))


def _pass(folder: Path) -> Step:
    studio, printed = _studio(folder), folder / "printed"
    (original,) = studio.originals.glob("heron-*.tif")
    prints = [printed / "first.tif", printed / "reprint.tif"]
    for skew, path in zip((0.8, -1.3), prints, strict=True):
        write_print(studio.ready / "heron.a4-rag.jpg", folder / "profiles" / "rag.icc", path, skew)
    said, files = [], list(prints)
    for name, pair in (("print", [original, prints[0]]), ("reprint", prints)):
        compared = compare(pair, studio.config.scanner, studio.plugins)
        said.append(f"{name}: {compared.verdict.word}; {'; '.join(compared.verdict.reasons)}.")
        report = printed / f"{name}.compared.html"
        write_whole(report, page(compared), step="demo")
        write_whole(report.with_suffix(".toml"), record(compared), step="demo")
        files.append(report)
    return Step(
        "7  The print is held against the original, and a reprint against the first print", tuple(said), tuple(files)
    )


def _studio(folder: Path) -> Studio:
    studio = open_studio(folder / "platemark.toml")
    studio.make_folders()
    return studio

"""Making a scanner's profile: the chart's scan is opened as any scan, and all files are written, or none."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pyvips
from numpy.typing import NDArray

from platemark.characterise.characterising import Characterised, characterise
from platemark.characterise.page import report_page, report_toml
from platemark.characterise.reference import ChartError, load_reference
from platemark.characterise.scanner_profile import scanner_profile
from platemark.config.model import Scanner
from platemark.errors import Held, PlatemarkError
from platemark.flow.intake import decode_to_the_end, examine
from platemark.pixels.picture import Picture
from platemark.pixels.profiles import read_profile
from platemark.records.store import write_whole

# A chart of 24 patches needs no resolution, and files of charts often tell none: this one is never written anywhere.
_ANY_PPI = 300


def make_scanner_profile(
    scan: Path,
    reference: str,
    output: Path,
    *,
    corners: NDArray[np.float64] | None = None,
    grid: tuple[int, int] | None = None,
) -> tuple[Characterised, list[Path]]:
    """Characterise a scanner and write its profile and the report of it.

    Args:
        scan: of the chart.
        reference: as `load_reference`.
        output: the profile; the reports lie beside it, NAME.report.toml and NAME.report.html.
        corners: as `characterise`.
        grid: as `characterise`.

    Returns:
        What was found, and the files.

    Raises:
        PlatemarkError: the scan, the chart or the fit is no good, or a file is there already; nothing is written.
    """
    files = [output, output.with_suffix(".report.toml"), output.with_suffix(".report.html")]
    for file in files:
        if file.exists():
            raise PlatemarkError(f"{file} is there already", remedy="it was left as it is; choose another name with -o")
    known = load_reference(reference)
    picture, carried = _opened(scan)
    found = characterise(picture, known, corners=corners, grid=grid)
    if carried:
        found = _with_warning(found, carried)
    profile = scanner_profile(found.fit, f"Scanner {_plain(output.stem)} (platemark)")
    read_profile(profile, output.name)  # as anyone else's
    contents = [profile, report_toml(found, known.name), report_page(found, known.name)]
    for file, data in zip(files, contents, strict=True):
        write_whole(file, data, step="scanner")
    return found, files


def _opened(scan: Path) -> tuple[pyvips.Image, str]:
    """The scan's own codes, whatever profile it carries, and the name of that."""
    try:
        opening = examine(scan, Scanner(), _ANY_PPI)
        picture: Picture = decode_to_the_end(scan, opening)
    except Held as held:
        raise ChartError(held.reason, remedy=held.remedy) from held
    if picture.profile.colour_space != "RGB" or opening.profile_from.startswith("sRGB, converted"):
        raise ChartError(
            f"{scan.name} is not RGB", remedy="scan the chart in colour, as RGB, the way you scan your art"
        )
    return picture.pixels().copy_memory(), opening.profile.description if opening.profile_from == "file" else ""


def _with_warning(found: Characterised, carried: str) -> Characterised:
    warning = (
        f'the scan carries a profile already ("{carried}"), and so will your next ones: the new profile is '
        "used for scans that carry none; switch off colour management in the scanner's software and scan it again"
    )
    return replace(found, warnings=(*found.warnings, warning))


def _plain(name: str) -> str:
    """What ICC's version 2 can say."""
    return name.encode("ascii", "replace").decode()

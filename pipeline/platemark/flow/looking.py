"""Looking: what lies on a scan, without making anything."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from platemark.config.model import Scanner
from platemark.contract.division import Division
from platemark.contract.plugins import Plugins
from platemark.errors import Held
from platemark.flow.chain import Step
from platemark.flow.dividing import find
from platemark.flow.gathered import gather
from platemark.flow.grouping import Bundle, gathering
from platemark.flow.intake import decode_to_the_end, examine
from platemark.pixels.affine import Affine
from platemark.pixels.picture import Picture

# A scan that does not say its resolution is looked at as if its longer side were that of an A4 bed: good enough to
# find paper on it, and nothing is made from it.
_A4_BED_INCHES = 297 / 25.4
_FIRST_GUESS = 300


@dataclass(frozen=True)
class Look:
    """What was seen on one scan.

    Attributes:
        scan: the file.
        division: what lies on it.
        picture: the scan, or None where it could not be opened.
        files: the scans of a set, where several become the one picture that was looked at.
        placements: where each of these lies in it; empty where they could not be put together.
    """

    scan: Path
    division: Division
    picture: Picture | None = None
    files: tuple[Path, ...] = ()
    placements: tuple[Affine, ...] = ()


def look_at(scan: Path, scanner: Scanner, plugins: Plugins) -> Look:
    """Find the sheets on a scan; whatever stands in the way is a reason, never an exception."""
    try:
        picture = replace(_opened(scan, scanner), sheet_mm=scanner.sheet.sides_mm if scanner.sheet else None)
        return Look(scan, find(picture, plugins) or Division("held", "no plugin looks for sheets"), picture)
    except Held as held:
        return Look(scan, Division("held", f"{held.reason}: {held.remedy}"))


def look_at_set(bundle: Bundle, scanner: Scanner, plugins: Plugins, told: Mapping[str, Any]) -> Look:
    """Put the scans of a set together and find the sheets on that; as `look_at`.

    Args:
        bundle: the set.
        scanner: as for `look_at`.
        plugins: as for `look_at`.
        told: the settings of each stage, as in the config.
    """
    try:
        if bundle.trouble:
            raise bundle.trouble
        if bundle.missing:
            raise Held(bundle.says_missing(), remedy="name all scans of the set together")
        pictures = [_opened(file, scanner) for file in bundle.files]
        step = Step(bundle.stage, bundle.stage.kind.settings_model.model_validate(told.get(bundle.stage.kind.name, {})))
        picture, applied = gather(step, pictures)
    except Held as held:
        return Look(bundle.scan, Division("held", f"{held.reason}: {held.remedy}"), files=bundle.files)
    placements = tuple(gathering(bundle.stage).placements(applied.parameters))
    division = find(picture, plugins) or Division("held", "no plugin looks for sheets")
    return Look(bundle.scan, division, picture, bundle.files, placements)


def _opened(scan: Path, scanner: Scanner) -> Picture:
    try:
        return decode_to_the_end(scan, examine(scan, scanner))
    except Held:
        if scanner.ppi is not None:
            raise
    guess = examine(scan, scanner, _FIRST_GUESS)
    ppi = max(guess.width, guess.height) / _A4_BED_INCHES
    return decode_to_the_end(scan, replace(guess, ppi=ppi, ppi_from="guessed, to look only"))

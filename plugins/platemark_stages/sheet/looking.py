"""Looking at a picture for its sheet: once for deskew and crop together."""

from dataclasses import replace
from typing import Literal

import numpy as np

from platemark import Division, Held, Item, Picture
from platemark_stages.sheet.finder import find_items, only_sheet
from platemark_stages.sheet.finding import Decision, Finding
from platemark_stages.sheet.finding import Division as Bed
from platemark_stages.sheet.rectangle import SMALLEST_MM

_MM_PER_INCH = 25.4
_SAID: dict[Decision, Literal["found", "leave", "held"]] = {
    Decision.CROP: "found",
    Decision.LEAVE: "leave",
    Decision.HELD: "held",
}


def found_sheet(picture: Picture) -> Finding:
    """Where the sheet lies on the scan, corners in pixels of the whole scan; measured once a scan."""
    return picture.remember("sheet", lambda: only_sheet(_bed(picture)))


def certain_sheet(picture: Picture) -> Finding:
    """As `found_sheet`, where it is certain.

    Raises:
        Held: it is not.
    """
    finding = found_sheet(picture)
    if finding.decision is Decision.HELD:
        raise Held(
            finding.reason,
            remedy="lay it again, one sheet with all edges in sight, or write `tilt` under [corrections.deskew] and "
            "left, top, width and height under [corrections.crop] in its ticket",
        )
    return finding


def divided(picture: Picture) -> Division:
    """What lies on the bed, as the engine asks it."""
    bed = _bed(picture)
    items = tuple(Item(one.corners, one.skew, one.confidence, {"sheet": one}) for one in bed.items if one.corners)
    return Division(_SAID[bed.decision], bed.reason, items)


def _bed(picture: Picture) -> Bed:
    """All sheets on the scan, corners in pixels of the whole scan."""
    return picture.remember("bed", lambda: _look(picture))


def _look(picture: Picture) -> Bed:
    small, factor = picture.overview()
    mm = min(small.shape[:2]) * factor / picture.source_ppi * _MM_PER_INCH
    if mm < SMALLEST_MM:
        raise Held(
            f"the scan is only {mm:.0f} mm wide, too small to look for a sheet on it",
            remedy="write tilt = 0 under [corrections.deskew] and the box under [corrections.crop] in its ticket",
        )
    colour = np.repeat(small, 3, axis=2) if small.shape[2] == 1 else small[:, :, :3]
    bed = find_items(colour, picture.source_ppi / factor, picture.sheet_mm)
    items = [replace(one, corners=tuple((x * factor, y * factor) for x, y in one.corners)) for one in bed.items]
    return replace(bed, items=tuple(items))

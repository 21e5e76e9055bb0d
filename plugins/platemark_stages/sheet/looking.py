"""Looking at a picture for its sheet: once for deskew and crop together."""

from dataclasses import replace
from typing import Literal

import numpy as np

from platemark import Division, Held, Item, Picture
from platemark_stages.sheet.finder import find_sheet
from platemark_stages.sheet.finding import Decision, Finding
from platemark_stages.sheet.rectangle import SMALLEST_MM

_MM_PER_INCH = 25.4
_SAID: dict[Decision, Literal["found", "leave", "held"]] = {
    Decision.CROP: "found",
    Decision.LEAVE: "leave",
    Decision.HELD: "held",
}


def found_sheet(picture: Picture) -> Finding:
    """Where the sheet lies on the scan, corners in pixels of the whole scan; measured once a scan."""
    return picture.remember("sheet", lambda: _find(picture))


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
    finding = found_sheet(picture)
    item = Item(finding.corners, finding.skew, finding.confidence, {"sheet": finding})
    items = (item,) if finding.corners else ()
    return Division(_SAID[finding.decision], finding.reason, items)


def _find(picture: Picture) -> Finding:
    small, factor = picture.overview()
    mm = min(small.shape[:2]) * factor / picture.source_ppi * _MM_PER_INCH
    if mm < SMALLEST_MM:
        raise Held(
            f"the scan is only {mm:.0f} mm wide, too small to look for a sheet on it",
            remedy="write tilt = 0 under [corrections.deskew] and the box under [corrections.crop] in its ticket",
        )
    colour = np.repeat(small, 3, axis=2) if small.shape[2] == 1 else small[:, :, :3]
    finding = find_sheet(colour, picture.source_ppi / factor)
    corners = tuple((x * factor, y * factor) for x, y in finding.corners)
    return replace(finding, corners=corners)

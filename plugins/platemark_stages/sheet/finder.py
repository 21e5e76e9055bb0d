"""Finder: decides where the sheets are, or says why it does not know."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from . import lid
from .bed import Glass, glass_all, glass_of, without_streaks
from .beside import check_outside, rim_in_doubt
from .blocks import rounding_of
from .faint import look_along
from .finding import Decision, Division, Finding, NothingSeen, RimInDoubt, Several, Unsure
from .items import Laid, in_reading_order, sheets_on
from .judge import judged
from .look import Look, lid_of, look_at, look_beyond
from .planes import CELLS_PER_MM, Planes, reduce_to_cells
from .rectangle import SMALLEST_MM

COARSE = CELLS_PER_MM / 2
Search = Callable[[Planes, Glass], Look]
EVEN = 0.9  # confidence that a bed without any edge is empty, or covered: nothing but the lack of edges speaks for it


def find_sheet(preview: NDArray[np.uint16], ppi: float, paper_mm: tuple[float, float] | None = None) -> Finding:
    """Find the one sheet of paper on a scan; where there are several, the scan is held.

    Args:
        preview: (rows, columns, 3), display-encoded RGB in the scan's own space; grey as three equal bands.
        ppi: resolution of the preview, best 100 to 200.
        paper_mm: width and height of the paper, if it is known; which way round does not matter.

    Returns:
        What is to be done, and where the sheet lies.

    Raises:
        ValueError: the preview has not three bands, or is smaller than a sheet can be.
    """
    return only_sheet(find_items(preview, ppi, paper_mm))


def only_sheet(division: Division) -> Finding:
    """The one sheet on a bed; where there are several, it is held."""
    if len(division.items) == 1:
        return division.items[0]
    if division.items:
        return Finding(Decision.HELD, f"{len(division.items)} sheets found on the bed, and only one can be cut out.")
    return Finding(division.decision, division.reason, confidence=division.confidence, bare=division.bare)


def find_items(preview: NDArray[np.uint16], ppi: float, paper_mm: tuple[float, float] | None = None) -> Division:
    """Find the sheets of paper on a scan, one to six.

    Args:
        preview: (rows, columns, 3), display-encoded RGB in the scan's own space; grey as three equal bands.
        ppi: resolution of the preview, best 100 to 200.
        paper_mm: width and height of the paper, if it is known; which way round does not matter.

    Returns:
        What is to be done, and where the sheets lie. A strip of colour patches is no sheet.

    Raises:
        ValueError: the preview has not three bands, or is smaller than a sheet can be.
    """
    if preview.ndim != 3 or preview.shape[2] != 3:
        raise ValueError(f"preview has shape {preview.shape}; (rows, columns, 3) is needed")
    if min(preview.shape[:2]) * 25.4 / ppi < SMALLEST_MM:
        size = f"{preview.shape[1]} x {preview.shape[0]} pixels at {ppi:g} ppi"
        raise ValueError(f"preview of {size}: narrower than {SMALLEST_MM:g} mm, too small for a sheet")
    mended = without_streaks(preview)
    rounding = rounding_of(preview)
    planes = replace(reduce_to_cells(mended, ppi), rounding=rounding)
    try:
        found = _searched(mended, planes, paper_mm)
    except NothingSeen as nothing:
        again = _searched_again(mended, planes, paper_mm, look_along)
        # An edge that is torn wanders from cell to cell; in cells twice as large it is a line again.
        coarse = replace(reduce_to_cells(mended, ppi, COARSE), rounding=rounding)
        again = again or _searched_again(mended, coarse, paper_mm)
        return again or Division(Decision.HELD, str(nothing))
    except Several as several:
        return Division(Decision.HELD, str(several))
    except Unsure as unsure:
        found = Division(Decision.HELD, str(unsure))
    if found.decision is Decision.HELD and len(found.items) < 2:
        # A side that lies near a rim and leans would leave the bed before its end; of several sheets none is so long.
        found = _searched_again(mended, planes, paper_mm, look_beyond) or found
    return found


def _searched_again(
    preview: NDArray[np.uint16], planes: Planes, paper_mm: tuple[float, float] | None, search: Search = look_at
) -> Division | None:
    """What is found in other cells or among other lines where that is certain; None otherwise."""
    try:
        division = _searched(preview, planes, paper_mm, search)
    except Unsure:
        return None
    return division if division.decision is Decision.CROP else None


def _searched(
    preview: NDArray[np.uint16], planes: Planes, paper_mm: tuple[float, float] | None, search: Search = look_at
) -> Division:
    """What is found in cells of one size.

    Raises:
        Unsure: it is not certain.
    """
    look = search(planes, glass_of(planes.cells, planes.mm))
    laid = sheets_on(preview, look)
    if not laid.sheets and look.glass != glass_all(planes.cells):
        # What was taken for the frame of the glass may be a dark lid around a large sheet.
        laid = sheets_on(preview, search(planes, glass_all(planes.cells)))
        if not laid.sheets:
            raise NothingSeen("A frame was seen around the bed, but no sheet within it.")
    return _divided(preview, laid, paper_mm) if laid.sheets else _without_sheet(look)


def _without_sheet(look: Look) -> Division:
    """Decide where no outline is seen: an empty bed, art all over it, or something that nobody can tell."""
    if lid.is_bare(look.cells, look.planes.mm, look.planes.rounding):
        reason = "The bed is empty: one even surface without an edge or a mark."
        return Division(Decision.LEAVE, reason, confidence=EVEN, bare=True)
    if lid.is_covered(look.cells, look.planes.mm):
        reason = "The art covers the whole bed: it runs out over all four rims and shows no edge."
        return Division(Decision.LEAVE, reason, confidence=EVEN)
    raise NothingSeen("No sheet with four straight edges was seen, yet the bed is neither empty nor covered by art.")


def _divided(preview: NDArray[np.uint16], laid: Laid, paper_mm: tuple[float, float] | None) -> Division:
    """Judge each sheet, and look that nothing else lies on the bed."""
    rest, items = laid.rest, []
    frames = [sheet.frame for sheet in laid.sheets]
    for sheet in laid.sheets:
        rim = rim_in_doubt(rest, sheet.frame)
        if rim is not None:
            raise RimInDoubt(f"Whether the sheet reaches the {rim} rim of the picture cannot be seen.")
        colour = lid_of(rest, sheet.frame)
        if colour is not None:
            things = lid.things_beside(rest.cells, frames, colour, rest.planes.mm)
            if things:
                raise Several(f"{len(frames) + things} things lie on the bed, and the edges of some are not certain.")
        check_outside(rest, sheet.frame, [frame for frame in frames if frame is not sheet.frame])
        items.append(judged(preview.shape, rest.planes.ppi, sheet.edges, colour, paper_mm))
    return _division(in_reading_order(items))


def _division(items: list[Finding]) -> Division:
    """Put the items together; one that is not certain holds all."""
    certain = float(np.prod([item.confidence for item in items]))
    doubtful = [k for k, item in enumerate(items) if item.decision is Decision.HELD]
    if len(items) == 1:
        return Division(items[0].decision, items[0].reason, tuple(items), certain)
    if doubtful:
        reason = f"Sheet {doubtful[0] + 1} of {len(items)}: {items[doubtful[0]].reason}"
        return Division(Decision.HELD, reason, tuple(items), certain)
    return Division(Decision.CROP, f"{len(items)} sheets, each with its edges seen.", tuple(items), round(certain, 3))

"""Items: one sheet after the other is taken off the bed, until nothing with four edges is left."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from . import lid
from .beside import APART_MM, echoes, out_to_the_lid, rim_in_doubt, rival_of
from .evidence import Flags
from .finding import Finding, Several
from .gutter import Gutter, gutter_of
from .look import Look, lid_of, look_again
from .placing import exact_frame, measured
from .profiles import Edge
from .rectangle import SMALLEST_MM, Frame, sheet_among

Doubles = NDArray[np.float64]

MOST_ITEMS = 6  # more do not fit on an A4 bed with lid between them, unless they are stamps
AROUND_MM = 1.5  # beside a sheet that is taken off: its shadow goes with it
LOOSE_MM = 15.0  # a frame around several sheets that do not lie quite in line is out by so much
# Share of a frame in which nothing was found before; of two sheets that overlap so much, one hides the other.
HIDDEN = 0.5
INSIDE = 0.97  # share of a sheet that must lie where nothing else was found; the rest are its own slanted edges


@dataclass(frozen=True)
class Sheet:
    """A sheet as measured; None stands for a side on the rim."""

    frame: Frame
    edges: list[Edge | None]


@dataclass(frozen=True)
class Laid:
    """Sheets found on a bed, and the bed without them."""

    sheets: list[Sheet]
    rest: Look


@dataclass(frozen=True)
class Part:
    """A part of the bed still to be searched.

    Attributes:
        free: its cells.
        lid: colour of its lid, where that is known.
        split: a frame in it that was looked at in halves when `before` sheets were known.
        before: see `split`.
    """

    free: Flags
    lid: Doubles | None = None
    split: Frame | None = None
    before: int = 0


def sheets_on(preview: NDArray[np.uint16], look: Look) -> Laid:
    """Find all sheets; where lid runs through what looks like one, look at both parts by themselves.

    Raises:
        Several: sheets overlap, or there are more than six.
    """
    sheets: list[Sheet] = []
    again: list[Frame] = []
    parts, rest = [Part(look.free)], look
    while parts:
        part = parts.pop()
        here = _look_into(look, part, sheets, again)
        frame = None if here is None else _next_frame(here, first=not sheets)
        rest = here or rest
        if here is None or frame is None:
            continue
        if len(again) < MOST_ITEMS and _seen_again(here, frame, sheets):
            again.append(frame)
            parts.append(part)
            continue
        _check_apart(here, frame)
        gutter = gutter_of(here, frame)
        if gutter is not None:
            parts += _halves(here, part, frame, gutter, len(sheets))
            continue
        sheets.append(_measured(preview, look, out_to_the_lid(here, frame)))
        if len(sheets) > MOST_ITEMS:
            raise Several(f"More than {MOST_ITEMS} sheets seem to lie on the bed.")
        parts.append(part)
    if len(sheets) > 1:
        # The lid is known best, and what is left over as well, from the bed without any sheet.
        rest = look_again(look, np.logical_and.reduce([_around(look, sheet.frame, APART_MM) for sheet in sheets]))
    return Laid(sheets, rest)


def _look_into(look: Look, part: Part, sheets: list[Sheet], again: list[Frame]) -> Look | None:
    """Search a part of the bed without the sheets found so far; None where no sheet has room any more."""
    known = [*(sheet.frame for sheet in sheets), *again]
    # Where both halves of a frame were empty, it must not be found again.
    if part.split is not None and len(sheets) == part.before:
        known.append(part.split)
    free = np.logical_and.reduce([part.free, *(_around(look, frame, AROUND_MM) for frame in known)])
    if not _roomy(free, look.planes.mm):
        return None
    return look if free.all() else look_again(replace(look, lid=part.lid), free)


def _halves(here: Look, part: Part, frame: Frame, gutter: Gutter, before: int) -> list[Part]:
    """What to search where lid runs through a frame: both halves of it first, and then all that is left."""
    near = here.free & ~_around(here, frame, LOOSE_MM)
    halves = [Part(near & half, lid_of(here, frame)) for half in gutter.parts(here.traces.shape)]
    return [Part(part.free, part.lid, frame, before), *halves]


def _measured(preview: NDArray[np.uint16], look: Look, frame: Frame) -> Sheet:
    """A sheet with its edges where they are in the preview."""
    edges = measured(preview, look, frame)
    edges = [
        replace(edge, rival_mm=rival_of(look, frame, axis)) if edge is not None and edge.by_blocks else edge
        for axis, edge in enumerate(edges)
    ]
    return Sheet(exact_frame(look, frame, edges), edges)


def _next_frame(look: Look, *, first: bool) -> Frame | None:
    """The best frame; one that runs out over a rim only if no other lies beside it, and if paper is seen at the rim.

    The colour of the lid is the better known the fewer sheets lie on it, so the certain ones are taken off first.
    """
    frame, whole = sheet_among(look.frames, 2 if first else 3), sheet_among(look.frames, 4)
    if frame is None or whole is None or not any(frame.rims):
        return frame
    beside = whole.box[3] > frame.box[1] or whole.box[1] < frame.box[3]
    above = whole.box[0] > frame.box[2] or whole.box[2] < frame.box[0]
    return whole if beside or above or rim_in_doubt(look, frame) is not None else frame


def _roomy(free: Flags, mm: float) -> bool:
    """Whether a sheet has room in a part of the bed."""
    return all(np.count_nonzero(free.any(axis=axis)) * mm > SMALLEST_MM for axis in (0, 1))


def _around(look: Look, frame: Frame, margin_mm: float) -> Flags:
    """The cells outside a sheet and so much around it."""
    return lid.outside_of(frame, look.traces.shape, margin_mm / look.planes.mm)


def _check_apart(look: Look, frame: Frame) -> None:
    """A sheet must lie where no other was found before.

    Raises:
        Several: it does not.
    """
    own = ~_around(look, frame, 0)
    if look.free[own].mean() < INSIDE:
        raise Several("Sheets touch or lie upon each other, and where one ends and the next begins is not certain.")


def _seen_again(look: Look, frame: Frame, sheets: list[Sheet]) -> bool:
    """Whether a frame holds nothing but sheets found before: its sides are their shadows, blocks of a JPEG, or rims.

    A second sheet that lies upon another has a side of its own.
    """
    own = ~_around(look, frame, 0)
    return look.free[own].mean() < HIDDEN and echoes(look, frame, [sheet.frame for sheet in sheets])


def in_reading_order(items: list[Finding]) -> list[Finding]:
    """Rows from the top, within a row from the left; a sheet is in the row of the topmost that half of it is beside."""
    left = sorted(items, key=lambda item: _span(item, 1))
    ordered: list[Finding] = []
    while left:
        row = [item for item in left if _shared(_span(item, 1), _span(left[0], 1)) >= 0.5]
        ordered += sorted(row, key=lambda item: _span(item, 0))
        left = [item for item in left if item not in row]
    return ordered


def _span(item: Finding, axis: int) -> tuple[float, float]:
    """From where to where an item reaches across (0) or down (1) the picture."""
    places = [corner[axis] for corner in item.corners]
    return min(places), max(places)


def _shared(one: tuple[float, float], other: tuple[float, float]) -> float:
    """Share of the shorter of two spans that lies beside the other."""
    common = min(one[1], other[1]) - max(one[0], other[0])
    return common / min(one[1] - one[0], other[1] - other[0])

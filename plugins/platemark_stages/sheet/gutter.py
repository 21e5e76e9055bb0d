"""Gutter: bare lid between two things that the search took for one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from . import lid
from .finding import Unsure
from .look import Look, look_at, papers_of, seen_along
from .planes import Floats
from .rectangle import LEAST_NET, NAMES, SMALLEST_MM, Frame, running_net, sheet_among
from .search import Candidate

Doubles = NDArray[np.float64]

THROUGH = 0.7  # share of a frame that a line must cross with certainty to part it; lines in margins stop short
GUTTER_MM = 4.0  # how far beside an edge to look for the lid between two sheets
GUTTER_REACH_MM = 15.0  # how far to follow it from there
GUTTER_SHARE = 0.95  # the lid between two things runs from rim to rim; the lines of a drawing stop in its margins


def without_strip(look: Look, frame: Frame) -> tuple[Look, Frame]:
    """Look again at the larger part where lid runs through the frame: a colour target lies beside the sheet."""
    place = gutter_of(look, frame)
    if place is None:
        return look, frame
    axis, position = place
    first, last = (frame.box[0], frame.box[2]) if axis == 0 else (frame.box[3], frame.box[1])
    if min(position - first, last - position) * look.planes.mm > SMALLEST_MM:
        raise Unsure("2 or more sheets found on the bed: bare lid runs between them, and only one can be cut out.")
    keep_first = position - first > last - position
    here = round(position) + (look.glass.top if axis == 0 else look.glass.left)
    ends = ("bottom" if keep_first else "top") if axis == 0 else ("right" if keep_first else "left")
    part = look_at(look.planes, replace(look.glass, **{ends: here}))
    smaller = sheet_among(part.frames)
    # A sheet cannot run out over a gutter: its edge must show this side of it.
    if smaller is None or smaller.rims[NAMES.index(ends)] or gutter_of(part, smaller) is not None:
        raise Unsure("Something lies close beside the sheet, and the edge between them is not certain.")
    return part, smaller


def gutter_of(look: Look, frame: Frame) -> tuple[int, float] | None:
    """Find a line of bare lid from one side of a frame to the other: 0 and its row, or 1 and its column."""
    colours = papers_of(look, frame)
    mm = look.planes.mm
    for axis, names in ((0, ("top", "bottom")), (1, ("left", "right"))):
        cells = look.cells if axis == 0 else look.cells.transpose(1, 0, 2)
        before, after = (frame.box[0], frame.box[2]) if axis == 0 else (frame.box[3], frame.box[1])
        first, last = (frame.box[3], frame.box[1]) if axis == 0 else (frame.box[0], frame.box[2])
        for line in (line for name in names for line in look.found[name]):
            middle = float(line.at((first + last) / 2))
            net = running_net([line], cells.shape[1])[0]
            seen = (net[int(min(last, cells.shape[1]))] - net[int(max(first, 0))]) / (last - first)
            if seen < LEAST_NET or min(middle - before, after - middle) * mm < GUTTER_MM:
                continue
            if colours is None:
                # Lid and paper look the same: any edge that runs through from side to side may be one of two sheets.
                if seen_along(look, frame, axis, line) > THROUGH:
                    return axis, middle
                continue
            spot = _bare_between(cells, line, (before, after), (first, last), colours, mm)
            if spot is not None:
                return axis, spot
    return None


def _bare_between(
    cells: Floats,
    line: Candidate,
    across: tuple[float, float],
    along: tuple[float, float],
    colours: tuple[Doubles, Doubles],
    mm: float,
) -> float | None:
    """Middle of the bare lid beside a line that runs through a frame, or None where there is none."""
    middle = float(line.at(sum(along) / 2))
    near, reach = round(GUTTER_MM / mm), round(GUTTER_REACH_MM / mm)

    def bare(step: int) -> bool:
        if min(middle + step - across[0], across[1] - middle - step) < near or abs(step) > reach:
            return False
        return lid.share_of_lid(cells, replace(line, start=line.start + step), *along, *colours) > GUTTER_SHARE

    first = next((step for step in sorted(range(-near, near + 1), key=abs) if bare(step)), None)
    if first is None:
        return None
    low = high = first
    while bare(low - 1):
        low -= 1
    while bare(high + 1):
        high += 1
    return middle + (low + high) / 2

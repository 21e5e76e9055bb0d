"""Gutter: bare lid between two things that the search took for one."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from . import lid
from .beside import BARE, bare_beyond
from .evidence import Candidate, Flags
from .look import Look, ends_of, papers_of, seen_along
from .planes import Floats
from .rectangle import LEAST_NET, SMALLEST_MM, Frame
from .search import STEP
from .sides import running_net

Doubles = NDArray[np.float64]

THROUGH = 0.7  # share of a frame that a line must cross with certainty to part it; lines in margins stop short
GUTTER_MM = 4.0  # how far beside an edge to look for the lid between two sheets
GUTTER_REACH_MM = 15.0  # how far to follow it from there
SHADOW_MM = 1.5  # an edge and its shadow reach as far
ACROSS = 6  # lines to look along across a margin
SHORT = 0.25  # of the usual height of a line: it is not there
GUTTER_SHARE = 0.95  # the lid between two things runs from rim to rim; the lines of a drawing stop in its margins


@dataclass(frozen=True)
class Gutter:
    """A line of bare lid; axis 0 runs along the rows, 1 along the columns."""

    axis: int
    line: Candidate

    def parts(self, shape: tuple[int, int]) -> tuple[Flags, Flags]:
        """The cells before and after it."""
        rows, columns = shape
        y, x = np.arange(rows)[:, None] + 0.5, np.arange(columns)[None, :] + 0.5
        after = self.line.at(x) < y if self.axis == 0 else self.line.at(y) < x
        return ~after, after


def gutter_of(look: Look, frame: Frame) -> Gutter | None:
    """Find a line of bare lid from one side of a frame to the other."""
    colours = papers_of(look, frame)
    mm = look.planes.mm
    for axis, names in ((0, ("top", "bottom")), (1, ("left", "right"))):
        cells = look.turned(axis)
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
                if seen_along(look, frame, axis, line) > THROUGH and not _stops_short(cells, line, (first, last), mm):
                    return Gutter(axis, line)
                continue
            step = _bare_beside(cells, line, (before, after), (first, last), colours, mm)
            if step is not None and not _is_margin(look, frame, axis, middle + step, colours):
                return Gutter(axis, replace(line, start=line.start + step))
    return None


def _stops_short(cells: Floats, line: Candidate, along: tuple[float, float], mm: float) -> bool:
    """Whether a line ends before both sides of a frame: that of a painting does in its margins, that of a sheet not."""
    columns = np.arange(max(0, int(along[0])), min(cells.shape[1], int(along[1])))
    rows = np.rint(np.asarray(line.at(columns.astype(np.float32)))).astype(int)
    if not len(columns) or rows.min() < STEP or rows.max() >= cells.shape[0] - STEP:
        return False
    step = sum(cells[rows + k, columns] - cells[rows - 1 - k, columns] for k in range(STEP))
    near, far = round(SHADOW_MM / mm), round(GUTTER_MM / mm)
    size = far - near
    pieces = np.abs(step[: len(step) // size * size].reshape(-1, size, step.shape[1]).mean(axis=1)).max(axis=1)
    ends = [np.abs(part.mean(axis=0)).max() for part in (step[near:far], step[-far:-near])]
    return bool(max(ends) < SHORT * np.median(pieces))


def _is_margin(look: Look, frame: Frame, axis: int, middle: float, colours: tuple[Doubles, Doubles]) -> bool:
    """Whether what looks like lid goes on to a side with lid beyond it: then it is a margin of paper like the lid.

    A frame that holds a sheet and the lid beside it ends at the next sheet, beyond which there is no lid.
    """
    lid_colour, _ = colours
    for side in (axis, axis + 2) if axis == 0 else (3, 1):
        line = frame.sides[side]
        width = abs(middle - frame.box[side])
        if frame.rims[side] or width * look.planes.mm > SMALLEST_MM:
            continue
        inward = 1 if side in (0, 3) else -1
        near, far = min(SHADOW_MM / look.planes.mm, width / 2), width
        within = [replace(line, start=line.start + inward * at) for at in np.linspace(near, far, ACROSS)]
        shares = [lid.share_of_lid(look.turned(axis), at, *ends_of(frame, side), *colours) for at in within]
        if min(shares) > GUTTER_SHARE and bare_beyond(look, frame, side, lid_colour) >= BARE:
            return True
    return False


def _bare_beside(
    cells: Floats,
    line: Candidate,
    across: tuple[float, float],
    along: tuple[float, float],
    colours: tuple[Doubles, Doubles],
    mm: float,
) -> float | None:
    """How far beside a line that runs through a frame the middle of bare lid lies, or None where there is none."""
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
    return (low + high) / 2

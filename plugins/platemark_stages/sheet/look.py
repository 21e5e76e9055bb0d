"""Look: the bed as it was searched, and what lies along the sides of a frame in it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from . import lid
from .bed import Glass
from .evidence import Candidate, Flags
from .lines import Line
from .planes import Floats, Planes
from .rectangle import Frame, Frames
from .sides import Traces, running_certain, running_net, traces_of

Doubles = NDArray[np.float64]


@dataclass(frozen=True)
class Look:
    """The bed as searched: what was found where, and how to get back to the preview.

    Attributes:
        cells: of the glass, (rows, columns, planes).
        glass: where it lies in all cells.
        planes: all cells.
        traces: edge evidence all over the glass.
        free: cells in which lines were looked for.
        found: lines by name of the side.
        frames: their combinations.
        beyond: lines that begin or end beyond the bed were looked for too.
        lid: colour of bare lid, where it is known from what was seen around.
    """

    cells: Floats
    glass: Glass
    planes: Planes
    traces: Traces
    free: Flags
    found: dict[str, list[Candidate]]
    frames: Frames
    beyond: bool = False
    lid: Doubles | None = None

    def rough(self, line: Candidate, axis: int) -> Line:
        """A candidate in pixels of the preview."""
        across, along = (self.glass.top, self.glass.left) if axis % 2 == 0 else (self.glass.left, self.glass.top)
        start = line.start + across - line.slope * along
        return Line(0.0, start * self.planes.side, line.slope)

    def line_in_cells(self, line: Line, axis: int, seen: Floats) -> Candidate:
        """A line in pixels of the preview as a candidate, the other way round than `rough`."""
        across, along = (self.glass.top, self.glass.left) if axis % 2 == 0 else (self.glass.left, self.glass.top)
        start = float(line.at(along * self.planes.side)) / self.planes.side - across
        return Candidate(start, line.slope, seen)

    def turned(self, axis: int) -> Floats:
        """The cells with a side of that axis along the rows."""
        return self.cells.transpose(1, 0, 2) if axis % 2 else self.cells


def look_at(planes: Planes, glass: Glass) -> Look:
    """Search the glass for lines and frames."""
    return _look(planes, glass, beyond=False)


def look_beyond(planes: Planes, glass: Glass) -> Look:
    """Search the glass for lines, also those that begin or end beyond it, and for frames."""
    return _look(planes, glass, beyond=True)


def _look(planes: Planes, glass: Glass, *, beyond: bool) -> Look:
    cells = planes.cells[glass.top : glass.bottom, glass.left : glass.right]
    free = np.ones(cells.shape[:2], dtype=bool)
    traces = traces_of(cells, planes.rounding)
    found = traces.lines(free, beyond=beyond)
    return Look(cells, glass, planes, traces, free, found, Frames(found, *traces.shape, planes.mm), beyond)


def look_again(look: Look, free: Flags) -> Look:
    """Search a part of what was searched before."""
    free = look.free & free
    found = look.traces.lines(free, beyond=look.beyond)
    frames = Frames(found, *look.traces.shape, look.planes.mm)
    frames.only_within(free)
    return replace(look, free=free, found=found, frames=frames)


def ends_of(frame: Frame, axis: int) -> tuple[float, float]:
    """Where a side of a frame begins and ends along itself, in cells."""
    return (frame.box[3], frame.box[1]) if axis % 2 == 0 else (frame.box[0], frame.box[2])


def middle_of(frame: Frame, axis: int, line: Candidate) -> float:
    """Position across of a line in the middle of a side."""
    ends = ends_of(frame, axis)
    return float(line.at((ends[0] + ends[1]) / 2))


def seen_along(look: Look, frame: Frame, axis: int, line: Candidate) -> float:
    """Share of a side of the frame beside which a line is certainly an edge."""
    return _along(look, frame, axis, running_certain([line], look.cells.shape[1 if axis % 2 == 0 else 0])[0])


def net_along(look: Look, frame: Frame, axis: int, line: Candidate) -> float:
    """Share of a side of the frame beside which a line is seen, less twice what is missed."""
    return _along(look, frame, axis, running_net([line], look.cells.shape[1 if axis % 2 == 0 else 0])[0])


def _along(look: Look, frame: Frame, axis: int, running: Doubles) -> float:
    """Mean along a side of what was summed along a line."""
    length = look.cells.shape[1 if axis % 2 == 0 else 0]
    first, last = (min(max(int(end), 0), length) for end in ends_of(frame, axis))
    return float((running[last] - running[first]) / max(1, last - first))


def lid_of(look: Look, frame: Frame) -> Doubles | None:
    """Colour of the lid around a frame, None where hardly any is seen."""
    if look.lid is not None:
        return look.lid
    if all(frame.rims):
        return None
    return lid.lid_colour(look.cells, look.free, frame, lid.BESIDE_MM / look.planes.mm, look.planes.mm)


def papers_of(look: Look, frame: Frame) -> tuple[Doubles, Doubles] | None:
    """Colours of lid and paper beside the edges of a frame, or None where they cannot be told apart."""
    colour = lid_of(look, frame)
    if colour is None:
        return None
    paper = lid.paper_colour(look.cells, frame, lid.BESIDE_MM / look.planes.mm)
    return (colour, paper) if float(np.linalg.norm(paper - colour)) > 1.0 else None

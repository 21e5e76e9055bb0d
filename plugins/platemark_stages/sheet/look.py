"""Look: the bed as it was searched, and what lies along the sides of a frame in it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from . import lid
from .bed import Glass
from .lines import Line
from .planes import Floats, Planes
from .rectangle import Frame, Frames, lines_of, running_certain
from .search import Candidate

Doubles = NDArray[np.float64]


@dataclass(frozen=True)
class Look:
    """The bed as searched: cells of the glass, what was found there, and how to get back to the preview."""

    cells: Floats
    glass: Glass
    planes: Planes
    frames: Frames
    found: dict[str, list[Candidate]]

    def rough(self, line: Candidate, axis: int) -> Line:
        """A candidate in pixels of the preview."""
        across, along = (self.glass.top, self.glass.left) if axis % 2 == 0 else (self.glass.left, self.glass.top)
        start = line.start + across - line.slope * along
        return Line(0.0, start * self.planes.side, line.slope)


def look_at(planes: Planes, glass: Glass) -> Look:
    """Search the glass for lines and frames."""
    cells = planes.cells[glass.top : glass.bottom, glass.left : glass.right]
    found = lines_of(cells)
    return Look(cells, glass, planes, Frames(found, cells.shape[0], cells.shape[1], planes.mm), found)


def ends_of(frame: Frame, axis: int) -> tuple[float, float]:
    """Where a side of a frame begins and ends along itself, in cells."""
    return (frame.box[3], frame.box[1]) if axis % 2 == 0 else (frame.box[0], frame.box[2])


def middle_of(frame: Frame, axis: int, line: Candidate) -> float:
    """Position across of a line in the middle of a side."""
    ends = ends_of(frame, axis)
    return float(line.at((ends[0] + ends[1]) / 2))


def seen_along(look: Look, frame: Frame, axis: int, line: Candidate) -> float:
    """Share of a side of the frame beside which a line is certainly an edge."""
    length = look.cells.shape[1 if axis % 2 == 0 else 0]
    ends = ends_of(frame, axis)
    running = running_certain([line], length)[0]
    first, last = (int(np.clip(end, 0, length)) for end in ends)
    return float(running[last] - running[first]) / max(1, last - first)


def lid_of(look: Look, frame: Frame) -> Doubles | None:
    """Colour of the lid around a frame, None where hardly any is seen."""
    if all(frame.rims):
        return None
    return lid.lid_colour(look.cells, lid.outside_of(frame, look.cells.shape[:2], lid.BESIDE_MM / look.planes.mm))


def papers_of(look: Look, frame: Frame) -> tuple[Doubles, Doubles] | None:
    """Colours of lid and paper beside the edges of a frame, or None where they cannot be told apart."""
    far = lid.BESIDE_MM / look.planes.mm
    outside = lid.outside_of(frame, look.cells.shape[:2], far)
    colour = lid.lid_colour(look.cells, outside)
    if colour is None:
        return None
    inner = lid.outside_of(frame, look.cells.shape[:2], -2 * far) & ~lid.outside_of(
        frame, look.cells.shape[:2], -far / 2
    )
    paper = np.median(look.cells[inner], axis=0).astype(np.float64)
    return (colour, paper) if float(np.linalg.norm(paper - colour)) > 1.0 else None

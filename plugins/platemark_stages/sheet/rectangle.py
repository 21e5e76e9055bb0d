"""Rectangle: which four lines together are the sheet.

The measure is the length of outline that is seen less twice the length that should be seen and is not, so a frame
made of lines that belong to different things loses: most of its outline is not there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .evidence import SEEN, Candidate
from .search import STRETCH
from .sides import NAMES, running_certain, running_net

Doubles = NDArray[np.float64]
Flags = NDArray[np.bool_]

# Hand-cut sheets are off by a degree; another half for the coarse slopes of the search.
OFF_SQUARE = 0.026
SMALLEST_MM = 35.0  # what is narrower than this is a label, a stamp, a colour target: no sheet of art
# Seen less twice missed, a share of the side: five sixths must be seen. Tape and art like the lid hide that much.
LEAST_NET = 0.5
LEAST_NET_AROUND = 0.0  # for a sheet around a painting: two thirds seen; tape covers its corners
MOST_RIMS = 2


@dataclass(frozen=True)
class Frame:
    """Four lines, in cells.

    Attributes:
        sides: top, right, bottom, left; the first and third as row over column, the others as column over row.
        rims: for each side whether it is the rim of the bed.
        box: top, right, bottom, left of the middles of the sides.
        net: worst share of a side that is seen less twice what is missed.
    """

    sides: tuple[Candidate, Candidate, Candidate, Candidate]
    rims: tuple[bool, bool, bool, bool]
    box: tuple[float, float, float, float]
    net: float


class Frames:
    """All combinations of four lines, the rims of the bed among them; axes are top, right, bottom, left."""

    def __init__(self, found: dict[str, list[Candidate]], height: int, width: int, mm: float) -> None:
        """Combine lines.

        Args:
            found: lines by name of the side.
            height: of the bed, in cells.
            width: of the bed, in cells.
            mm: millimetres along a cell.
        """
        rim = {"top": 0.0, "left": 0.0, "bottom": float(height), "right": float(width)}
        lengths = [width, height, width, height]
        # A rim is no evidence for or against: two thirds of SEEN is where `running_net` stays level.
        level = [np.full(max(1, length // STRETCH), SEEN * 2 / 3, dtype=np.float32) for length in lengths]
        self.lines = [[*found[n], Candidate(rim[n], 0.0, level[i])] for i, n in enumerate(NAMES)]
        spans, self.box = self._spans()
        nets, sizes, beyonds = zip(*(self._outline(i, lengths[i], *spans[i]) for i in range(4)), strict=True)
        shares = [net / np.maximum(size, 1) for net, size in zip(nets, sizes, strict=True)]
        for axis, share in enumerate(shares):
            share[tuple(slice(None) if a != axis else -1 for a in range(4))] = np.inf
        self.worst = np.minimum.reduce(shares)
        least = SMALLEST_MM / mm
        large = np.logical_and.reduce(np.broadcast_arrays(*(last - first > least for first, last in spans)))
        valid = large & self._square() & (self.worst > 0)
        self.score = np.where(valid, sum(nets) - sum(beyonds), -np.inf)
        self.mm = mm

    def only_within(self, free: Flags) -> None:
        """Drop the frames that reach out of a part of the bed, (rows, columns)."""
        rows, columns = np.flatnonzero(free.any(axis=1)), np.flatnonzero(free.any(axis=0))
        top, right, bottom, left = self.box
        slack = 1.0 / self.mm
        inside = (
            (top >= rows.min(initial=0) - slack)
            & (bottom <= rows.max(initial=0) + 1 + slack)
            & (left >= columns.min(initial=0) - slack)
            & (right <= columns.max(initial=0) + 1 + slack)
        )
        self.score = np.where(inside, self.score, -np.inf)

    def best(self, among: Flags | None = None) -> Frame | None:
        """Take the best among some, or among all seen as well as a sheet lying free; None where there is none."""
        score = np.where(self.worst > LEAST_NET if among is None else among, self.score, -np.inf)
        place = np.unravel_index(int(np.argmax(score)), score.shape)
        if not score[place] > 0:
            return None
        return self._frame(tuple(int(i) for i in place))

    def of(self, sides: list[Candidate]) -> Frame | None:
        """The frame of four given lines; None where they do not make one."""
        place = tuple(
            next(k for k, line in enumerate(own) if line is side) for own, side in zip(self.lines, sides, strict=True)
        )
        return self._frame(place) if np.isfinite(self.score[place]) else None

    def _frame(self, place: tuple[int, ...]) -> Frame:
        sides = tuple(own[i] for own, i in zip(self.lines, place, strict=True))
        rims = tuple(int(i) == len(own) - 1 for own, i in zip(self.lines, place, strict=True))
        box = tuple(float(b[place]) for b in self.box)
        return Frame(sides, rims, box, float(self.worst[place]))  # type: ignore[arg-type] # four of each, by construction

    def around(self, frame: Frame) -> Flags:
        """Frames that enclose another with a margin on at least two sides, as a sheet does the painting on it.

        Less of each side must be seen than `LEAST_NET`: tape hides the corners.
        """
        slack, margin = 2.0 / self.mm, 3.0 / self.mm
        out = [
            self.box[0] * -1 + frame.box[0],
            self.box[1] - frame.box[1],
            self.box[2] - frame.box[2],
            self.box[3] * -1 + frame.box[3],
        ]
        enclosing = np.logical_and.reduce([o > -slack for o in out])
        margins = np.stack([np.broadcast_to(o > margin, self.worst.shape) for o in out]).sum(axis=0)
        return np.asarray(enclosing & (self.worst > LEAST_NET_AROUND) & (margins >= 2))

    def seen_on(self, sides: int) -> Flags:
        """Frames of which at least so many sides are edges and not rims."""
        rims = np.zeros(self.score.shape, dtype=int)
        for axis in range(4):
            rims[tuple(slice(None) if a != axis else -1 for a in range(4))] += 1
        return np.asarray(4 - rims >= sides)

    def _spans(self) -> tuple[list[tuple[Doubles, Doubles]], list[Doubles]]:
        """Where each side begins and ends along itself, and the box through the middles of the sides."""
        top, right, bottom, left = self.lines

        def spread(values: Doubles, row_axis: int, column_axis: int) -> Doubles:
            shape = [1, 1, 1, 1]
            shape[row_axis], shape[column_axis] = values.shape
            return (values if row_axis < column_axis else values.T).reshape(shape)

        tl, tr = [[spread(v, 0, a) for v in _crossings(top, c)] for c, a in ((left, 3), (right, 1))]
        br, bl = [[spread(v, 2, a) for v in _crossings(bottom, c)] for c, a in ((right, 1), (left, 3))]
        spans = [(tl[0], tr[0]), (tr[1], br[1]), (bl[0], br[0]), (tl[1], bl[1])]
        middles = [(tl[1] + tr[1]) / 2, (tr[0] + br[0]) / 2, (bl[1] + br[1]) / 2, (tl[0] + bl[0]) / 2]
        full = tuple(len(lines) for lines in self.lines)
        return spans, [np.broadcast_to(middle, full) for middle in middles]

    def _outline(self, axis: int, length: int, first: Doubles, last: Doubles) -> tuple[Doubles, Doubles, Doubles]:
        """Of one side: seen less twice missed between the corners, its length, and what is seen of the line beyond."""
        own = self.lines[axis]
        running = running_net(own, length)
        index = np.arange(len(own)).reshape([-1 if a == axis else 1 for a in range(4)])
        start, stop = (np.clip(np.rint(v), 0, length).astype(int) for v in (first, last))
        seen = running_certain(own, length)
        beyond = seen[index, start] + seen[:, -1].reshape(index.shape) - seen[index, stop]
        full = tuple(len(lines) for lines in self.lines)
        parts = (running[index, stop] - running[index, start], (stop - start).astype(float), beyond)
        net, size, over = (np.broadcast_to(part, full).copy() for part in parts)
        return net, size, over

    def _square(self) -> Flags:
        """Which combinations have parallel sides and right angles; a rim fits any sheet that runs out over it."""
        turns = []
        for axis, own in enumerate(self.lines):
            # Rows that climb to the right and columns that lean to the right are the same turn of the sheet.
            turn = np.array([line.slope for line in own]) * (-1 if axis % 2 == 0 else 1)
            turn[-1] = np.nan
            turns.append(turn.reshape([-1 if a == axis else 1 for a in range(4)]))
        stack = np.stack(np.broadcast_arrays(*turns))
        off = np.isnan(stack)
        spread = np.where(off, -9, stack).max(axis=0) - np.where(off, 9, stack).min(axis=0)
        return np.asarray((spread < OFF_SQUARE) & (off.sum(axis=0) <= MOST_RIMS))


def _crossings(rows: list[Candidate], columns: list[Candidate]) -> tuple[Doubles, Doubles]:
    """Where lines along the rows meet lines along the columns: x and y, each (row line, column line)."""
    start, slope = np.array([[r.start, r.slope] for r in rows]).T[..., None]
    start_c, slope_c = np.array([[c.start, c.slope] for c in columns]).T[:, None, :]
    x = (start_c + slope_c * start) / (1 - slope * slope_c)
    return x, start + slope * x


def sheet_among(frames: Frames, sides: int = 2) -> Frame | None:
    """Take the best frame, or the sheet around it where it is only the painting or a border drawn on the sheet.

    Args:
        frames: all combinations.
        sides: how many must be edges and not rims.
    """
    frame = frames.best(frames.seen_on(sides) & (frames.worst > LEAST_NET))
    while frame is not None:
        outer = frames.best(frames.around(frame) & frames.seen_on(4))
        if outer is None:
            return frame
        frame = outer
    return None

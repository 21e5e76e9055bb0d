"""Rectangle: which four lines together are the sheet.

The measure is the length of outline that is seen less twice the length that should be seen and is not, so a frame
made of lines that belong to different things loses: most of its outline is not there.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .search import SEEN, STRETCH, SURE, Candidate, Floats, candidates, evidence_before, stretch_strengths

Doubles = NDArray[np.float64]
Flags = NDArray[np.bool_]

NAMES = ("top", "right", "bottom", "left")
MOST = 12  # lines tried a side: art has few straight lines longer than these
# Hand-cut sheets are off by a degree; another half for the coarse slopes of the search.
OFF_SQUARE = 0.026
SMALLEST_MM = 35.0  # what is narrower than this is a label, a stamp, a colour target: no sheet of art
# Seen less twice missed, a share of the side: five sixths must be seen. Tape and art like the lid hide that much.
LEAST_NET = 0.5
LEAST_NET_AROUND = 0.25  # for a sheet around a painting: three quarters seen; tape covers its corners
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


def lines_of(cells: Floats) -> dict[str, list[Candidate]]:
    """Candidate lines for each side of a sheet, by name of the side."""
    found: dict[str, list[Candidate]] = {}
    for names, turned in ((("top", "bottom"), cells), (("left", "right"), cells.transpose(1, 0, 2))):
        rows, columns = turned.shape[:2]
        strength, count = stretch_strengths(np.ascontiguousarray(turned)), max(1, columns // STRETCH)
        found[names[0]] = candidates(evidence_before(strength, count), MOST)
        # The other side has its lid at the larger offsets: look from there, and turn back the lines found.
        mirrored = candidates(evidence_before(strength[:, ::-1, ::-1], count), MOST)
        found[names[1]] = [Candidate(rows - 1 - line.start, -line.slope, line.seen) for line in mirrored]
    return found


def running_net(lines: list[Candidate], length: int) -> Doubles:
    """Seen less twice missed from the start of each line to each cell, (line, cell + 1)."""
    return _running(lines, length, _net)


def running_certain(lines: list[Candidate], length: int) -> Doubles:
    """What is certainly an edge, from the start of each line to each cell, (line, cell + 1)."""
    return _running(lines, length, _certain)


def _net(seen: Floats) -> Floats:
    return np.asarray(np.minimum(seen * 3 / SEEN - 2, 1))


def _certain(seen: Floats) -> Floats:
    # Beyond the corners only what is surely an edge speaks against a side; half-seen things lie about on any bed.
    return np.asarray(np.clip((seen - SEEN) / (SURE - SEEN), 0, 1))


def _running(lines: list[Candidate], length: int, weigh: Callable[[Floats], Floats]) -> Doubles:
    """Sum of the weights of the stretches from the start of each line to each cell, (line, cell + 1)."""
    cells = np.repeat(np.array([weigh(line.seen) for line in lines]), STRETCH, axis=1)
    cells = np.pad(cells, ((0, 0), (0, max(0, length - cells.shape[1]))), mode="edge")[:, :length]
    return np.pad(np.cumsum(cells, axis=1, dtype=np.float64), ((0, 0), (1, 0)))


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

    def apart_from(self, frame: Frame) -> Flags:
        """Frames that lie wholly beside another, and not along the back of its own edges (1 mm and more away)."""
        gap = 1.0 / self.mm
        top, right, bottom, left = self.box
        apart = (
            (left > frame.box[1] + gap)
            | (right < frame.box[3] - gap)
            | (top > frame.box[2] + gap)
            | (bottom < frame.box[0] - gap)
        )
        return np.asarray(apart)

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


def sheet_among(frames: Frames) -> Frame | None:
    """Take the best frame, or the sheet around it where it is only the painting or a border drawn on the sheet."""
    frame = frames.best()
    while frame is not None:
        outer = frames.best(frames.around(frame) & frames.seen_on(4))
        if outer is None:
            return frame
        frame = outer
    return None


def others_beside(frames: Frames, frame: Frame) -> list[Frame]:
    """Find further sheets that do not overlap with one, best first."""
    others: list[Frame] = []
    # A corner of the bed and the back of the first sheet's own edges would make a frame too: one rim at most.
    left = frames.apart_from(frame) & frames.seen_on(3) & (frames.worst > LEAST_NET)
    while (other := frames.best(left)) is not None:
        others.append(other)
        left = left & frames.apart_from(other)
    return others

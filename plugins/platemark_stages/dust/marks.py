"""Marks: whatever is thinner than a millimetre and stands out from the grain around it, dust and strokes alike."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from platemark_stages.dust.heights import Levels
from platemark_stages.dust.specks import SEEN
from platemark_stages.dust.survey import Floats

Indices = NDArray[np.int32]  # a scan has fewer than two thousand million pixels

# The grain of a paper is alike within a centimetre, and a speck covers a fiftieth of such a square at most.
_SQUARE_MM = 5.0
# How far beyond the grain a mark stands. Heights of grain fall off by about ten for each step from the 90th to the 99th
# percentile; two steps more leave one pixel in ten thousand, and the judging has to deal with those.
_BEYOND_GRAIN = 3.6
# What stands out by this much is a mark even where strokes fill the whole square.
_PLAIN = 16 * 257.0


@dataclass(frozen=True)
class Marks:
    """Connected sets of pixels of one sign; entry i of each array belongs to mark i.

    Attributes:
        sign: +1 for darker than the ground, -1 for brighter.
        area: pixels.
        top: first row; `bottom` is the last, and `left` and `right` are columns.
        peak: largest difference from the ground, 0 to 65535.
        peak_y: row of that pixel.
        peak_x: its column.
        limit: what the peak must reach to stand out from the grain here.
        y: rows of all pixels, mark by mark.
        x: their columns.
        first: where in `y` and `x` each mark begins; one entry more than there are marks.
    """

    sign: int
    area: Indices
    top: Indices
    bottom: Indices
    left: Indices
    right: Indices
    peak: Floats
    peak_y: Indices
    peak_x: Indices
    limit: Floats
    y: Indices
    x: Indices
    first: Indices

    def pixels(self, mark: int) -> tuple[Indices, Indices]:
        """Rows and columns of one mark."""
        inside = slice(self.first[mark], self.first[mark + 1])
        return self.y[inside], self.x[inside]


def find_marks(heights: Levels, ppmm: float, sign: int) -> Marks:
    """All marks of one sign, and what is at least half as high as a mark.

    Args:
        heights: shape (rows, columns), 0 to 65535.
        ppmm: pixels per millimetre.
        sign: +1 for marks darker than the ground, -1 for brighter ones.
    """
    side = max(8, round(_SQUARE_MM * ppmm))
    usual, limit = _grain(heights, side)
    found = []
    for row, column in np.ndindex(*limit.shape):
        square = heights[row * side : (row + 1) * side, column * side : (column + 1) * side]
        low, high = usual[row, column], limit[row, column]
        at = np.argwhere(square > low + (high - low) / 2) + np.array((row * side, column * side))
        found.append(at.astype(np.int32))
    y, x = np.ascontiguousarray(np.concatenate(found).T)
    marks = _gathered(sign, y, x, heights[y, x], labelled(y, x, heights.shape[1] + 2))
    return replace(marks, limit=limit[marks.peak_y // side, marks.peak_x // side])


def _grain(heights: Levels, side: int) -> tuple[Floats, Floats]:
    """Usual height, and the limit for a mark, of each square.

    Both are medians of 3 x 3 squares, so that a hair which fills one is not measured against itself.
    """
    rows, columns = (-(-length // side) for length in heights.shape)
    measured = np.empty((2, rows, columns), np.float32)
    for row, column in np.ndindex(rows, columns):
        square = heights[row * side : (row + 1) * side, column * side : (column + 1) * side]
        usual, often, seldom = np.percentile(square, (50, 90, 98))
        measured[:, row, column] = usual, min(max(seldom + _BEYOND_GRAIN * (seldom - often), SEEN), _PLAIN)
    padded = np.pad(measured, ((0, 0), (1, 1), (1, 1)), mode="edge")
    nine = [padded[:, i : i + rows, j : j + columns] for i in range(3) for j in range(3)]
    middle = np.median(nine, axis=0).astype(np.float32)
    return middle[0], middle[1]


def softened(image: Floats) -> Floats:
    """Mean of three neighbours each way, the middle one twice: as wide as the sharpest thing a sensor can draw."""
    for axis in (0, 1):
        padded = np.pad(image, [(1, 1) if a == axis else (0, 0) for a in range(image.ndim)], mode="edge")
        low, middle, high = (
            padded[tuple(slice(i, i + image.shape[axis]) if a == axis else slice(None) for a in range(image.ndim))]
            for i in (0, 1, 2)
        )
        image = (low + high) / np.float32(4) + middle / np.float32(2)
    return image


def labelled(y: Indices, x: Indices, width: int) -> Indices:
    """For each pixel the number of the connected set (8 neighbours) that it belongs to.

    Args:
        y: rows.
        x: columns.
        width: more than two columns beyond the last.

    >>> labelled(np.array([0, 1, 5]), np.array([0, 1, 5]), 9).tolist()
    [0, 0, 1]
    """
    place = y * np.int32(width) + x
    order = np.argsort(place).astype(np.int32)
    ordered = place[order]
    root = np.arange(len(place), dtype=np.int32)
    links = [_neighbours(ordered, step) for step in (1, width - 1, width, width + 1)]
    before = None
    while before is None or not np.array_equal(root, before):
        before = root.copy()
        for one, other in links:
            low = np.minimum(root[one], root[other])
            np.minimum.at(root, root[one], low)
            np.minimum.at(root, root[other], low)
        while not np.array_equal(root, root[root]):
            root = root[root]
    label = np.empty(len(place), np.int32)
    label[order] = np.unique(root, return_inverse=True)[1]
    return label


def _neighbours(ordered: Indices, step: int) -> tuple[Indices, Indices]:
    """Pairs of entries whose places differ by `step`."""
    if not len(ordered):
        return ordered, ordered
    further = ordered + np.int32(step)
    at = np.minimum(np.searchsorted(ordered, further), len(ordered) - 1).astype(np.int32)
    one = np.flatnonzero(ordered[at] == further).astype(np.int32)
    return one, at[one]


def _gathered(sign: int, y: Indices, x: Indices, height: Levels, label: Indices) -> Marks:
    """What there is to know of each set; limits are left to be filled in."""
    # Within a mark the highest pixel comes first; the last two keys make the order the same everywhere.
    order = np.lexsort((x, y, 65535 - height, label))
    y, x, height, label = y[order], x[order], height[order], label[order]
    first = np.flatnonzero(np.diff(label, prepend=-1, append=-1)) if len(label) else np.zeros(1, np.int64)
    start = first[:-1]
    top, bottom, left, right = (
        op.reduceat(values, start) if len(start) else values for values in (y, x) for op in (np.minimum, np.maximum)
    )
    return Marks(
        sign=sign,
        area=np.diff(first).astype(np.int32),
        top=top,
        bottom=bottom,
        left=left,
        right=right,
        peak=height[start].astype(np.float32),
        peak_y=y[start],
        peak_x=x[start],
        limit=np.zeros(len(start), np.float32),
        y=y,
        x=x,
        first=first.astype(np.int32),
    )

"""Chains: ridges that follow each other, and the smooth curve through each."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platemark_stages.dust.heights import extreme
from platemark_stages.dust.ridges import Ridges

Points = NDArray[np.float64]
Numbers = NDArray[np.int32]

# Beyond the usual ridge of the grain, in steps from there to the 90th percentile: twice is a ridge in a hundred (normal
# distribution: 2.3 % and 1 % with 1.8). Lines of the grain are short, so they fall out by their length.
_BEYOND_GRAIN = 2.0
# No line under one level is looked at, and one of 16 is looked at also among many.
_LEAST, _PLAIN = 257.0, 16 * 257.0
# A hair that is bent is bent smoothly: most of its ridges lie within this of a curve of third degree.
_OFF_MM, _SMOOTH = 0.35, 0.7
_FEWEST = 3
# Beside a line the search still sees half of it, as far as a run reaches when it lies askew: so many cells.
_SLOPE = 2


@dataclass(frozen=True)
class Curve:
    """A smooth curve on the reduced scan.

    Attributes:
        points: shape (points, 2): y and x, a pixel apart; the first pixel's centre is 0.
        across: unit vectors at right angles to it.
        own: which of the points are of the chain; before and after them it is prolonged straight on.
    """

    points: Points
    across: Points
    own: slice


def chains(ridges: Ridges) -> Iterator[Points]:
    """The y and x of ridges that lie in neighbouring cells, a chain at a time."""
    limit = np.clip(ridges.usual + _BEYOND_GRAIN * (ridges.often - ridges.usual), _LEAST, _PLAIN)
    crest = ridges.heights >= extreme(ridges.heights, _SLOPE, np.maximum) // 2
    y, x = np.nonzero(crest & (ridges.heights > limit))
    if not len(y):
        return
    label = labelled(y.astype(np.int32), x.astype(np.int32), ridges.heights.shape[1] + 3)
    order = np.argsort(label, kind="stable")
    for part in np.split(order, np.flatnonzero(np.diff(label[order])) + 1):
        if len(part) >= _FEWEST:
            yield np.stack([ridges.y[y[part], x[part]], ridges.x[y[part], x[part]]], axis=1).astype(np.float64)


def curve_through(points: Points, per_mm: float, prolonged: int) -> Curve | None:
    """The smooth curve through a chain, if it is one.

    Args:
        points: y and x.
        per_mm: pixels a millimetre.
        prolonged: points to add at each end.
    """
    for _ in range(2):
        middle = points.mean(axis=0)
        axes = np.linalg.svd(points - middle, full_matrices=False)[2]
        along, off = ((points - middle) @ axes.T).T
        half = max(float(np.ptp(along)) / 2, 1.0)
        # A polynomial needs more points than it has coefficients, twice as many so that it smooths.
        shape = np.polyfit(along / half, off, min(3, max(1, len(points) // 2 - 1)))
        near = np.abs(np.polyval(shape, along / half) - off) <= _OFF_MM * per_mm
        if near.mean() < _SMOOTH or near.sum() < _FEWEST:
            return None
        if near.all():
            break
        points = points[near]
    at = np.arange(along.min(), along.max(), 0.5)
    return _prolonged(middle + at[:, None] * axes[0] + np.polyval(shape, at / half)[:, None] * axes[1], prolonged)


def _prolonged(line: Points, count: int) -> Curve | None:
    """A line in steps of one pixel, prolonged straight on at both ends."""
    run = np.concatenate([[0], np.hypot(*np.diff(line, axis=0).T).cumsum()])
    even = np.stack([np.interp(np.arange(0, run[-1], 1.0), run, line[:, k]) for k in (0, 1)], axis=1)
    if len(even) <= 2 * _FEWEST:
        return None
    first, last = (_unit(even[k] - even[j]) for k, j in ((0, _FEWEST), (-1, -1 - _FEWEST)))
    points = np.concatenate(
        [even[0] + first * np.arange(count, 0, -1)[:, None], even, even[-1] + last * np.arange(1, count + 1)[:, None]]
    )
    ahead = np.gradient(points, axis=0)
    ahead /= np.hypot(*ahead.T)[:, None]
    return Curve(points, np.stack([-ahead[:, 1], ahead[:, 0]], axis=1), slice(count, count + len(even)))


def _unit(vector: Points) -> Points:
    return np.asarray(vector / np.hypot(*vector))


def labelled(y: Numbers, x: Numbers, width: int) -> Numbers:
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


def _neighbours(ordered: Numbers, step: int) -> tuple[Numbers, Numbers]:
    """Pairs of entries whose places differ by `step`."""
    if not len(ordered):
        return ordered, ordered
    further = ordered + np.int32(step)
    at = np.minimum(np.searchsorted(ordered, further), len(ordered) - 1).astype(np.int32)
    one = np.flatnonzero(ordered[at] == further).astype(np.int32)
    return one, at[one]

"""Filling a spot: the nearby patch whose rim fits best is copied, its rim drawn to that of the spot.

The copy brings the grain and whatever runs through the spot, such as the edge of a wash; the difference of the two
rims, spread over the spot, brings light and colour of the place. All in integers.

Source: the spread is inverse distance weighting (Shepard 1968, A two-dimensional interpolation function for
irregularly-spaced data) of the difference at the rim, as in seamless cloning; from memory.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from platemark_stages.dust.spots import TENTHS, Circle, Window

Whole = NDArray[np.int64]
Mask = NDArray[np.bool_]

# The rim: wide enough to average the grain, narrow enough to be of the place.
_RIM = 3
_WEIGHT = 1 << 30


def reach(circle: Circle) -> int:
    """How far from its centre a spot's patch may lie, in pixels."""
    return 4 * _pixels(circle) + 8


def filled(window: NDArray[np.uint16], at: Window, circles: Sequence[Circle], spoilt: Sequence[Circle]) -> Whole:
    """A window with its spots filled.

    Args:
        window: shape (rows, columns, channels).
        at: where it lies on the scan.
        circles: the spots to fill.
        spoilt: all spots that may touch the window; nothing is copied from them.
    """
    values, out = window.astype(np.int64), window.astype(np.int64)
    bad = np.zeros(window.shape[:2], bool)
    for circle in spoilt:
        bad |= circle.covers(at)
    for circle in circles:
        inside = circle.covers(at)
        rim = Circle(circle.x, circle.y, circle.radius + _RIM * TENTHS).covers(at) & ~bad
        if inside.any() and rim.any():
            out[inside] = _patch(values, bad, np.argwhere(inside), np.argwhere(rim), circle)
    return out


def _pixels(circle: Circle) -> int:
    return -(-circle.radius // TENTHS)


def _patch(values: Whole, bad: Mask, inside: Whole, rim: Whole, circle: Circle) -> Whole:
    """New values of the pixels inside."""
    offset = _best_offset(values, bad, inside, rim, circle)
    here = values[rim[:, 0], rim[:, 1]]
    if offset is None:
        return _spread(here, inside, rim)
    there = values[rim[:, 0] + offset[0], rim[:, 1] + offset[1]]
    copied = values[inside[:, 0] + offset[0], inside[:, 1] + offset[1]]
    patch: Whole = np.clip(copied + _spread(here - there, inside, rim), 0, 65535)
    return patch


def _best_offset(values: Whole, bad: Mask, inside: Whole, rim: Whole, circle: Circle) -> Whole | None:
    """Where the rim looks most like this one: first on a coarse grid, then around the best of it."""
    radius = _pixels(circle)
    step, far = max(1, radius // 3), 3 * radius + 4
    axis = np.arange(-(far // step), far // step + 1) * step
    grid = np.stack(np.meshgrid(axis, axis, indexing="ij"), axis=-1).reshape(-1, 2)
    # Nearer than this, spot and patch overlap.
    grid = grid[np.square(grid).sum(axis=1) >= (2 * radius + 1) ** 2]
    best = _fittest(values, bad, inside, rim, grid)
    if best is None or step == 1:
        return best
    near = np.arange(1 - step, step)
    closer = best + np.stack(np.meshgrid(near, near, indexing="ij"), axis=-1).reshape(-1, 2)
    return _fittest(values, bad, inside, rim, closer)


def _fittest(values: Whole, bad: Mask, inside: Whole, rim: Whole, offsets: Whole) -> Whole | None:
    """The offset with the least sum of squared differences along the rim; the first of equals."""
    rows, columns = bad.shape
    both = np.concatenate([inside, rim])
    low, high = both.min(axis=0), both.max(axis=0)
    fits = ((offsets + low >= 0) & (offsets + high < (rows, columns))).all(axis=1)
    offsets = offsets[fits]
    place = both[:, 0] * columns + both[:, 1]
    moved = offsets[:, 0] * columns + offsets[:, 1]
    clean = ~bad.ravel()[place[None, :] + moved[:, None]].any(axis=1)
    offsets, moved = offsets[clean], moved[clean]
    if not len(offsets):
        return None
    flat, edge = values.reshape(rows * columns, -1), place[len(inside) :]
    here = flat[edge]
    costs = [int(np.square(flat[edge + shift] - here).sum()) for shift in moved.tolist()]
    return np.asarray(offsets[costs.index(min(costs))], np.int64)


def _spread(difference: Whole, inside: Whole, rim: Whole) -> Whole:
    """Values at the rim spread over the pixels inside: the nearer, the more, by the fourth power of the distance."""
    squared = np.square(inside[:, None, :] - rim[None, :, :]).sum(axis=2)
    weight = _WEIGHT // np.square(squared)
    return np.asarray((weight @ difference) // weight.sum(axis=1)[:, None])

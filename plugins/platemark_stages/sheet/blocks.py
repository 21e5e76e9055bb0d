"""Blocks: how coarsely a JPEG has rounded even areas, where the grid of its blocks still shows.

Paper and lid are even, so all that a JPEG keeps of them is the mean of each block, rounded to a step. What drifts
slowly then jumps by that step along the border of a row of blocks: a faint, perfectly straight line. And an edge that
differs by a few steps is moved to the nearest border. Both are to be trusted less than the steps are high.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .planes import OPPONENT, Floats

# Pixels along a block of lightness and of colour, in a file at its own density and at half of it; most files keep
# colour at half the density of lightness. Source: ITU-T T.81, A.1 and A.3.
PERIODS = ((8, 4), (16, 8), (16, 8))
BLOCK = 16  # pixels along the largest of them
ENDS = 6  # pixels at both ends of a profile that say what it goes from and to
TRIMMED = 5  # of the values at one distance from an edge, one in so many is left out at each end
THIN = 9  # every so many rows of blocks: a hundred thousand pixels say as much as all
FLAT = 4.0  # grey levels: larger steps are drawn, and not made by rounding
MORE = 1.3  # mean step between blocks against the mean step within them; without a grid the two are the same
LEAST = 0.25  # grey levels: smaller steps are noise that the rounding let pass


def rounding_of(preview: NDArray[np.uint16]) -> tuple[float, ...]:
    """How high the steps between blocks of even areas are.

    Args:
        preview: (rows, columns, 3).

    Returns:
        Grey levels for lightness and both colour differences; 0 where no grid of blocks shows.
    """
    steps = np.zeros(3)
    for period in sorted({period for periods in PERIODS for period in periods}):
        # After a turn of the picture the grid begins at its other end.
        for part in (preview, preview[:, ::-1]) if preview.shape[1] % period else (preview,):
            halves = _half_blocks(part, period)
            for plane, periods in enumerate(PERIODS):
                if period in periods:
                    steps[plane] = max(steps[plane], _step(halves[..., plane]))
    return tuple(steps.tolist())


def place_by_area(
    picture: NDArray[np.uint16], across: float, outward: int, rounding: tuple[float, ...]
) -> tuple[float, float] | None:
    """Where a level edge lies that shows in the colour of blocks only.

    A block that the edge runs through has the mean of both colours, by their areas, so there is a step at each of its
    borders, and their weighted mean is the edge. What is lost is what the mean was rounded by.

    Args:
        picture: the length of the edge, (along, across, 3).
        across: position of its highest step, pixels.
        outward: +1 or -1.
        rounding: steps between blocks, grey levels for each plane.

    Returns:
        Position across and how far it may be out, pixels; None where the two sides differ by less than a step.
    """
    reach = BLOCK + ENDS
    columns = round(across) + outward * np.arange(-reach, reach)
    if columns.min() < 0 or columns.max() >= picture.shape[1]:
        return None
    values = np.sort(picture[:, columns].astype(np.float32) @ OPPONENT, axis=0)
    cut = len(values) // TRIMMED  # strokes that cross the edge
    profile = values[cut : len(values) - cut].mean(axis=0)
    change = profile[-ENDS:].mean(axis=0) - profile[:ENDS].mean(axis=0)
    steps = np.abs(change[1:]) / np.maximum(rounding[1:], LEAST)
    plane = 1 + int(np.argmax(steps))
    if steps.max() < 1:
        return None
    borders = np.maximum(columns[:-1], columns[1:])
    place = float(borders @ np.diff(profile[:, plane]) / np.diff(profile[:, plane]).sum())
    return place, BLOCK / 2 / float(steps.max())


def _half_blocks(preview: NDArray[np.uint16], period: int) -> Floats:
    """Means of the left and the right half of blocks, (block row, 2 * block column, plane)."""
    rows, columns = preview.shape[0] // period, preview.shape[1] // period
    part = preview[: rows * period, : columns * period].reshape(rows, period, columns * period, 3)[::THIN]
    half = period // 2
    sums = part.sum(axis=1, dtype=np.uint32).reshape(len(part), columns * 2, half * 3).astype(np.float32)
    # One matrix product does the sum along the row and the change of planes.
    return np.asarray(sums @ np.tile(OPPONENT / np.float32(period * half), (half, 1)))


def _step(halves: Floats) -> float:
    """Median height of the steps between blocks, 0 where steps within them are as high."""
    steps = np.abs(np.diff(halves, axis=1))
    within, across = steps[:, 0:-2:2], steps[:, 1::2]
    flat = (within < FLAT) & (steps[:, 2::2] < FLAT) & (across < FLAT)
    if not flat.any():
        return 0.0
    usual = float(within[flat].mean())
    high = across[flat & (across > 2 * usual + LEAST)]
    if not high.size or float(across[flat].mean()) < MORE * usual:
        return 0.0
    return float(np.median(high))

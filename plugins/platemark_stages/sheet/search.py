"""Search: how much edge lies along every nearly straight line across the bed.

For lines that run roughly along the rows. (For the other two sides of a sheet the cells are transposed.) Sums along
slanted lines are built by doubling: the sum over a piece of 2n cells is the sum over its two halves, for every
slope at once. That is the fast Radon transform of Brady, "A fast discrete approximation algorithm for the Radon
transform", SIAM Journal on Computing 27 (1998), from memory.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]

# tan(12.5 degrees): a sheet that lies further askew was laid so, and is not a matter of deskewing.
STEEPEST = 0.222
STRETCH = 32  # cells, about a centimetre: long enough to average noise, short enough to follow a torn edge
ALONG = 1  # cells of rise over a stretch
STEP_TRUST = 0.35  # of a rounding step as a standard deviation: one step is hardly seen, two are certain
STEP = 2  # cells before and after a line that are compared
# Grey levels, for lightness and both colour differences. Rounding in a flat area does not average away along a line:
# the blocks of a JPEG step by up to a third of a level there, and all along a row. That is three times this.
FLATTEST = np.array([0.1, 0.15, 0.15], dtype=np.float32)


def doubled(sums: Floats, width: int) -> Floats:
    """Join neighbouring stretches of `width` cells: (stretch, slope, offset, ...) to half as many, twice as long.

    A last stretch without a neighbour stays alone: beyond it lies nothing.
    """
    reach = sums.shape[1] // 2
    longer = int(STEEPEST * (2 * width - 1)) + 1
    left, right, rows = sums[0::2], sums[1::2], sums.shape[2]
    joined = np.empty((len(left), 2 * longer + 1, *sums.shape[2:]), dtype=sums.dtype)
    for rise in range(-longer, longer + 1):
        half = min(max(rise // 2, -reach), reach)
        step = rise - half  # where the right half begins, against the left
        joined[:, rise + longer] = left[:, half + reach]
        target = joined[: len(right), rise + longer]
        if abs(step) >= rows:
            continue  # on a bed much wider than high the right half of so steep a line lies beyond it
        if step >= 0:
            target[:, : rows - step] += right[:, half + reach, step:]
        else:
            target[:, -step:] += right[:, half + reach, : rows + step]
    return joined


def _step_across(cells: Floats) -> Floats:
    """Difference of the two rows after and the two before each row's upper border, (columns, rows, planes)."""
    step = np.zeros(cells.shape, dtype=np.float32)
    pair = cells[1:] + cells[:-1]
    step[2:-1] = (pair[2:] - pair[:-2]) / 2
    return step.transpose(1, 0, 2)


def stretch_strengths(cells: Floats, rounding: tuple[float, ...] = (0.0, 0.0, 0.0)) -> Floats:
    """Edge strength in every stretch, every slope and offset, in standard deviations of the scan's own noise.

    Args:
        cells: (rows, columns, planes).
        rounding: steps between the blocks of a JPEG, grey levels for each plane.

    Returns:
        (stretch, slope, offset), the strongest of the planes. The last stretch may reach beyond the picture.
    """
    sums = _step_across(cells)
    padding = -sums.shape[0] % STRETCH
    whole = max(1, sums.shape[0] // STRETCH)
    sums = np.pad(sums, ((0, padding), (0, 0), (0, 0)))[:, None]
    width = 1
    while width < STRETCH:
        sums, width = doubled(sums, width), 2 * width
    np.abs(sums, out=sums)
    noise = np.maximum(_noise(sums[:whole]), STRETCH * FLATTEST)
    # Borders of blocks lie along the grid, and along the slopes next to it as stairs of one step.
    along = abs(np.arange(sums.shape[1]) - sums.shape[1] // 2) <= ALONG
    steps = np.where(along[:, None], STEP_TRUST * STRETCH * np.asarray(rounding), 0.0)[None, :, None]
    sums /= np.maximum(noise, steps).astype(np.float32)
    # Plane by plane: numpy is slow at the maximum over a short last axis.
    return np.asarray(np.maximum.reduce([sums[..., plane] for plane in range(sums.shape[3])]))


def _noise(strength: Floats) -> Floats:
    """Standard deviation of the noise in a stretch, for each slope and plane, (1, slope, 1, planes).

    A quarter of all stretches is quiet even on a bed full of art; |z| of noise lies below 0.319 in a quarter of cases.
    Slopes along the pixel grid get their share on top: the blocks of a JPEG and the common noise of a sensor's column
    make lines there. Art does so at all slopes alike, so the ratio of slope to slope tells, wherever it is worst.
    """
    levels = np.quantile(strength[:, :, ::3], (0.2, 0.25, 0.3, 0.45, 0.6, 0.75, 0.9), axis=(0, 2))
    usual = np.median(levels, axis=1, keepdims=True)
    ratio = (levels / np.maximum(usual, 1e-3)).max(axis=0)
    noise = usual[1] / 0.319 * np.maximum(ratio, 1)
    return np.asarray(noise[None, :, None, :], dtype=np.float32)

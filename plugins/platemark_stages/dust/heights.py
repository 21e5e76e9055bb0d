"""Heights: how far each pixel of a scan stands out from its ground, and the highest of each small cell."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platemark_stages.dust.survey import Pixels

Levels = NDArray[np.uint16]

# What is wider than this is no speck: in scans of dusty glass nearly all are smaller (common practice).
WIDEST_MM = 1.0
# Cells are as wide as a middling speck: a crowd of them is counted, not of its pixels.
_CELL_MM = 0.25
_STRIP = 128
# A seventh of the whole range: as strong as ink.
STRONG = 65535 // 7


@dataclass(frozen=True)
class Relief:
    """What stands out on one side of the ground.

    Attributes:
        heights: shape (rows, columns), 0 to 65535.
        cells: the highest of each square of `cell` pixels; what fills none at the rim is left out.
        cell: side of a cell in pixels.
        ppmm: pixels per millimetre.
    """

    heights: Levels
    cells: Levels
    cell: int
    ppmm: float


def relief(pixels: Pixels, ppmm: float, sign: int) -> Relief:
    """Heights of what is darker (sign +1) or brighter (-1) than its ground; a strip at a time.

    Args:
        pixels: shape (rows, columns, channels).
        ppmm: pixels per millimetre.
        sign: +1 or -1.
    """
    reach, rows = max(1, round(WIDEST_MM * ppmm / 2)), len(pixels)
    heights: Levels = np.empty((rows, pixels.shape[1]), np.uint16)
    for top in range(0, rows, _STRIP):
        start, end = max(0, top - 2 * reach - 1), min(rows, top + _STRIP + 2 * reach + 1)
        heights[top : top + _STRIP] = top_hat(grey(pixels[start:end]), reach, sign)[top - start :][:_STRIP]
    cell = max(1, round(_CELL_MM * ppmm))
    down, across = heights.shape[0] // cell, heights.shape[1] // cell
    cells = np.zeros((down, across), np.uint16)
    for row, column in np.ndindex(cell, cell):
        np.maximum(cells, heights[row : down * cell : cell, column : across * cell : cell], out=cells)
    return Relief(heights, cells, cell, ppmm)


def grey(pixels: Pixels) -> Levels:
    """Mean of the channels, softened as wide as the sharpest thing that a sensor can draw (weights 1 2 1)."""
    channels = pixels.shape[2]
    mean: NDArray[np.uint32] = pixels[..., 0].astype(np.uint32)
    for channel in range(1, channels):
        mean += pixels[..., channel]
    mean //= np.uint32(channels)
    for axis in (0, 1):
        padded = np.pad(mean, [(1, 1) if a == axis else (0, 0) for a in (0, 1)], mode="edge")
        lined = np.moveaxis(padded, axis, 0)
        mean = np.moveaxis((lined[:-2] + np.uint32(2) * lined[1:-1] + lined[2:]) >> np.uint32(2), 0, axis)
    return mean.astype(np.uint16)


def top_hat(image: Levels, reach: int, sign: int) -> Levels:
    """How far each pixel lies below (sign +1) or above (-1) the ground, of which no spot is wider than 2 reach."""
    signed = image if sign > 0 else 65535 - image
    ground = extreme(extreme(signed, reach, np.maximum), reach, np.minimum)
    return np.asarray(ground - signed)


def extreme(image: Levels, reach: int, pick: np.ufunc) -> Levels:
    """Largest or smallest value within `reach` each way, by windows that double."""
    for axis in (0, 1):
        wanted, width = 2 * reach + 1, 1
        run = np.moveaxis(
            np.pad(image, [(reach, reach) if a == axis else (0, 0) for a in (0, 1)], mode="edge"), axis, 0
        )
        while width < wanted:
            step = min(width, wanted - width)
            run = pick(run[:-step], run[step:])
            width += step
        image = np.moveaxis(run, 0, axis)
    return image

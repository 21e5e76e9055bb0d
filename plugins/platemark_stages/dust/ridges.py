"""Ridges: where the scan is darker or brighter along a short line than on both sides of it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platemark_stages.dust.heights import Levels
from platemark_stages.dust.specks import Indices
from platemark_stages.dust.survey import Floats, Pixels

Heights = NDArray[np.int16]

# A hair is 0.05 to 0.1 mm wide (common practice) and long, so it is seen at this density, and four times faster.
_SEARCH_PPMM = 150 / 25.4
# Eight pixels average the grain and are straight on any hair; their end lies half a pixel off if turned by 1/32 of pi.
_DIRECTIONS, _DOUBLINGS = 16, 3
RUN = 2**_DOUBLINGS
# The sides are compared as far off as light spreads, and twice.
BESIDE = 3
# Cells of which one in a row is seen keep a hair together: 0.5 mm.
CELL = 3
_STRIP = 128
_MARGIN = RUN + BESIDE + 1
# 16 bits to 14, so that differences fit in int16.
_SHIFT = 2
UNIT = 1 << _SHIFT
# Grain is alike within some millimetres: squares of so many cells.
_SQUARE = 10
# A hair that crosses a square covers a tenth of its cells.
_OFTEN = 90


@dataclass(frozen=True)
class Ridges:
    """Cells of a reduced scan.

    Attributes:
        heights: shape (rows, columns), highest ridge in each cell, 0 to 65535.
        usual: median of the surroundings of each.
        often: their 90th percentile.
        y: row of the ridge in the reduced scan.
        x: its column.
    """

    heights: Levels
    usual: Floats
    often: Floats
    y: Indices
    x: Indices


def reduced(pixels: Pixels, ppmm: float) -> tuple[Heights, int]:
    """Mean of the channels at about the density of the search, 14 bits, and by how much it is reduced."""
    factor = max(1, round(ppmm / _SEARCH_PPMM))
    rows, columns = pixels.shape[0] // factor, pixels.shape[1] // factor
    grey: Heights = np.empty((rows, columns), np.int16)
    for top in range(0, rows, _STRIP):
        band = pixels[top * factor : min(rows, top + _STRIP) * factor, : columns * factor]
        total = np.zeros((len(band) // factor, columns), np.uint32)
        for down, across, channel in np.ndindex(factor, factor, pixels.shape[2]):
            total += band[down::factor, across::factor, channel]
        grey[top : top + _STRIP] = (total // np.uint32(factor * factor * pixels.shape[2])) >> np.uint32(_SHIFT)
    return grey, factor


def find_ridges(grey: Heights) -> dict[int, Ridges]:
    """The highest ridges of both signs in each cell: darker +1, brighter -1."""
    rows, columns = grey.shape
    down, across = rows // CELL, columns // CELL
    cells = {sign: np.zeros((down, across), np.int16) for sign in (1, -1)}
    places = {sign: np.zeros((down, across), np.uint8) for sign in (1, -1)}
    strip = _STRIP // CELL * CELL
    padded = np.pad(grey, _MARGIN, mode="edge")
    for top in range(0, down * CELL, strip):
        end = min(down * CELL, top + strip)
        for sign, heights in _strip_ridges(padded[top : end + 2 * _MARGIN]).items():
            for number, (row, column) in enumerate(np.ndindex(CELL, CELL)):
                part = heights[row::CELL, column : across * CELL : CELL]
                best = cells[sign][top // CELL : end // CELL]
                places[sign][top // CELL : end // CELL][part > best] = number
                np.maximum(best, part, out=best)
    return {sign: _with_surroundings(cells[sign], places[sign]) for sign in (1, -1)}


def _strip_ridges(padded: Heights) -> dict[int, Heights]:
    """Ridges of both signs at each pixel of a strip that has a margin."""
    best = {sign: np.zeros([length - 2 * _MARGIN for length in padded.shape], np.int16) for sign in (1, -1)}
    for direction in range(_DIRECTIONS):
        down, across = np.sin(np.pi * direction / _DIRECTIONS), np.cos(np.pi * direction / _DIRECTIONS)
        run, corner = padded, (_MARGIN, _MARGIN)
        for doubling in range(_DOUBLINGS):
            step = round(down * 2**doubling), round(across * 2**doubling)
            run, corner = _pair(run, step, corner)
        # The run begins at a pixel: go back by half of it, so that its middle is there.
        half = RUN // 2
        at = corner[0] - round(down * (half - 0.5)), corner[1] - round(across * (half - 0.5))
        side = round(across * BESIDE), -round(down * BESIDE)
        shape = best[1].shape
        here, one, other = (
            run[at[0] + k * side[0] : at[0] + k * side[0] + shape[0], at[1] + k * side[1] :][:, : shape[1]]
            for k in (0, 1, -1)
        )
        np.maximum(best[1], np.minimum(one, other) - here, out=best[1])
        np.maximum(best[-1], here - np.maximum(one, other), out=best[-1])
    return best


def _pair(run: Heights, step: tuple[int, int], corner: tuple[int, int]) -> tuple[Heights, tuple[int, int]]:
    """Mean of each and the one a step further, and where pixel 0 now lies."""
    down, across = step
    rows, columns = run.shape[0] - abs(down), run.shape[1] - abs(across)
    back = max(0, -across)
    first = run[:rows, back : back + columns]
    second = run[down : down + rows, back + across : back + across + columns]
    return (first + second) >> np.int16(1), (corner[0], corner[1] - back)


def _with_surroundings(cells: Heights, places: NDArray[np.uint8]) -> Ridges:
    rows, columns = cells.shape
    y, x = np.divmod(places.astype(np.int64), CELL)
    y += np.arange(rows)[:, None] * CELL
    x += np.arange(columns) * CELL
    heights = cells.astype(np.uint16) * np.uint16(UNIT)
    usual, often = (
        np.repeat(np.repeat(level, _SQUARE, axis=0), _SQUARE, axis=1)[:rows, :columns] for level in _grain(heights)
    )
    return Ridges(heights, usual, often, y, x)


def _grain(heights: Levels) -> tuple[Floats, Floats]:
    """Median and 90th percentile of each square; of three by three squares the middle one.

    So a hair that fills one square is not measured against itself.
    """
    down, across = (-(-length // _SQUARE) for length in heights.shape)
    fill = [(0, count * _SQUARE - length) for count, length in zip((down, across), heights.shape, strict=True)]
    squares = np.pad(heights, fill, mode="reflect" if min(heights.shape) > _SQUARE else "edge")
    squares = squares.reshape(down, _SQUARE, across, _SQUARE).swapaxes(1, 2).reshape(down, across, -1)
    measured = np.percentile(squares, (50, _OFTEN), axis=2)
    padded = np.pad(measured, ((0, 0), (1, 1), (1, 1)), mode="edge")
    nine = [padded[:, i : i + down, j : j + across] for i in range(3) for j in range(3)]
    usual, often = np.median(nine, axis=0).astype(np.float32)
    return usual, often

"""Grids of cells that hold what changes slowly over a picture: sums around, gaps filled, values between; integers."""

import numpy as np
from numpy.typing import NDArray

Whole = NDArray[np.int32]
Flags = NDArray[np.bool_]

_REACH = 8  # cells that one pass of the filling goes
_PASSES = 64  # 170 mm at a third of a millimetre a cell; a gap is seldom deeper than scans are set off


def box_sum(values: NDArray[np.int64], reach: int) -> NDArray[np.int64]:
    """Sums over squares of 2 x reach + 1 cells; beyond the grid is nought."""
    width = 2 * reach + 1
    down = np.cumsum(np.pad(values, ((reach + 1, reach), (0, 0))), axis=0)
    values = down[width:] - down[:-width]
    across = np.cumsum(np.pad(values, ((0, 0), (reach + 1, reach))), axis=1)
    return across[:, width:] - across[:, :-width]


def filled(colours: Whole, empty: Flags) -> Whole:
    """The colours of cells (rows, columns, channels), with the empty ones filled from the nearest others.

    Each pass gives the empty cells within reach the mean of what is known around them.
    """
    known = ~empty
    out = colours.astype(np.int64) * known[:, :, None]
    for _ in range(_PASSES):
        count = box_sum(known.astype(np.int64), _REACH)
        fresh = ~known & (count > 0)
        if not fresh.any():
            break
        for channel in range(out.shape[2]):
            around = box_sum(out[:, :, channel], _REACH)
            out[:, :, channel][fresh] = around[fresh] // count[fresh]
        known |= fresh
    return out.astype(np.int32)


def enlarged(cells: Whole, cell: int, rows: tuple[int, int], columns: tuple[int, int]) -> Whole:
    """Values between the cells' middles, straight, for pixels [from, to), times (2 x cell) squared."""
    cells = _between(cells, cell, rows)
    return np.swapaxes(_between(np.swapaxes(cells, 0, 1), cell, columns), 0, 1)


def _between(cells: Whole, cell: int, span: tuple[int, int]) -> Whole:
    """Along the first axis; a pixel's middle lies (2 n + 1) / (2 cell) cells from the edge."""
    place = 2 * np.arange(*span) + 1 - cell
    index, rest = place // (2 * cell), place % (2 * cell)
    last = len(cells) - 1
    shape = (-1,) + (1,) * (cells.ndim - 1)
    share = rest.reshape(shape).astype(np.int32)
    low, high = cells[np.clip(index, 0, last)], cells[np.clip(index + 1, 0, last)]
    between: Whole = low * (2 * cell - share) + high * share
    return between

"""The seam: a path of cells through each overlap where the parts differ least."""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from platemark import Parameters, Picture
from platemark_stages.joining.exposure import Exposure, table_of
from platemark_stages.joining.placed import Registration
from platemark_stages.joining.views import Views, views
from platemark_stages.registration.cells import Whole

_NEVER = 1 << 24  # dearer than any path through allowed cells: 65535 x 3 channels x some 80 cells
_CLOSE = 12  # cells; nearer to the edge of a part the blend has no room, so it costs more
_STEP = 200  # of 65535, a cell of the path: a detour must save this much, about the noise


class Seam(Parameters):
    """Where one part ends and the next begins, in cells of the frame.

    Attributes:
        cell: pixels of the frame along a side of a cell.
    """

    cell: int
    upright: list[list[list[int]]] = Field(
        description="Per row of parts, between each two neighbours: for every row of cells the first column "
        "of the right one."
    )
    level: list[int] = Field(
        description="For every column of cells the first row of the lower row of parts; empty for one row of parts."
    )


def find_seam(pictures: Sequence[Picture], registration: Registration, exposure: Exposure) -> Seam:
    """Lay the seams through all overlaps: first within each row of parts, then between the rows."""
    seen = exposed_views(pictures, registration, exposure)
    upright = [[_path(_cost(seen, (left, right))) for left, right in pairwise(row)] for row in registration.rows]
    level: list[int] = []
    if len(registration.rows) > 1:
        above, below = (_row_labels(row, paths, seen) for row, paths in zip(registration.rows, upright, strict=True))
        merged = Views(
            seen.cell,
            [_picked(seen.colours, labels) for labels in (above, below)],
            [_picked(seen.depths, labels) for labels in (above, below)],
        )
        level = _path(_cost(merged, (0, 1)).T)
    return Seam(cell=seen.cell, upright=upright, level=level)


def exposed_views(pictures: Sequence[Picture], registration: Registration, exposure: Exposure) -> Views:
    """The parts at low density with their exposure matched."""
    seen = views(pictures, registration)
    colours = []
    for part, curves in zip(seen.colours, exposure.curves, strict=True):
        bands = [table_of(knots)[part[:, :, channel]] for channel, knots in enumerate(curves)]
        colours.append(np.stack(bands, axis=2).astype(np.int32))
    return Views(seen.cell, colours, seen.depths)


def labels(registration: Registration, seam: Seam, seen: Views) -> Whole:
    """Which part each cell is taken from."""
    chosen = [_row_labels(row, paths, seen) for row, paths in zip(registration.rows, seam.upright, strict=True)]
    label = chosen[0]
    if seam.level:
        lower = np.arange(label.shape[0])[:, None] >= np.array(seam.level)[None, :]
        label = np.where(lower, chosen[1], chosen[0])
    # Two cells from its edge a part may be mixed with what lies beyond; there the part that reaches farthest is taken.
    depths = np.stack(seen.depths)
    shallow = _picked(seen.depths, label) < 2 * seam.cell
    return np.where(shallow, depths.argmax(axis=0), label).astype(np.int32)


def _row_labels(row: Sequence[int], paths: Sequence[Sequence[int]], seen: Views) -> Whole:
    """Which part of one row each cell belongs to, as if it were the only row."""
    rows, columns = seen.depths[0].shape
    place = np.zeros((rows, columns), np.int32)
    for path in paths:
        place += np.arange(columns)[None, :] >= np.array(path)[:, None]
    return np.array(row, np.int32)[place]


def _picked(stack: Sequence[Whole], label: Whole) -> Whole:
    """From each cell of `label` the value of that part."""
    out = np.zeros_like(stack[0])
    for number in np.unique(label):
        out[label == number] = stack[number][label == number]
    return out


def _cost(seen: Views, pair: tuple[int, int]) -> NDArray[np.int64]:
    """What it costs to change parts at each cell: how much they differ in it and its neighbours."""
    i, j = pair
    apart = np.abs(seen.colours[i] - seen.colours[j]).sum(axis=2, dtype=np.int64)
    padded = np.pad(apart, 1, mode="edge")
    rows, columns = apart.shape
    around = sum(padded[y : y + rows, x : x + columns] for y in range(3) for x in range(3)) // 9
    depth = np.minimum(seen.depths[i], seen.depths[j]) // seen.cell
    crowded = np.maximum(_CLOSE - depth, 0) * _STEP
    # Beside the overlap the path passes only where there is no other way: in rows that one part does not reach.
    return np.where(depth >= 2, around + crowded + _STEP, _NEVER)


def _path(cost: NDArray[np.int64]) -> list[int]:
    """The cheapest way from the first row to the last, at most one column aside in each.

    Source:
        Dynamic programming; Efros and Freeman (2001), Image quilting for texture synthesis and transfer, section 2.1.
    """
    rows, columns = cost.shape
    total, come = cost[0].copy(), np.zeros((rows, columns), np.int8)
    for row in range(1, rows):
        wide = np.pad(total, 1, constant_values=np.iinfo(np.int64).max // 2)
        # The straight way first: of equal ways it wins.
        ways = np.stack([wide[1:-1], wide[:-2], wide[2:]])
        best = ways.argmin(axis=0)
        come[row] = np.array([0, -1, 1], np.int8)[best]
        total = cost[row] + np.take_along_axis(ways, best[None], axis=0)[0]
    path = [int(total.argmin())]
    for row in range(rows - 1, 0, -1):
        path.append(path[-1] + int(come[row, path[-1]]))
    return path[::-1]

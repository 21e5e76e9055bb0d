"""The lattice on which the patches of a chart lie: where column i, row j is, whatever its skew."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platemark.characterise.patches import Regions

Numbers = NDArray[np.float64]

# Patches of one chart differ in area by what their rims lose: a factor of 1.5 is generous.
_ALIKE = 1.5
# A patch lies on the lattice when its middle is within this share of a step.
_NEAR = 0.2
_FEWEST = 8


@dataclass(frozen=True)
class Lattice:
    """Where cells lie.

    Attributes:
        map: shape (3, 2): x, y = (column, row, 1) @ map; whole numbers are the middles of cells.
        cells: columns and rows that a patch was seen in, shape (n, 2).
    """

    map: Numbers
    cells: NDArray[np.int64]

    @property
    def skew(self) -> float:
        """Degrees by which rows lie off the nearest axis of the scan, counter-clockwise on screen, -45 to 45."""
        x, y = self.map[0]
        return float((np.degrees(np.arctan2(-y, x)) + 45) % 90 - 45)

    def at(self, cells: NDArray[np.floating] | NDArray[np.int64]) -> Numbers:
        """Pixels of columns and rows, shape (..., 2)."""
        place: Numbers = np.asarray(cells, float) @ self.map[:2] + self.map[2]
        return place


def find_lattice(regions: Regions) -> Lattice | None:
    """The lattice that most of the regions of one size lie on, or None."""
    best: Lattice | None = None
    for group in _groups(regions):
        lattice = _through(group)
        if lattice is not None and (best is None or len(lattice.cells) > len(best.cells)):
            best = lattice
    return best


def _groups(regions: Regions) -> list[Numbers]:
    """Centres of regions of one size, the largest groups first."""
    sizes = np.sort(regions.areas)
    groups: list[Numbers] = []
    while len(sizes) >= _FEWEST:
        within = [np.searchsorted(sizes, size * _ALIKE, "right") - i for i, size in enumerate(sizes)]
        first = int(np.argmax(within))
        if within[first] < _FEWEST or len(groups) == 3:
            break
        low, high = sizes[first], sizes[first] * _ALIKE
        groups.append(regions.centres[(regions.areas >= low) & (regions.areas <= high)])
        sizes = sizes[(sizes < low) | (sizes > high)]
    return groups


def _through(centres: Numbers) -> Lattice | None:
    steps = _steps(centres)
    if steps is None:
        return None
    start = centres[np.argmin(((centres - centres.mean(axis=0)) ** 2).sum(axis=1))]
    fitted = np.vstack([*steps, start])
    reach = 1.5
    for _ in range(12):  # from the middle outwards, so that a small error of the steps does not add up
        cells = np.rint((centres - fitted[2]) @ np.linalg.inv(fitted[:2]))
        off = np.abs((centres - fitted[2]) @ np.linalg.inv(fitted[:2]) - cells).max(axis=1)
        good = (off < _NEAR) & (np.abs(cells).max(axis=1) <= reach)
        if good.sum() < 4 or np.linalg.matrix_rank(np.c_[cells[good], np.ones(good.sum())]) < 3:
            return None
        fitted = np.linalg.lstsq(np.c_[cells[good], np.ones(good.sum())], centres[good], rcond=None)[0]
        reach *= 1.5
    found = np.unique(cells[good].astype(int), axis=0)
    return _upright(fitted, found) if len(found) >= _FEWEST else None


def _steps(centres: Numbers) -> Numbers | None:
    """The step to the next column and that to the next row: the most usual ways between neighbours."""
    apart = centres[None] - centres[:, None]
    length = np.hypot(apart[..., 0], apart[..., 1])
    np.fill_diagonal(length, np.inf)
    near = np.argsort(length, axis=1)[:, :4]
    ways = np.take_along_axis(apart, near[..., None], axis=1).reshape(-1, 2)
    ways *= np.where((ways[:, :1] > 0) | ((ways[:, :1] == 0) & (ways[:, 1:] > 0)), 1, -1)
    first = _most_usual(ways)
    if first is None:
        return None
    turned = np.abs(ways @ first) < 0.5 * np.hypot(*first) * np.hypot(ways[:, 0], ways[:, 1])  # over 60 degrees from it
    second = _most_usual(ways[turned])
    return None if second is None else np.stack([first, second])


def _most_usual(ways: Numbers) -> Numbers | None:
    if len(ways) < 4:
        return None
    size = np.hypot(ways[:, 0], ways[:, 1])
    gap = np.hypot(*(ways[None] - ways[:, None]).transpose(2, 0, 1))
    votes = (gap < 0.12 * size[:, None]).sum(axis=1)
    # Of two that are nearly as usual the shorter: the longer may skip a patch.
    good = np.flatnonzero(votes >= 0.6 * votes.max())
    seed = good[np.argmin(size[good])]
    chosen: Numbers = np.median(ways[gap[seed] < 0.12 * size[seed]], axis=0)
    return chosen


def _upright(fitted: Numbers, cells: NDArray[np.int64]) -> Lattice:
    """The same lattice, its columns counted to the right and its rows down."""
    order = _order(fitted)
    return Lattice(order @ fitted, np.rint(cells @ np.linalg.inv(order[:2, :2])).astype(np.int64))


def _order(fitted: Numbers) -> Numbers:
    """Which step is that across, and its sign; as a matrix to the left of the map."""
    first, second = fitted[:2]
    order = np.eye(3)
    if abs(first[0]) < abs(second[0]):
        order = order[[1, 0, 2]]
        first, second = second, first
    order[0] *= 1 if first[0] > 0 else -1
    order[1] *= 1 if second[1] > 0 else -1
    return order

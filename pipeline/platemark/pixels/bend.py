"""Bends: how a scan is displaced along its carriage, which does not run as evenly as the sensor across it is straight.

The displacement is a cubic spline along the carriage (the scan's y), at the left and at the right edge, and goes
straight from the one to the other: a sheet that lay a little askew saw the same wander earlier on one side.
"""

from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Doubles = NDArray[np.float64]

# Of a carriage's way. A home scanner is off by half a percent on the whole and by one or two for some millimetres; more
# is no carriage, and the renderer, which goes down the scan strip by strip, would have to go back.
_MOST = 0.05


@dataclass(frozen=True)
class Bend:
    """What lies at (x, y) of an even scan lies at (x, y + `at(x, y)`) of the bent one.

    Attributes:
        width: of the scan, pixels.
        height: as `width`.
        table: for evenly spaced places down the scan, the first one step above its top edge and the last one step
            below its bottom, the coefficients of the spline at the left and at the right edge, pixels; 4 at least.
            A spline stays between its coefficients: equal ones move all by as much.

    Raises:
        ValueError: fewer than 4 places, or the carriage would be off by more than 5 percent anywhere.
    """

    width: int
    height: int
    table: tuple[tuple[float, float], ...]

    def __post_init__(self) -> None:
        """Refuse what is no carriage."""
        if len(self.table) < 4:
            raise ValueError(f"a bend has at least 4 places, not {len(self.table)}")
        step = self.height / (len(self.table) - 3)
        steepest = max(abs(after[k] - before[k]) for before, after in pairwise(self.table) for k in (0, 1)) / step
        if not steepest <= _MOST:
            raise ValueError(f"a carriage is off by {_MOST:.0%} at most, not {steepest:.1%}")

    @cached_property
    def _rows(self) -> tuple[Doubles, Doubles]:
        """The displacement at the left edge, and how much more it is at the right, at whole y from 0 to the height."""
        places, weights = self.basis(np.arange(self.height + 1.0), self.height, len(self.table))
        table = np.array(self.table, np.float64)
        left, right = (_sum([table[places + k, side] * weights[k] for k in range(4)]) for side in (0, 1))
        return left, right - left

    def at(self, x: Doubles, y: Doubles) -> Doubles:
        """The displacement, pixels down, at positions of the even scan; beyond its edges as at the edge.

        Sums and products alone, so the same on any machine. Straight between whole y, which is off by less than a
        10 000th of a pixel.
        """
        left, more = self._rows
        inside = np.clip(y, 0, self.height)
        row = np.minimum(inside.astype(np.int32), self.height - 1)
        rest = inside - row
        first = left[row] + rest * (left[row + 1] - left[row])
        added = more[row] + rest * (more[row + 1] - more[row])
        across: Doubles = first + added * (np.clip(x, 0, self.width) / self.width)
        return across

    def span(self, top: float, bottom: float) -> tuple[float, float]:
        """The least and the largest displacement that rows [top, bottom] of the even scan can have."""
        places, _ = self.basis(np.array([top, bottom]), self.height, len(self.table))
        near = self.table[int(places[0]) : int(places[1]) + 4]
        return min(min(pair) for pair in near), max(max(pair) for pair in near)

    @staticmethod
    def basis(y: Doubles, height: float, count: int) -> tuple[NDArray[np.intp], list[Doubles]]:
        """Which coefficients a spline draws from at each y, and with which weights.

        Args:
            y: positions; those beyond [0, height] count as at the edge.
            height: of the scan.
            count: coefficients.

        Returns:
            The first of four coefficients for each y, and the weights of the four; they sum to 1.

        Source:
            The uniform cubic B-spline; de Boor (1978), A practical guide to splines, chapter IX.
        """
        place = np.clip(y, 0, height) * (count - 3) / height
        first = np.minimum(place.astype(np.intp), count - 4)
        f = place - first
        g = 1 - f
        ff, gg = f * f, g * g
        weights = [gg * g / 6, (4 - 3 * ff * (1 + g)) / 6, (4 - 3 * gg * (1 + f)) / 6, ff * f / 6]
        return first, weights


def _sum(terms: list[Doubles]) -> Doubles:
    """Added in the order given, so that it rounds the same way everywhere."""
    total = terms[0]
    for term in terms[1:]:
        total = total + term
    return total

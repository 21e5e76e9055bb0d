"""Lines: the straight side of a sheet, fitted to many positions of which some are wrong."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Doubles = NDArray[np.float64]

# Tukey's constant for 95 % efficiency on Gaussian errors; positions more deviations out than this count nothing.
# Source: Beaton and Tukey (1974), Technometrics 16, 147-185, from memory.
TUKEY = 4.685
# A torn edge wanders by as much as its mean deviation everywhere; a smaller scatter than this would be overconfident.
LEAST_SCATTER = 0.05


@dataclass(frozen=True)
class Line:
    """A side as position across over position along, in pixels of the preview.

    Attributes:
        middle: position along about which it was fitted.
        across: position across at `middle`.
        slope: across per along.
        scatter: robust standard deviation of the positions about the line, pixels.
        slope_error: standard error of the slope.
        across_error: standard error of `across`, pixels.
        share: share of the positions that lie on the line.
    """

    middle: float
    across: float
    slope: float
    scatter: float = 0.0
    slope_error: float = 0.0
    across_error: float = 0.0
    share: float = 1.0

    def at(self, along: Doubles | float) -> Doubles | float:
        """Position across, where the line has come `along`."""
        return self.across + self.slope * (along - self.middle)


def fit(along: Doubles, across: Doubles, weights: Doubles, reach: float) -> Line:
    """Fit a line that a third of false positions cannot turn.

    Starts from the best line through two of the positions (least median distance), then reweights by Tukey's biweight.

    Args:
        along: positions along the side, pixels.
        across: positions across.
        weights: how much each is worth, >= 0.
        reach: pixels; positions further than this from the first line are false in any case.

    Returns:
        The line with its errors.
    """
    start = _least_median(along, across, weights)
    residual = across - start.at(along)
    scatter = max(LEAST_SCATTER, 1.4826 * float(_weighted_median(np.abs(residual), weights)))
    line = start
    along, across, weights = (np.ascontiguousarray(values, dtype=np.float64) for values in (along, across, weights))
    for _ in range(12):
        limit = min(reach, TUKEY * scatter)
        bounded = np.clip(np.abs(residual) / limit, 0, 1)
        trust = weights * (1 - bounded**2) ** 2
        middle, across_mean = float(trust @ along / trust.sum()), float(trust @ across / trust.sum())
        off = along - middle
        spread = float((trust * off) @ off)
        slope = float((trust * off) @ (across - across_mean)) / spread
        line = Line(middle, across_mean, slope)
        residual = across - line.at(along)
    on = np.abs(residual) < min(reach, TUKEY * scatter)
    count = max(3.0, float(trust.sum() ** 2 / np.sum(trust**2)))
    spacing = np.sqrt(spread / trust.sum())
    across_error = scatter / np.sqrt(count - 2)
    return Line(
        middle, across_mean, slope, scatter, float(across_error / spacing), float(across_error), float(np.average(on))
    )


def _weighted_median(values: Doubles, weights: Doubles) -> float:
    order = np.argsort(values)
    running = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(running, running[-1] / 2)])


def _least_median(along: Doubles, across: Doubles, weights: Doubles) -> Line:
    """Line through two of the positions with the least weighted median distance of all others; every pair is tried."""
    step = max(
        1, len(along) // 30
    )  # 300 pairs far apart; with a third of the positions false, 130 are of two good ones
    first, second = np.triu_indices(len(along[::step]), k=max(1, len(along[::step]) // 5))
    x, y = along[::step], across[::step]
    slope = (y[second] - y[first]) / (x[second] - x[first])
    distance = np.abs(across[None, :] - y[first][:, None] - slope[:, None] * (along[None, :] - x[first][:, None]))
    order = np.argsort(distance, axis=1)
    running = np.cumsum(weights[order], axis=1)
    half = np.argmax(running >= running[:, -1:] / 2, axis=1)
    medians = np.take_along_axis(distance, order, axis=1)[np.arange(len(first)), half]
    best = int(np.argmin(medians))
    return Line(float(x[first[best]]), float(y[first[best]]), float(slope[best]))


def crossing(row: Line, column: Line) -> tuple[float, float]:
    """Where a side along the rows (y over x) meets a side along the columns (x over y): (x, y)."""
    start = row.across - row.slope * row.middle
    x = (column.across + column.slope * (start - column.middle)) / (1 - row.slope * column.slope)
    return x, start + row.slope * x

"""Search: how much edge lies along every nearly straight line across the bed.

For lines that run roughly along the rows. (For the other two sides of a sheet the cells are transposed.) Sums along
slanted lines are built by doubling: the sum over a stretch of 2n cells is the sum over its two halves, for every
slope at once. That is the fast Radon transform of Brady, "A fast discrete approximation algorithm for the Radon
transform", SIAM Journal on Computing 27 (1998), from memory.

A line is judged by stretches of about a centimetre: each stretch gives evidence that an edge runs through it,
limited, so that one strong stroke of ink counts no more than a faint shadow that is certain.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]

# tan(12.5 degrees): a sheet that lies further askew was laid so, and is not a matter of deskewing.
STEEPEST = 0.222
STRETCH = 32  # cells, about a centimetre: long enough to average noise, short enough to follow a torn edge
SURE = 5.0  # standard deviations at which a stretch is certain; more counts no more
STRONG = 50.0  # standard deviations above which stronger is not more telling even for where an edge is
NOISE = 2.0  # what the strongest of three planes comes to by noise alone, 98 times of 100 as a mean over the band
SEEN = 3.0  # standard deviations at which a stretch counts as seen: one in 370 by chance
APART = 5.0  # cells, 1.7 mm: evidence spreads over the shadow, so closer lines are one edge
TURNED = 0.035  # 2 degrees: a stretch of evidence half a millimetre wide and a hand long is seen this far off its slope
TRIES = 4  # lines looked at for each one taken: each strong edge is met a few times, turned a little
STEP = 2  # cells before and after a line that are compared
# Grey levels, for lightness and both colour differences. Rounding in a flat area does not average away along a line:
# the blocks of a JPEG step by up to a third of a level there, and all along a row. That is three times this.
FLATTEST = np.array([0.1, 0.15, 0.15], dtype=np.float32)
QUIET_FROM, QUIET_TO = 4, 11  # cells beyond the line, 1.7 to 3.7 mm: past the shadow, where bare lid should be


@dataclass(frozen=True)
class Evidence:
    """Edge evidence of one family of lines, for lines with something on their far side and bare lid before it.

    Attributes:
        stretches: (stretch, slope, offset): evidence in standard deviations, 0..SURE, of a line that enters the stretch
            at row `offset` and climbs `slope - steepest` cells over it.
        lines: (slope, offset): sum over the bed of the same.
        count: number of real stretches (the rest is padding).
    """

    stretches: Floats
    lines: Floats
    count: int


def _doubled(sums: Floats, width: int) -> Floats:
    """Join neighbouring stretches of `width` cells: (stretch, slope, offset, ...) to half as many, twice as long."""
    reach = sums.shape[1] // 2
    longer = int(STEEPEST * (2 * width - 1)) + 1
    joined = np.zeros((sums.shape[0] // 2, 2 * longer + 1, *sums.shape[2:]), dtype=sums.dtype)
    left, right, rows = sums[0::2], sums[1::2], sums.shape[2]
    for rise in range(-longer, longer + 1):
        half = int(np.clip(rise // 2, -reach, reach))
        step = rise - half  # where the right half begins, against the left
        target = joined[:, rise + longer]
        target += left[:, half + reach]
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


def stretch_strengths(cells: Floats) -> Floats:
    """Edge strength in every stretch, every slope and offset, in standard deviations of the scan's own noise.

    Args:
        cells: (rows, columns, planes).

    Returns:
        (stretch, slope, offset), the strongest of the planes. Padded to a power of two of stretches.
    """
    sums = _step_across(cells)
    stretches = 1 << int(np.ceil(np.log2(max(1.0, sums.shape[0] / STRETCH))))
    padding = stretches * STRETCH - sums.shape[0]
    sums = np.pad(sums, ((0, padding), (0, 0), (0, 0)))[:, None]
    width = 1
    while width < STRETCH:
        sums, width = _doubled(sums, width), 2 * width
    np.abs(sums, out=sums)
    sums /= np.maximum(_noise(sums[: max(1, (stretches * STRETCH - padding) // STRETCH)]), STRETCH * FLATTEST)
    # Plane by plane: numpy is slow at the maximum over a short last axis.
    strength: Floats = np.maximum.reduce([sums[..., plane] for plane in range(sums.shape[3])])
    return strength


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


def evidence_before(strength: Floats, count: int) -> Evidence:
    """Evidence of lines that have quiet lid at the smaller offsets, that is above: the upper side of a sheet.

    Args:
        strength: from `stretch_strengths`; flip slopes and offsets for the lower side.
        count: number of real stretches.

    Returns:
        The evidence. What lies beyond the line is subtracted, twice where it is more than noise: in the middle of art
        there is an edge in every stretch at every offset, beside a sheet there is one edge and then nothing.
    """
    top = _tops(strength)
    strength = np.minimum(strength, np.float32(STRONG))
    running = np.pad(np.cumsum(strength, axis=2), ((0, 0), (0, 0), (1, 0)))
    offsets = np.arange(strength.shape[2])
    first, last = np.maximum(offsets - QUIET_TO, STEP), np.maximum(offsets - QUIET_FROM, STEP)
    beyond = (running[:, :, last] - running[:, :, first]) / np.maximum(last - first, 1)
    sure = np.clip(strength - beyond - np.maximum(beyond - NOISE, 0), 0.0, SURE)
    # The flanks of a step are certain too, two cells each way: a line must go by the tops to lie at the right slope.
    # A torn edge wanders off its line, so the flanks count something.
    stretches = (sure * (0.8 + 0.2 * top)).astype(np.float32)
    # Nearer to the rim no lid is seen beyond the line, and the lamp's light along the rim looks like an edge.
    stretches[:, :, : QUIET_FROM + STEP + 1] = 0.0
    lines, width = stretches * (0.2 + 0.8 * top), STRETCH
    while lines.shape[0] > 1:
        lines, width = _doubled(lines, width), 2 * width
    return Evidence(stretches=stretches, lines=lines[0], count=count)


def _tops(strength: Floats) -> Floats:
    """Strength as a share of the greatest within APART cells before and after, 0..1."""
    reach = int(APART)
    greatest = strength.copy()
    for step in range(1, reach + 1):
        np.maximum(greatest[:, :, step:], strength[:, :, :-step], out=greatest[:, :, step:])
        np.maximum(greatest[:, :, :-step], strength[:, :, step:], out=greatest[:, :, :-step])
    return np.asarray(strength / np.maximum(greatest, np.float32(1e-6)))


@dataclass(frozen=True)
class Candidate:
    """A line that may be a side of the sheet, in cells.

    Attributes:
        start: row at which it enters at column 0.
        slope: rows per column.
        seen: evidence stretch by stretch, in standard deviations, 0..SURE.
    """

    start: float
    slope: float
    seen: Floats

    def at(self, column: float | Floats) -> float | Floats:
        """Row of the line at a column."""
        return self.start + self.slope * column


def candidates(evidence: Evidence, most: int) -> list[Candidate]:
    """Take the strongest lines, each edge once.

    Args:
        evidence: of one family.
        most: how many to take.

    Returns:
        The strongest first.
    """
    slopes, rows = evidence.lines.shape
    reach, full = slopes // 2, evidence.stretches.shape[0] * STRETCH - 1
    slope = ((np.arange(slopes) - reach) / full)[:, None]
    start = np.arange(rows)[None, :]
    left = evidence.lines.copy()
    # A line must be certain over a tenth of the bed at least: 22 mm on A4, less than the smallest sheet looked for.
    least = SURE * evidence.count / 10
    found: list[Candidate] = []
    for _ in range(TRIES * most):
        peak = int(np.argmax(left))
        line = Candidate(float(peak % rows), float((peak // rows - reach) / full), np.zeros(0, dtype=np.float32))
        if len(found) == most or left.flat[peak] < least:
            break
        line = replace(line, seen=_along(evidence, line.start, line.slope))
        if _own_evidence(line, found) >= least:
            found.append(line)
        # The same edge is found again at other slopes, turned about the middle of what is seen of it.
        middle = STRETCH * float(np.average(np.arange(evidence.count) + 0.5, weights=line.seen + 1e-3))
        turned = np.abs(start + slope * middle - line.start - line.slope * middle) < APART
        left[turned & (np.abs(slope - line.slope) < TURNED)] = 0.0
    return found


def _own_evidence(line: Candidate, found: list[Candidate]) -> float:
    """Sum of the evidence along a line where no line found before lies so close that it is the same edge.

    The step of a light sheet on a dark lid is certain two cells before and after its top: at every slope at which a
    line stays within them it would be found once more, and leave no room for the other sides.
    """
    middles = STRETCH * (np.arange(len(line.seen)) + 0.5)
    own = np.ones(len(line.seen), dtype=bool)
    for other in found:
        own &= (np.abs(line.at(middles) - other.at(middles)) > APART) | (other.seen < SEEN)
    return float(line.seen[own].sum())


def _along(evidence: Evidence, start: float, slope: float) -> Floats:
    """Read the evidence of every real stretch along one line; the best of the offsets half a millimetre around."""
    stretch = np.arange(evidence.count)
    reach, rows = evidence.stretches.shape[1] // 2, evidence.stretches.shape[2]
    rise = int(np.clip(round(slope * (STRETCH - 1)), -reach, reach)) + reach
    offset = np.rint(start + slope * STRETCH * stretch).astype(int)[:, None] + np.array([-1, 0, 1])
    inside = (offset >= 0) & (offset < rows)
    seen: Floats = np.where(inside, evidence.stretches[stretch[:, None], rise, np.clip(offset, 0, rows - 1)], 0.0).max(
        axis=1
    )
    return seen

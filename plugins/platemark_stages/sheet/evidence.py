"""Evidence: which lines across the bed are edges, judged by stretches of about a centimetre.

Each stretch gives evidence that an edge runs through it, limited, so that one strong stroke of ink counts no more than
a faint shadow that is certain.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .search import STEP, STRETCH, Floats, doubled

Flags = NDArray[np.bool_]

SURE = 5.0  # standard deviations at which a stretch is certain; more counts no more
STRONG = 50.0  # standard deviations above which stronger is not more telling even for where an edge is
NOISE = 2.0  # what the strongest of three planes comes to by noise alone, 98 times of 100 as a mean over the band
SEEN = 3.0  # standard deviations at which a stretch counts as seen: one in 370 by chance
APART = 5.0  # cells, 1.7 mm: evidence spreads over the shadow, so closer lines are one edge
TURNED = 0.035  # 2 degrees: a stretch of evidence half a millimetre wide and a hand long is seen this far off its slope
TRIES = 4  # lines looked at for each one taken: each strong edge is met a few times, turned a little
QUIET_FROM, QUIET_TO = 4, 11  # cells beyond the line, 1.7 to 3.7 mm: past the shadow, where bare lid should be


@dataclass(frozen=True)
class Evidence:
    """Edge evidence of one family of lines, for lines with something on their far side and bare lid before it.

    Attributes:
        stretches: (stretch, slope, offset): evidence in standard deviations, 0..SURE, of a line that enters the stretch
            at row `offset` and climbs `slope - steepest` cells over it.
        peaks: the same, mostly of what is at the top of its step.
        count: number of stretches that lie in the picture as a whole.
    """

    stretches: Floats
    peaks: Floats
    count: int

    def lines(self) -> Floats:
        """Sum of the peaks over the bed, (slope, offset)."""
        sums, width = self.peaks, STRETCH
        while sums.shape[0] > 1:
            sums, width = doubled(sums, width), 2 * width
        return np.asarray(sums[0])

    @property
    def full(self) -> int:
        """Cells along the lines of `lines`, less one: the stretches are joined two by two until one is left."""
        width = STRETCH
        while width < len(self.peaks) * STRETCH:
            width *= 2
        return width - 1


def within(strength: Floats, free: Flags) -> Floats:
    """Edge strength where `free` is set, (rows, columns), nothing elsewhere; a stretch lies where its middle does."""
    slopes, rows = strength.shape[1:]
    columns = np.minimum(STRETCH * np.arange(len(strength)) + STRETCH // 2, free.shape[1] - 1)
    rises = (np.arange(slopes) - slopes // 2) // 2
    middles = np.clip(np.arange(rows)[None, :] + rises[:, None], 0, free.shape[0] - 1)
    return np.asarray(strength * free.T[columns][:, middles])


def evidence_before(strength: Floats, top: Floats, count: int, margin: int = 0) -> Evidence:
    """Evidence of lines that have quiet lid at the smaller offsets, that is above: the upper side of a sheet.

    Args:
        strength: from `stretch_strengths`; flip slopes and offsets for the lower side.
        top: from `tops_of`, flipped alike.
        count: number of real stretches.
        margin: offsets put in before the first row of the bed, in which there is nothing.

    Returns:
        The evidence. What lies beyond the line is subtracted, twice where it is more than noise: in the middle of art
        there is an edge in every stretch at every offset, beside a sheet there is one edge and then nothing.
    """
    strength = np.minimum(strength, np.float32(STRONG))
    beyond = _beyond(strength, margin)
    sure = np.clip(strength - beyond - np.maximum(beyond - NOISE, 0), 0.0, SURE)
    stretches = np.asarray(sure * (0.8 + 0.2 * top), dtype=np.float32)
    # Nearer to the rim no lid is seen beyond the line, and the lamp's light along the rim looks like an edge.
    stretches[:, :, : margin + QUIET_FROM + STEP + 1] = 0.0
    # The flanks of a step are certain too, two cells each way: a line must go by the tops to lie at the right slope.
    # A torn edge wanders off its line, so the flanks count something.
    return Evidence(stretches, stretches * (0.2 + 0.8 * top), count)


def _beyond(strength: Floats, margin: int) -> Floats:
    """Mean strength where lid should be, QUIET_FROM to QUIET_TO cells before each offset."""
    beyond = np.zeros_like(strength)
    for distance in range(QUIET_FROM + 1, QUIET_TO + 1):
        beyond[:, :, STEP + distance :] += strength[:, :, STEP:-distance]
    # Next to the rim there are fewer of them.
    number = np.clip(np.arange(strength.shape[2]) - margin - STEP - QUIET_FROM, 1, QUIET_TO - QUIET_FROM)
    beyond /= number.astype(np.float32)
    return beyond


def tops_of(strength: Floats) -> Floats:
    """Strength as a share of the greatest within APART cells before and after, 0..1."""
    rows = strength.shape[2]
    wide = np.pad(strength, ((0, 0), (0, 0), (int(APART), int(APART))))
    # The greatest of 2, 4, 8 and then of all eleven neighbours.
    for step in (1, 2, 4, 3):
        wide = np.maximum(wide[:, :, :-step], wide[:, :, step:])
    return np.asarray(strength / np.maximum(wide[:, :, :rows], np.float32(1e-6)))


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
    left = evidence.lines()
    slopes, rows = left.shape
    reach, full = slopes // 2, evidence.full
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
        _leave_out(left, line, full)
    return found


def parallels(evidence: Evidence, slope: float, most: int) -> list[Candidate]:
    """The strongest lines of one slope, each edge once.

    Args:
        evidence: of one family.
        slope: rows per column.
        most: how many to take.
    """
    rows = evidence.stretches.shape[2]
    lines = [Candidate(float(row), slope, _along(evidence, float(row), slope)) for row in range(rows)]
    sums = np.array([line.seen.sum() for line in lines])
    found: list[Candidate] = []
    while len(found) < most and sums.max() > 0:
        place = int(np.argmax(sums))
        found.append(lines[place])
        sums[max(0, place - int(APART)) : place + int(APART) + 1] = 0
    return found


def _leave_out(left: Floats, line: Candidate, full: int) -> None:
    """Clear the lines that are the same edge found again: turned about the middle of what is seen of it."""
    slopes, rows = left.shape
    middle = STRETCH * float(np.average(np.arange(len(line.seen)) + 0.5, weights=line.seen + 1e-3))
    here, turn = round(line.slope * full) + slopes // 2, int(TURNED * full)
    near = np.arange(max(0, here - turn), min(slopes, here + turn + 1))
    start = line.start + (line.slope - (near - slopes // 2) / full) * middle
    first, last = (np.clip(np.rint(start + side), 0, rows).astype(int) for side in (-APART, APART + 1))
    for index, begin, end in zip(near.tolist(), first.tolist(), last.tolist(), strict=True):
        left[index, begin:end] = 0.0


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

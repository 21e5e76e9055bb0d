"""Profiles: signed brightness and tint across a side, from paper to lid, and where in them the paper ends.

The preview is read along a rough line, averaged in short blocks along it, and each block is laid over the mean
profile of the whole side: the shape may be a step, the dark line of a shadow, a change of tint or all of these.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .lines import Line, fit
from .planes import OPPONENT

Doubles = NDArray[np.float64]

BLOCK_MM = 4.0  # long enough to average noise, short enough that a slope error of half a degree blurs by 0.03 mm only
REACH_MM = 2.0  # each way: the rough line is out by half a millimetre at its ends, a torn edge wanders as much again
CORNER_MM = 3.0  # left out at both ends: the other side's shadow, rounded corners
FLANK = 0.35  # of the greatest slope in the profile: a flank that counts, well above the tail of a soft shadow
WINDOW = 6  # pixels each way of the edge that the mean shape covers
SEEN = 3.0  # standard deviations at which an edge counts as seen in a block; one in 370 by chance
LEAST_BLOCKS = 5  # 20 mm of edge
WANDER_MM = 3.0  # what strays further than this from the line is no part even of a torn edge
STRAY = 3.0  # times SEEN: a block so clear is an edge even where it strays a millimetre, as those of torn paper do
PLACE_TRUST = 0.1  # of a rounding step as noise of one pixel's slope: blocks are smoothed over some five pixels
NOISE_FLOOR = 0.1  # grey levels; see FLATTEST in search.py


@dataclass(frozen=True)
class Band:
    """Profiles of one side.

    Attributes:
        along: position of each block along the side, pixels.
        base: rough position across of each block, pixels.
        slopes: (block, offset, plane) differences of neighbouring offsets, outwards, in standard deviations of noise.
        offsets: of the differences, pixels outwards of `base`.
        outward: +1 where outwards is to larger positions, else -1.
        means: (block, offset, plane) the profiles themselves, in grey levels.
    """

    along: Doubles
    base: Doubles
    slopes: Doubles
    offsets: Doubles
    outward: int
    means: Doubles


def read_band(
    preview: NDArray[np.uint16],
    rough: Line,
    first: float,
    last: float,
    outward: int,
    ppi: float,
    rounding: tuple[float, ...] = (0.0, 0.0, 0.0),
    block_mm: float = BLOCK_MM,
) -> Band:
    """Read the profiles along a rough line.

    Args:
        preview: (along, across, 3) - transpose it for sides along the rows.
        rough: the line to read along, pixels.
        first: where along it the side begins.
        last: where it ends.
        outward: +1 or -1.
        ppi: resolution.
        rounding: steps between the blocks of a JPEG, grey levels for each plane.
        block_mm: length of a block.

    Returns:
        The band. Where it leaves the picture, the last pixel is repeated, which shows as no edge.
    """
    length, width = preview.shape[:2]
    per_mm = ppi / 25.4
    begin, end = max(0, round(first + CORNER_MM * per_mm)), min(length, round(last - CORNER_MM * per_mm))
    block = max(4, round(block_mm * per_mm))
    count = max(1, (end - begin) // block)
    along = np.arange(begin, begin + count * block)
    reach = round(REACH_MM * per_mm)
    steps = np.arange(-reach, reach + 1)
    base = np.asarray(rough.at(along + 0.5))
    position = base[:, None] + outward * steps[None, :] - 0.5
    left = np.floor(position).astype(np.int64)
    share = (position - left)[..., None].astype(np.float32)
    rows = along[:, None]
    low = preview[rows, np.clip(left, 0, width - 1)].astype(np.float32)
    high = preview[rows, np.clip(left + 1, 0, width - 1)].astype(np.float32)
    values = (low + (high - low) * share) @ OPPONENT
    means = values.reshape(count, block, len(steps), 3).mean(axis=1).astype(np.float64)
    slopes = np.diff(means, axis=1)
    # Noise from the outermost quarter, where nothing but lid should be.
    outside = slopes[:, -len(steps) // 4 :]
    # Root mean square within a block, since the tiles of a JPEG are flat and step at their borders.
    # A step of rounding is no evidence of where an edge is, only that there is one within the block.
    least = np.maximum(NOISE_FLOOR, PLACE_TRUST * np.asarray(rounding))
    noise = np.maximum(np.median(np.sqrt(np.mean(outside**2, axis=1)), axis=0), least)
    middle = along.reshape(count, block).mean(axis=1) + 0.5
    return Band(
        middle, np.asarray(rough.at(middle)), slopes / noise, (steps[:-1] + 0.5).astype(np.float64), outward, means
    )


@dataclass(frozen=True)
class Edge:
    """A side measured.

    Attributes:
        line: fitted to the place where the paper ends.
        strength: height of the edge in standard deviations of the noise in one block, median over the seen.
        share: share of the blocks in which it is seen and where the line says.
        inside: median colour (lightness and differences, grey levels) just within it.
        outside: the same just beyond it.
        rival_mm: how far beside it another edge is seen that may be the true one; 0 where none is.
        bay: how far the paper falls back within the line, pixels; 0 where it is cut clean.
        tongue: how far it reaches out beyond the line.
        by_blocks: only the colour of the blocks of a JPEG shows it, so it may be off by half a block.
        level: `by_blocks`, and so level that it lies along one border of them.
    """

    line: Line
    strength: float
    share: float
    inside: Doubles
    outside: Doubles
    by_blocks: bool = False
    level: bool = False
    rival_mm: float = 0.0
    bay: float = 0.0
    tongue: float = 0.0


def measure_edge(band: Band, ppi: float) -> Edge | None:
    """Fit the side to the blocks of a band.

    Args:
        band: from `read_band`.
        ppi: resolution.

    Returns:
        The edge, or None where fewer than five blocks show any.
    """
    per_mm = ppi / 25.4
    energy = np.sum(band.slopes**2, axis=2)
    # Ink that crosses the band is stronger than any edge; no block may count much more than half of them do.
    limit = 2.0 * float(np.sqrt(np.median(energy.max(axis=1))))
    energy = np.minimum(energy, limit**2)
    peak = np.argmax(energy[:, :-2] + energy[:, 1:-1] + energy[:, 2:], axis=1) + 1
    # One pixel's slope is but a part of the edge: half is enough here, where a wrong place does no harm.
    seen = np.sqrt(energy[np.arange(len(peak)), peak]) > SEEN / 2
    if np.count_nonzero(seen) < LEAST_BLOCKS:
        return None
    capped = replace(band, slopes=np.clip(band.slopes, -limit, limit))
    line = fit(band.along, band.offsets[peak], seen.astype(float), WANDER_MM * per_mm)
    for _ in range(2):
        shape = mean_shape(capped, line)
        extra = min(4 + round(2 * line.scatter), len(band.offsets) // 2)
        shift, match = places_of(capped, line, shape, extra)
        place = np.asarray(line.at(band.along)) + shift
        line = fit(band.along, place, np.minimum(match, 2 * SEEN) + 1e-3, WANDER_MM * per_mm)
    near = np.maximum(np.where(match > STRAY * SEEN, per_mm, per_mm / 2), 3 * line.scatter)
    seen = (match > SEEN) & (np.abs(place - np.asarray(line.at(band.along))) < near)
    ends = _paper_ends(mean_shape(capped, line))
    near, far = _colours(band, line, ends, per_mm)
    return Edge(_in_picture(band, line, ends), float(np.median(match)), float(np.mean(seen)), near, far)


def _in_picture(band: Band, line: Line, ends: float) -> Line:
    """Line in pixels of the preview, from one in offsets against the rough line."""
    across = band.base + band.outward * (np.asarray(line.at(band.along)) + ends)
    slope, start = np.polyfit(band.along, across, 1)
    return replace(line, across=float(start + slope * line.middle), slope=float(slope))


def _cut(band: Band, line: Line, extra: int = 0) -> Doubles:
    """Slopes of each block about the line, resampled, (block, 2 * (WINDOW + extra) + 1, plane)."""
    places = np.arange(-WINDOW - extra, WINDOW + extra + 1)
    index = np.asarray(line.at(band.along))[:, None] - band.offsets[0] + places
    low = np.floor(index).astype(np.int64)
    share = (index - low)[..., None]
    rows, most = np.arange(len(band.along))[:, None], band.slopes.shape[1] - 1
    slopes = (
        band.slopes[rows, np.clip(low, 0, most)] * (1 - share) + band.slopes[rows, np.clip(low + 1, 0, most)] * share
    )
    return np.where(((low >= 0) & (low < most))[..., None], slopes, 0.0)  # nothing is known beyond what was read


def mean_shape(band: Band, line: Line) -> Doubles:
    """The shape most blocks share, up to its sign and strength: art that bleeds off the sheet changes both."""
    cut = _cut(band, line)
    _, _, axes = np.linalg.svd(cut.reshape(len(cut), -1), full_matrices=False)
    shape = axes[0].reshape(cut.shape[1:])
    return np.asarray(shape)


def places_of(band: Band, line: Line, shape: Doubles, extra: int) -> tuple[Doubles, Doubles]:
    """Shift of each block against the line by matching the shape, and how well it matches in standard deviations."""
    cut = _cut(band, line, extra)
    size = 2 * WINDOW + 1
    scores = np.stack([np.abs(np.tensordot(cut[:, k : k + size], shape, axes=2)) for k in range(2 * extra + 1)], axis=1)
    best = np.clip(np.argmax(scores, axis=1), 1, 2 * extra - 1)
    rows = np.arange(len(scores))
    before, at, after = scores[rows, best - 1], scores[rows, best], scores[rows, best + 1]
    bend = before - 2 * at + after
    part = np.where(bend < 0, 0.5 * (before - after) / np.where(bend < 0, bend, 1), 0.0)
    return best - extra + np.clip(part, -1, 1), at


def _paper_ends(shape: Doubles) -> float:
    """Offset in the mean shape at which the paper ends: the centre of its innermost flank.

    From inside the paper is even up to its edge; what follows - shadow, lit cut, lid - lies beyond it.
    """
    size = np.sqrt(np.sum(shape**2, axis=1))
    places = np.arange(-WINDOW, WINDOW + 1)
    tops = [
        k
        for k in range(1, len(size) - 1)
        if size[k] >= size[k - 1] and size[k] >= size[k + 1] and size[k] > FLANK * size.max()
    ]
    top = tops[0] if tops else int(np.argmax(size))
    # Project on the direction of change at the top: the next flank goes the other way and is left out by its sign.
    along = np.maximum(shape @ shape[top], 0.0)
    around = slice(max(0, top - 2), top + 3)
    return float(np.sum(places[around] * along[around]) / np.sum(along[around]))


def _colours(band: Band, line: Line, ends: float, per_mm: float) -> tuple[Doubles, Doubles]:
    """Median colours 0.5 to 1.5 mm within the edge and 1 to 2 mm beyond."""
    offset = (
        np.arange(band.means.shape[1])[None, :]
        + band.offsets[0]
        - 0.5
        - (np.asarray(line.at(band.along)) + ends)[:, None]
    )
    within, beyond = (offset < -0.5 * per_mm) & (offset > -1.5 * per_mm), (offset > per_mm) & (offset < 2 * per_mm)
    if not within.any() or not beyond.any():
        return np.zeros(3), np.full(3, np.inf)  # the edge lies at the rim of what was read: unlike any lid
    return np.median(band.means[within], axis=0), np.median(band.means[beyond], axis=0)

"""What each of the two scans gives to every place of the average, found at low density; all integers.

Three things decide it:

- Exposure: the lamp is not equally bright everywhere, and a turned sheet saw it the other way round. Slowly, over some
  8 mm, both are brought to their common mean.
- Cover: the turned scan counts less towards its own edge and nothing beyond, so there is no line where it ends.
- Dust: where the two differ by more than their grain and their edges explain, and one of them is like the paper around
  and the other is not, the first is taken alone. Where neither is, the mean stays: then the speck is half as strong.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platemark_stages.registration.cells import Flags, Whole, box_sum, filled

ONE = 1 << 16  # a share of all
HALF = ONE // 2
_CELL_PPI = 150  # a cell is 0.17 mm: the smallest speck that is seen on a print
_COARSE = 8  # cells along the side of one for what is slow, 1.4 mm
_REACH, _PASSES = 3, 3  # of coarse cells: three passes of 7 smooth over some 8 mm
_DARK = 1300  # of 65535 added to both before they are compared: in the dark it is noise that differs
_RIM_MM, _FADE_MM = 1.0, 6.0  # the scanner's own frame, and how softly the turned scan ends
_FACTOR = 4  # times the mean difference around: beyond 99.8 percent of normal differences
_LEAST = 650  # of 65535, one percent: less is not seen as a speck
_AROUND = 12  # cells, 2 mm: what counts as the paper around a speck


@dataclass(frozen=True)
class Shares:
    """For each cell the factors of both scans, in 65536ths; shape (rows, columns, channels)."""

    cell: int
    upright: Whole
    turned: Whole


def cell_of(ppi: float) -> int:
    """Pixels along the side of a cell."""
    return max(2, round(ppi / _CELL_PPI))


def shares(upright: Whole, turned: Whole, depth: Whole, cell: int, ppi: float) -> Shares:
    """What each scan gives.

    Args:
        upright: means of the cells, shape (rows, columns, channels), 0 to 65535.
        turned: as `upright`, of the turned scan laid on it.
        depth: how far inside the turned scan each cell's middle lies, pixels; negative outside.
        cell: pixels along the side of a cell.
        ppi: of the scans.
    """
    millimetre = ppi / 25.4
    inside = depth > _RIM_MM * millimetre
    gains = _gains(upright, turned, inside)
    even = [_times(own, gain) for own, gain in zip((upright, turned), gains, strict=True)]
    dusty = _dusty(even[0], even[1], inside)
    del even
    clean = inside & ~dusty[0] & ~dusty[1]
    gains = _gains(upright, turned, clean)
    fade = max(1, round(_FADE_MM * millimetre))
    beyond = np.clip(depth - round(_RIM_MM * millimetre), 0, fade).astype(np.int64)
    weight = beyond * HALF // fade
    weight = np.where(_grown(dusty[1]), 0, np.where(_grown(dusty[0]) & inside, ONE, weight))
    weight = np.where(inside, _soft(weight), 0)[:, :, None]
    return Shares(cell, _times(gains[0], ONE - weight), _times(gains[1], weight))


def _gains(upright: Whole, turned: Whole, good: Flags) -> tuple[Whole, Whole]:
    """The slow factors, in 65536ths, that bring both to their mean; beyond the good cells as in the nearest."""
    rows, columns = good.shape
    mask = good[:, :, None].astype(np.int32)
    sums = [_coarse(own * mask) for own in (upright, turned)]
    count = _coarse(mask)
    sums = [_slow(total + _DARK * count) for total in sums]
    known = _slow(count)[:, :, 0] > 0
    middle = (sums[0] + sums[1]) // 2
    found = []
    for total in sums:
        gain = np.where(known[:, :, None], np.minimum(middle * ONE // np.maximum(total, 1), 4 * ONE), ONE)
        gain = filled(gain.astype(np.int32), ~known) if known.any() else np.full_like(gain, ONE)
        found.append(_fine(gain)[:rows, :columns])
    return found[0], found[1]


def _coarse(values: Whole) -> NDArray[np.int64]:
    """Sums over squares of cells; those beyond the last are nought."""
    rows, columns, channels = values.shape
    padded = np.pad(values, ((0, -rows % _COARSE), (0, -columns % _COARSE), (0, 0)))
    shape = (padded.shape[0] // _COARSE, _COARSE, padded.shape[1] // _COARSE, _COARSE, channels)
    total: NDArray[np.int64] = padded.reshape(shape).sum(axis=(1, 3), dtype=np.int64)
    return total


def _slow(values: NDArray[np.int64]) -> NDArray[np.int64]:
    """Sums over what lies around, near more than far."""
    for _ in range(_PASSES):
        values = np.stack([box_sum(values[:, :, k], _REACH) for k in range(values.shape[2])], axis=-1)
    return values


def _fine(values: Whole) -> Whole:
    """From coarse cells to cells, straight between their middles."""
    for _ in (0, 1):
        place = 2 * np.arange(len(values) * _COARSE) + 1 - _COARSE
        index, rest = place // (2 * _COARSE), (place % (2 * _COARSE)).astype(np.int32)[:, None, None]
        low, high = (values[np.clip(index + k, 0, len(values) - 1)] for k in (0, 1))
        # A gain of 4 is 2 to the 18th, and 16 times that has room in 32 bits.
        values = np.swapaxes((low * (2 * _COARSE - rest) + high * rest) // (2 * _COARSE), 0, 1)
    return values


def _times(values: Whole, share: Whole | NDArray[np.int64]) -> Whole:
    """Values by 65536ths."""
    scaled: Whole = ((values.astype(np.int64) * share + HALF) // ONE).astype(np.int32)
    return scaled


def _dusty(upright: Whole, turned: Whole, inside: Flags) -> tuple[Flags, Flags]:
    """The cells where the upright, and those where the turned scan alone shows something that is not on the sheet."""
    apart = np.abs(upright - turned).max(axis=2).astype(np.int64) * inside
    usual = _mean(apart, inside, 2 * _AROUND)
    slope = np.minimum(_range(upright), _range(turned)) // 2
    unlike = inside & (apart > _FACTOR * usual + slope + _LEAST)
    if not unlike.any():
        return unlike, unlike
    around = inside & ~unlike
    off = []
    for own in (upright, turned):
        ground = [
            _mean((upright[:, :, k] + turned[:, :, k]) // 2 * around, around, _AROUND) for k in range(own.shape[2])
        ]
        off.append(np.abs(own - np.stack(ground, axis=-1)).max(axis=2))
    # One is like its surroundings only when the other is further off by most of what they differ.
    return unlike & (off[0] - off[1] > apart // 2), unlike & (off[1] - off[0] > apart // 2)


def _mean(values: NDArray[np.int64], mask: Flags, reach: int) -> NDArray[np.int64]:
    return box_sum(values, reach) // np.maximum(box_sum(mask.astype(np.int64), reach), 1)


def _range(values: Whole) -> NDArray[np.int64]:
    """The largest less the least value of each cell and its eight neighbours, of the channel where that is most."""
    padded = np.pad(values, ((1, 1), (1, 1), (0, 0)), mode="edge")
    rows, columns = values.shape[:2]
    largest, least = values, values
    for down in range(3):
        for across in range(3):
            shifted = padded[down : down + rows, across : across + columns]
            largest, least = np.maximum(largest, shifted), np.minimum(least, shifted)
    most: NDArray[np.int64] = (largest - least).max(axis=2).astype(np.int64)
    return most


def _grown(flags: Flags) -> Flags:
    """Two cells wider: the faint rim of a speck."""
    grown: Flags = box_sum(flags.astype(np.int64), 2) > 0
    return grown


def _soft(weight: NDArray[np.int64]) -> NDArray[np.int64]:
    """Over three cells, 1 2 1 along both axes."""
    padded = np.pad(weight, 1, mode="edge")
    down = padded[:-2] + 2 * padded[1:-1] + padded[2:]
    soft: NDArray[np.int64] = (down[:, :-2] + 2 * down[:, 1:-1] + down[:, 2:] + 8) // 16
    return soft

"""Streaks: columns or rows that a dirty or badly balanced sensor cell makes darker or brighter all along the scan."""

import numpy as np
import pyvips
from numpy.typing import NDArray

from platemark_stages.dust.survey import Floats, Pixels

Streak = list[float]
"""Number of the column or row, counted from 0, and by how much each channel is multiplied there."""

# Beside a column lie its neighbours of the same streak; what is further off serves as the ground.
_NEAR, _FAR = 3, 6
# A column that is off by less than 0.4 % cannot be seen (1 in 255 is the finest step of most files).
_LEAST = 0.004
# Ordinary columns differ a little, too; this many robust standard deviations among them.
_DEVIATIONS = 6.0
# A streak changes light by some per cent; what takes away a quarter of it is a drawn line or the edge of a sheet.
_MOST = 0.25
# Where the two sides differ by more than this, an edge of the art runs along the column.
_LEVEL = 0.03
# Below a fifth of the full value the finest step of most files is 2 %, coarser than most streaks.
_DARK = 65535 / 5
# A streak is in the ground of its neighbours: a quarter of each side, so they seem off by a quarter of it at most.
_SHADOW = 0.3
# The art may hide a streak here and there, but what is missing in more places ends: streaks do not. An edge of the
# sheet that lies along a column ends before the scan does.
_THROUGHOUT = 0.9
_SEEN_IN = 0.5
_ENDS = 3
_FRACTION_BITS = 14


def find_streaks(means: Floats) -> list[Streak]:
    """Columns (or rows) to correct, in order.

    Args:
        means: shape (runs along the streak, columns, channels), 0 to 65535.
    """
    if means.shape[0] < 2 * _ENDS or means.shape[1] <= 4 * _FAR:
        return []
    left, right = _sides(means, -1), _sides(means, 1)
    ground = (left + right) / 2
    judged = (np.abs(left - right) < _LEVEL * ground) & (ground > _DARK)
    ratio = np.where(judged, means / np.maximum(ground, 1), np.nan).astype(np.float32)
    step = np.where(judged, np.abs(left - right) / np.maximum(ground, 1), np.nan)
    off = _middle(ratio - 1)
    spread = 1.4826 * np.median(np.abs(off - np.median(off, axis=0)), axis=0)
    strong = np.maximum(_LEAST, _DEVIATIONS * spread)
    # One cell sees all channels, so they go the same way; and a streak has the same ground on both sides.
    alike = (np.sign(off) == np.sign(off[:, :1])).all(axis=1) & (
        np.abs(off) > np.abs(off).max(1, keepdims=True) / 3
    ).all(1)
    level = (_middle(step) < np.abs(off) / 2).all(axis=1)
    candidate = alike & level & _steady(ratio, off) & (np.abs(off) < _MOST).all(axis=1)
    clear = candidate & (np.abs(off) > strong).all(axis=1)
    # The slopes of a streak are columns that it covers in part.
    slope = candidate & (np.convolve(clear, np.ones(3), "same") > 0) & (np.abs(off) > strong / 2).all(axis=1)
    height = np.where(candidate, np.abs(off).max(axis=1), 0)
    chosen = (clear | slope) & (height >= _SHADOW * _strongest_near(height))
    return [
        [float(column), *(round(1 / (1 + value), 4) for value in off[column].tolist())]
        for column in np.flatnonzero(chosen).tolist()
    ]


def _sides(means: Floats, side: int) -> Floats:
    """Mean of what lies _NEAR to _FAR columns to the left (-1) or right (1); at the rim, copies of it."""
    columns = np.arange(means.shape[1])
    total = np.zeros_like(means)
    for far in range(_NEAR, _FAR + 1):
        total += means[:, np.clip(columns + side * far, 0, means.shape[1] - 1)]
    return total / np.float32(_FAR - _NEAR + 1)


def _middle(values: Floats) -> Floats:
    """Median along the streak of what is a number; 0 where too little is."""
    ordered = np.sort(values, axis=0)  # what is no number comes last
    count = (~np.isnan(values)).sum(axis=0)
    middle = np.take_along_axis(ordered, np.maximum(count - 1, 0)[None] // 2, axis=0)[0]
    return np.where(count >= _SEEN_IN * len(values), middle, 0).astype(np.float32)


def _strongest_near(strength: Floats) -> Floats:
    """The largest value as far as one column can reach into the ground of another."""
    padded = np.pad(strength, _FAR + 1)
    strongest: Floats = np.max([padded[i : i + len(strength)] for i in range(2 * _FAR + 3)], axis=0)
    return strongest


def _steady(ratio: Floats, off: Floats) -> NDArray[np.bool_]:
    """Whether a column is off the same way nearly everywhere it can be judged, and at both ends of the scan."""
    judged = ~np.isnan(ratio).any(axis=2)
    same = np.asarray(judged & ((ratio - 1) * np.sign(off) > np.abs(off) / 3).all(axis=2))
    counted = judged.sum(axis=0)
    ends = [(same[part].sum(axis=0) >= _ENDS - 1) for part in (slice(0, _ENDS), slice(-_ENDS, None))]
    often = (counted >= _SEEN_IN * len(ratio)) & (same.sum(axis=0) >= _THROUGHOUT * counted)
    return np.asarray(often & ends[0] & ends[1])


def without_streaks(image: pyvips.Image, columns: list[Streak], rows: list[Streak]) -> pyvips.Image:
    """The image with these columns and rows multiplied, by tables of integers."""
    for number, *factors in columns:
        if 0 <= number < image.width:
            strip = image.crop(int(number), 0, 1, image.height).maplut(_table(factors))
            image = image.insert(strip, int(number), 0)
    for number, *factors in rows:
        if 0 <= number < image.height:
            strip = image.crop(0, int(number), image.width, 1).maplut(_table(factors))
            image = image.insert(strip, 0, int(number))
    return image


def _table(factors: list[float]) -> pyvips.Image:
    """What each of the 65536 values becomes, a band a channel."""
    values = np.arange(65536, dtype=np.int64)[:, None]
    scaled = np.array([round(factor * (1 << _FRACTION_BITS)) for factor in factors], np.int64)
    table = np.minimum((values * scaled + (1 << (_FRACTION_BITS - 1))) >> _FRACTION_BITS, 65535).astype(np.uint16)
    return pyvips.Image.new_from_memory(table.tobytes(), 65536, 1, len(factors), "ushort")


def correct(pixels: Pixels, columns: list[Streak], rows: list[Streak], factor: int) -> None:
    """The same in a reduced array itself, so that streaks do not hide dust: for measuring only."""
    for axis, streaks in ((1, columns), (0, rows)):
        lines = np.moveaxis(pixels, axis, 0)
        for number, *factors in streaks:
            if number < len(lines) * factor:
                # Of the columns that were reduced to one, this is one.
                gain = 1 + (np.array(factors, np.float32) - 1) / factor
                line = lines[int(number) // factor]
                line[:] = np.minimum(np.rint(line * gain), 65535)

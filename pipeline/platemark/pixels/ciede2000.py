"""CIEDE2000: how far two colours look apart.

Our own, because libvips' dE00 (8.18) takes the mean of two hues on the wrong side of the circle when they lie on
both sides of red: the published pair 19 comes out as 14.8 instead of 19.45. And as quick: hues are kept as directions
(their cosine and sine), so that of all the angles in the formula only one must be taken out of its tangent.
"""

import os
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.floating]
Direction = tuple[Floats, Floats]
"""Cosine and sine of a hue."""

_25_TO_THE_7TH = 25.0**7
# Half turns of hue that differ by less, in radians, are one and the same: which way round the mean of two opposite
# hues is taken must not hang on the last bit of a product.
_OPPOSITE = 1e-6
_THREADS = 4  # numpy lets go of Python's lock only while it works on a piece; more threads wait for it
_PIXELS = 1 << 14  # at a time: their working numbers, 64 kB each, stay in the processor's cache
# Odd powers of the tangent. Source: Abramowitz and Stegun, Handbook of Mathematical Functions (1964), 4.4.49.
_ARCTANGENT = (
    1.0,
    -0.3333314528,
    0.1999355085,
    -0.1420889944,
    0.1065626393,
    -0.0752896400,
    0.0429096138,
    -0.0161657367,
    0.0028662257,
)


def ciede2000(reference: ArrayLike, sample: ArrayLike) -> Floats:
    """CIEDE2000 colour difference, worked in the precision of what is given.

    For measuring only: its last digits differ between processors.

    Args:
        reference: CIELAB, shape (..., 3), white point D50.
        sample: as `reference`.

    Returns:
        Shape (...), no unit. 1 is about a just visible step side by side (common practice).

    Source:
        ISO/CIE 11664-6 with kL = kC = kH = 1, in the notation and with the hue rules of Sharma, Wu and Dalal
        (2005), Color Research and Application 30(1), 21-30.

    >>> round(float(ciede2000([50.0, 2.6772, -79.7751], [50.0, 0.0, -82.7485])), 4)
    2.0425
    """
    one, other = np.broadcast_arrays(np.asarray(reference), np.asarray(sample))
    kind = np.result_type(one, other, np.float32)
    first, second = one.reshape(-1, 3), other.reshape(-1, 3)
    apart = np.empty(len(first), kind)

    def work(start: int) -> None:
        part = slice(start, start + _PIXELS)
        apart[part] = _difference(first[part].T.astype(kind, order="C"), second[part].T.astype(kind, order="C"))

    if len(first) <= _PIXELS:
        work(0)
    else:
        with ThreadPoolExecutor(min(_THREADS, os.cpu_count() or 1)) as pool:
            list(pool.map(work, range(0, len(first), _PIXELS)))
    return apart.reshape(one.shape[:-1])


def _difference(reference: Floats, sample: Floats) -> Floats:
    """Of colours in shape (3, n)."""
    l1, a1, b1 = reference
    l2, a2, b2 = sample
    stretch = 1.5 - 0.5 * _share_of_chroma((_length(a1, b1) + _length(a2, b2)) / 2)
    a1, a2 = a1 * stretch, a2 * stretch
    c1, c2 = _length(a1, b1), _length(a2, b2)
    hue, dh = _mean_hue_and_step(a1, b1, c1, a2, b2, c2)
    chroma = (c1 + c2) / 2
    off_middle = ((l1 + l2) / 2 - 50) ** 2
    dl = (l2 - l1) / (1 + 0.015 * off_middle / np.sqrt(20 + off_middle))
    dc = (c2 - c1) / (1 + 0.045 * chroma)
    dh /= 1 + 0.015 * chroma * _hue_weight(*hue)
    rotation = -2 * _share_of_chroma(chroma) * np.sin(np.radians(60 * _blueness(*hue)))
    # Rounding may bring the sum for two equal colours a hair below zero.
    squared: Floats = np.maximum(dl * dl + dc * dc + dh * dh + rotation * dc * dh, 0)
    return np.sqrt(squared)


def _length(a: Floats, b: Floats) -> Floats:
    length: Floats = np.sqrt(a * a + b * b)
    return length


def _share_of_chroma(chroma: Floats) -> Floats:
    square = chroma * chroma
    seventh = square * square * square * chroma
    return np.sqrt(seventh / (seventh + _25_TO_THE_7TH))


def _mean_hue_and_step(
    a1: Floats, b1: Floats, c1: Floats, a2: Floats, b2: Floats, c2: Floats
) -> tuple[Direction, Floats]:
    """The middle between two hues, the shorter way round, and the step from one to the other (delta H').

    The sum of two directions points to their middle, and their difference squarely away from it; whichever of the
    two is longer is exact. The step is 2 sqrt(c1 c2) sin(turn / 2), and c1 c2 sin(turn) is the cross product.
    """
    both = c1 * c2
    grey = both == 0
    # A grey has the hue of its partner, and no step.
    scale1, scale2 = 1 / np.where(c1 > 0, c1, 1), 1 / np.where(c2 > 0, c2, 1)
    x1, y1, x2, y2 = a1 * scale1, b1 * scale1, a2 * scale2, b2 * scale2
    cross, dot = x1 * (y2 - y1) - (x2 - x1) * y1, x1 * x2 + y1 * y2
    # Exactly opposite: hues count from 0 to 360 degrees, and the step goes from the smaller to the larger one.
    upper = np.where((y1 > 0) | ((y1 == 0) & (x1 > 0)), 1, -1).astype(cross.dtype)
    way = np.where((dot < 0) & (np.abs(cross) < _OPPOSITE), upper, np.sign(cross))
    near = (dot >= 0) | grey
    x, y = np.where(near, x1 + x2, way * (y2 - y1)), np.where(near, y1 + y2, way * (x1 - x2))
    length = _length(x, y)
    # Near, the sum is 2 cos(turn / 2) long; far, the difference 2 sin(turn / 2).
    half_sine = np.where(near, cross / np.maximum(length, 1), way * length / 2)
    scale = 1 / np.where(length > 0, length, 1)
    return (x * scale, y * scale), np.where(grey, 0, 2 * np.sqrt(both) * half_sine)


def _hue_weight(cos: Floats, sin: Floats) -> Floats:
    """1 - 0.17 cos(h - 30) + 0.24 cos(2 h) + 0.32 cos(3 h + 6) - 0.20 cos(4 h - 63), T in the standard."""
    cos2, sin2 = cos * cos - sin * sin, 2 * cos * sin
    cos3, sin3 = cos2 * cos - sin2 * sin, sin2 * cos + cos2 * sin
    cos4, sin4 = cos2 * cos2 - sin2 * sin2, 2 * cos2 * sin2
    return (
        1 - _turned(0.17, -30, cos, sin) + 0.24 * cos2 + _turned(0.32, 6, cos3, sin3) - _turned(0.20, -63, cos4, sin4)
    )


def _blueness(cos: Floats, sin: Floats) -> Floats:
    """exp(-((h - 275) / 25)^2), which is nothing (2e-6) a quarter turn away from 275 and beyond."""
    along, aside = _turned(1, -275, cos, sin), _turned(1, -275 - 90, cos, sin)
    # The tangent of half the angle is at most 1 within that quarter turn.
    tangent = np.where(along < 0, 1, aside / (1 + np.maximum(along, 0)))
    square = tangent * tangent
    sum_ = np.full_like(square, _ARCTANGENT[-1])
    for factor in _ARCTANGENT[-2::-1]:
        sum_ = sum_ * square + factor
    off = np.degrees(2 * tangent * sum_) / 25
    blueness: Floats = np.exp(-off * off)
    return blueness


def _turned(size: float, degrees: float, cos: Floats, sin: Floats) -> Floats:
    """Times the cosine of an angle to which degrees were added."""
    angle = np.radians(degrees)
    return size * float(np.cos(angle)) * cos - size * float(np.sin(angle)) * sin

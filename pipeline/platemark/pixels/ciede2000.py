"""CIEDE2000: how far two colours look apart.

Our own, because libvips' dE00 (8.18) takes the mean of two hues on the wrong side of the circle when they lie on
both sides of red: the published pair 19 comes out as 14.8 instead of 19.45.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

_25_TO_THE_7TH = 25.0**7
# Hues are angles from an arctangent; exactly opposite ones must be found opposite whatever its last bit says.
_HUE_DIGITS = 9


def ciede2000(reference: ArrayLike, sample: ArrayLike) -> Floats:
    """CIEDE2000 colour difference.

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
    l1, a1, b1 = np.moveaxis(np.asarray(reference, np.float64), -1, 0)
    l2, a2, b2 = np.moveaxis(np.asarray(sample, np.float64), -1, 0)
    stretch = 1.5 - 0.5 * _share_of_chroma((np.hypot(a1, b1) + np.hypot(a2, b2)) / 2)
    c1, h1 = _chroma_and_hue(a1 * stretch, b1)
    c2, h2 = _chroma_and_hue(a2 * stretch, b2)
    grey = c1 * c2 == 0
    turn, hue = _hue_step_and_mean(h1, h2, grey)
    lightness, chroma = (l1 + l2) / 2, (c1 + c2) / 2
    off_middle = (lightness - 50) ** 2
    dl = (l2 - l1) / (1 + 0.015 * off_middle / np.sqrt(20 + off_middle))
    dc = (c2 - c1) / (1 + 0.045 * chroma)
    dh = 2 * np.sqrt(c1 * c2) * _sin(turn / 2) / (1 + 0.015 * chroma * _hue_weight(hue))
    blue = 60 * np.exp(-(((hue - 275) / 25) ** 2))
    rotation = -2 * _share_of_chroma(chroma) * _sin(blue)
    # Rounding may bring the sum for two equal colours a hair below zero.
    squared: Floats = np.maximum(dl**2 + dc**2 + dh**2 + rotation * dc * dh, 0)
    return np.sqrt(squared)


def _share_of_chroma(chroma: Floats) -> Floats:
    seventh = chroma**7
    return np.sqrt(seventh / (seventh + _25_TO_THE_7TH))


def _chroma_and_hue(a: Floats, b: Floats) -> tuple[Floats, Floats]:
    return np.hypot(a, b), np.round(np.degrees(np.arctan2(b, a)) % 360, _HUE_DIGITS)


def _hue_step_and_mean(h1: Floats, h2: Floats, grey: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """The way from one hue to the other and the middle of it, in degrees; a grey has the hue of its partner."""
    step, total = np.round(h2 - h1, _HUE_DIGITS), h1 + h2
    far = np.abs(step) > 180
    around = np.where(total < 360, total + 360, total - 360) / 2
    turn = np.where(far, step - 360 * np.sign(step), step)
    return np.where(grey, 0, turn), np.where(grey, total, np.where(far, around, total / 2))


def _hue_weight(hue: Floats) -> Floats:
    return 1 - 0.17 * _cos(hue - 30) + 0.24 * _cos(2 * hue) + 0.32 * _cos(3 * hue + 6) - 0.20 * _cos(4 * hue - 63)


def _sin(degrees: Floats) -> Floats:
    return np.sin(np.radians(degrees))


def _cos(degrees: Floats) -> Floats:
    return np.cos(np.radians(degrees))

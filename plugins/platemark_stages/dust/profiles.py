"""Profiles: what a scan is like across a curve, point by point."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platemark_stages.dust.chains import Curve, Points
from platemark_stages.dust.ridges import BESIDE, UNIT, Heights
from platemark_stages.dust.survey import Floats, Pixels


@dataclass(frozen=True)
class Profile:
    """Levels beside a curve, dark being low for dark lines and high for bright ones.

    Attributes:
        offsets: how far off each row lies, in reduced pixels.
        levels: shape (offsets, points).
        ridge: how far each place lies below both of those BESIDE it; below 0 beside ridges and on edges.
        pit: how far above both.
    """

    offsets: NDArray[np.int64]
    levels: Floats
    ridge: Floats
    pit: Floats


def profile(grey: Heights, curve: Curve, sign: int, far: int) -> Profile:
    """Levels as far as `far` to both sides; heights in units of 0 to 65535."""
    offsets = np.arange(-far - BESIDE, far + BESIDE + 1)
    places = curve.points + offsets[:, None, None] * curve.across
    levels = (sampled(grey, places) * (sign * UNIT)).astype(np.float32)
    one, here, other = levels[: -2 * BESIDE], levels[BESIDE:-BESIDE], levels[2 * BESIDE :]
    return Profile(offsets[BESIDE:-BESIDE], here, np.minimum(one, other) - here, here - np.maximum(one, other))


def sampled(image: Heights | Pixels, places: Points) -> Points:
    """An image at places between its pixels, bilinear; beyond the rim the last pixel again.

    Args:
        image: shape (rows, columns) or (rows, columns, channels).
        places: y and x, shape (..., 2).
    """
    limits = np.array(image.shape[:2]) - 1
    places = np.clip(places, 0, limits)
    low = np.minimum(places.astype(np.int64), np.maximum(limits - 1, 0))
    high = np.minimum(low + 1, limits)
    down, across = (
        share[..., None] if image.ndim > places.shape[-1] else share for share in np.moveaxis(places - low, -1, 0)
    )
    (top, left), (bottom, right) = np.moveaxis(low, -1, 0), np.moveaxis(high, -1, 0)
    upper = image[top, left] * (1 - across) + image[top, right] * across
    lower = image[bottom, left] * (1 - across) + image[bottom, right] * across
    return np.asarray(upper * (1 - down) + lower * down)

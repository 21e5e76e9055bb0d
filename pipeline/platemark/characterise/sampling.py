"""What each patch measures on the scan, and which patches cannot be used: dust, glare, clipping."""

from dataclasses import dataclass

import numpy as np
import pyvips
from numpy.typing import NDArray

Numbers = NDArray[np.float64]

# The middle of a patch: its rim holds the blur of the lens, shadows of the edge, and what the finding is off.
_MIDDLE = 0.55
_TRIM = 0.125  # at either end: small specks drop out, and the mean keeps three quarters of the pixels
_ENOUGH = 60_000  # pixels of one patch are plenty: noise is a two-hundredth then
_FEWEST = 16  # pixels: with fewer, one speck is the patch
_CLIPPED = 0.02  # of the pixels at an end of the scale: the mean is no longer that of the light
_ODD = 0.05  # of the pixels far from the others: more than a speck
_FAR = 6.0  # robust deviations, so that noise alone never counts
_LEAST_FAR = 0.02  # of the full scale: the grain of a glossy chart is below
_UNEVEN = 0.03  # of the full scale, from one half of a patch to the other; lamps fall off by a tenth of that


@dataclass(frozen=True)
class Sample:
    """One patch.

    Attributes:
        mean: trimmed mean of each channel, 0 to 1.
        noise: robust standard deviation, the largest of the channels.
        fault: why it is left out; "" for a good one.
    """

    mean: Numbers
    noise: float
    fault: str


def sample(image: pyvips.Image, corners: Numbers) -> Sample:
    """Measure one patch.

    Args:
        image: the whole scan, `ushort`, in memory.
        corners: of the patch, x and y in its pixels, around it; shape (4, 2).
    """
    pixels, place = _middle(image, corners)
    if len(pixels) < _FEWEST:
        return Sample(np.zeros(3), 0.0, "it has too few pixels")
    centre = np.median(pixels, axis=0)
    noise = 1.4826 * np.median(np.abs(pixels - centre), axis=0)
    return Sample(_trimmed(pixels), float(noise.max()), _fault(pixels, place, centre, noise))


def _middle(image: pyvips.Image, corners: Numbers) -> tuple[Numbers, Numbers]:
    """The pixels in the middle of a patch, 0 to 1, shape (n, 3), and where in it they lie, -1 to 1."""
    centre = corners.mean(axis=0)
    inner = centre + (corners - centre) * _MIDDLE
    left, top = np.floor(inner.min(axis=0)).clip(0).astype(int)
    right, bottom = np.ceil(inner.max(axis=0)).astype(int)
    right, bottom = min(right, image.width), min(bottom, image.height)
    if right - left < 1 or bottom - top < 1:
        return np.empty((0, 3)), np.empty((0, 2))
    step = max(1, int(np.sqrt((right - left) * (bottom - top) / _ENOUGH)))
    data = image.crop(int(left), int(top), int(right - left), int(bottom - top)).write_to_memory()
    block = np.frombuffer(data, np.uint16).reshape(bottom - top, right - left, image.bands)[::step, ::step, :3]
    y, x = np.mgrid[top:bottom:step, left:right:step] + 0.5
    axes = np.stack([inner[1] - inner[0], inner[3] - inner[0]]) / 2
    place = (np.stack([x, y], axis=-1) - centre) @ np.linalg.inv(axes)
    within = (np.abs(place) <= 1).all(axis=-1)
    return block[within] / 65535, place[within]


def _trimmed(pixels: Numbers) -> Numbers:
    cut = int(len(pixels) * _TRIM)
    mean: Numbers = np.sort(pixels, axis=0)[cut : len(pixels) - cut].mean(axis=0)
    return mean


def _fault(pixels: Numbers, place: Numbers, centre: Numbers, noise: Numbers) -> str:
    for end, words in ((pixels >= 1, "clipped: lighter than the scan can tell"), (pixels <= 0, "clipped: too dark")):
        if end.mean(axis=0).max() > _CLIPPED:
            return words
    halves = [
        np.abs(np.median(pixels[place[:, axis] < 0], axis=0) - np.median(pixels[place[:, axis] >= 0], axis=0)).max()
        for axis in (0, 1)
    ]
    if max(halves) > _UNEVEN:
        return "uneven: glare, a shadow, or partly covered"
    odd = (np.abs(pixels - centre) > np.maximum(_FAR * noise, _LEAST_FAR)).any(axis=1)
    return "dust or scratches" if odd.mean() > _ODD else ""

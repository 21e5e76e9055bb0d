"""Grain: how strong the finest detail is where nothing is drawn."""

import numpy as np
import pyvips

from platemark_stages.sharpen.detail import HALF, Pixels, detail, lightness

_PATCHES = 8  # along each side: some hundred thousand pixels, in a few milliseconds
_PATCH_MM = 2.5  # some 35 pixels at 360 ppi: wide enough for a deviation, small enough to lie between strokes
_SHARE = 90  # percent of the patches
_TO_DEVIATION = 1.4826  # of a normal distribution, from its median deviation (1 / 0.67449)
_NOTHING = 26  # a tenth of an 8-bit level, in steps of 65535: plain pixels, not paper


def grain_of(image: pyvips.Image, ppi: float, taps: list[int]) -> float:
    """How strong detail is in nine tenths of the patches that are not plain, at most; 0 where all are plain.

    A dark wash shows more of the paper's tooth than a pale one or none: the middle patch would not do for it. Within a
    patch the median counts, and with it what covers more than half.

    Args:
        image: `ushort`, one band or three; looked at here and there.
        ppi: its resolution.
        taps: as `detail`.

    Returns:
        A deviation, in steps of 65535.
    """
    found = [_deviation(patch, taps) for patch in _patches(image, round(_PATCH_MM / 25.4 * ppi) + 2 * len(taps))]
    rough = [deviation for deviation in found if deviation > _NOTHING]
    return float(np.percentile(rough, _SHARE)) if rough else 0.0


def _patches(image: pyvips.Image, side: int) -> list[Pixels]:
    """Evenly spread squares; one across the whole of a side that is shorter."""
    region = pyvips.Region.new(image)
    width, height = min(side, image.width), min(side, image.height)
    across = np.unique(np.linspace(0, image.width - width, _PATCHES).astype(int))
    down = np.unique(np.linspace(0, image.height - height, _PATCHES).astype(int))
    return [
        np.frombuffer(region.fetch(int(x), int(y), width, height), np.uint16).reshape(height, width, image.bands)
        for y in down
        for x in across
    ]


def _deviation(patch: Pixels, taps: list[int]) -> float:
    if min(patch.shape[:2]) < 2 * len(taps):  # no pixel is left inside the rim
        return 0.0
    steps = detail(lightness(patch), taps).astype(np.int32) - HALF
    return _TO_DEVIATION * 2 * float(np.median(np.abs(steps)))

"""Detail: what a small blur takes away from the lightness, strip by strip from top to bottom.

float32 products and sums in a fixed order, and a table of integers: the same bytes on every processor.
"""

import os
from concurrent.futures import ThreadPoolExecutor
from functools import reduce
from math import ceil, exp

import numpy as np
import pyvips
from numpy.typing import NDArray

Floats = NDArray[np.float32]
Pixels = NDArray[np.uint16]

_FETCHED = 256  # rows at a time: enough for all threads of what is lazy, some 5 MB across A4 at 360 ppi
# Strips at a time; numpy and libvips let go of the interpreter, and no strip sees another's result.
_WORKERS = min(4, max(2, os.cpu_count() or 2))
_ROWS = 32  # of a strip: its working numbers stay in the processor's cache
# 256ths of red, green, blue in lightness. Source: Recommendation ITU-R BT.709, 0.2126, 0.7152, 0.0722, for the
# primaries of sRGB. Other spaces' differ by some hundredths, and so does the strength at a coloured edge.
_WEIGHTS = (54, 183, 19)
_ONE = 1024  # what the taps sum to, about
_REACH = 2.5  # deviations; 1 % of a Gaussian lies further out
HALF = 32768  # the index that says: no detail


def gaussian(deviation: float) -> list[int]:
    """The weights of a Gaussian blur.

    Args:
        deviation: of the Gaussian, in pixels.

    Returns:
        Integers from the middle outwards.
    """
    reach = max(1, ceil(_REACH * deviation))
    heights = [exp(-0.5 * (place / deviation) ** 2) for place in range(reach + 1)]
    whole = heights[0] + 2 * sum(heights[1:])
    return [round(_ONE * height / whole) for height in heights]


def lightness(pixels: Pixels) -> Floats:
    """The lightness of pixels (rows, columns, 1 or 3 channels): a weighted mean of the channels, 0 to 32767.5.

    Half the range, so that a difference fits into 16 bits. The sums are exact.
    """
    if pixels.shape[2] == 1:
        return pixels[:, :, 0] * np.float32(0.5)
    total = pixels[:, :, 1] * np.float32(_WEIGHTS[1] / 512)
    for band in (0, 2):
        total += pixels[:, :, band] * np.float32(_WEIGHTS[band] / 512)
    return total


def detail(light: Floats, taps: list[int]) -> Pixels:
    """What the blur takes away.

    Args:
        light: lightness, with a rim of as many pixels as the taps reach.
        taps: weights of the blur, from the middle outwards.

    Returns:
        Without the rim; `HALF` for none, more where it is lighter than around it. In steps of 2 of 65535.
    """
    reach = len(taps) - 1
    whole = taps[0] + 2 * sum(taps[1:])
    shares = [np.float32(tap / whole) for tap in taps]
    blurred = _blurred(_blurred(light, shares).T, shares).T
    rest = light[reach : light.shape[0] - reach, reach : light.shape[1] - reach] - blurred
    rest += np.float32(HALF)
    return np.clip(rest, 0, 65535, out=rest).astype(np.uint16)


def _blurred(values: Floats, shares: list[np.float32]) -> Floats:
    """Blurred down the columns, without the rim."""
    reach = len(shares) - 1
    rows = len(values) - 2 * reach
    total: Floats = values[reach : reach + rows] * shares[0]
    for place, share in enumerate(shares[1:], 1):
        pair = values[reach - place :][:rows] + values[reach + place :][:rows]
        pair *= share
        total += pair
    return total


def sharpened(image: pyvips.Image, taps: list[int], table: NDArray[np.int32]) -> pyvips.Image:
    """The image with detail added, the same to each channel, so that hue and chroma stay nearly as they were.

    Args:
        image: `ushort`, one band or three. What is lazy in it is made here, many rows at a time, and not kept.
        taps: as `detail`.
        table: what is added, by detail.

    Returns:
        `ushort`, in memory; beyond the image its edge pixels count.
    """
    out = np.empty((image.height, image.width, image.bands), np.uint16)

    def fill(top: int) -> None:
        _fill(image, top, taps, table, out[top : top + _FETCHED])

    with ThreadPoolExecutor(_WORKERS) as workers:
        list(workers.map(fill, range(0, image.height, _FETCHED)))
    done = pyvips.Image.new_from_memory(out, image.width, image.height, image.bands, "ushort")
    return done.copy(interpretation=image.interpretation)


def _fill(image: pyvips.Image, top: int, taps: list[int], table: NDArray[np.int32], out: Pixels) -> None:
    """Sharpen the rows of an image from `top` on, as many as there is room for in `out`."""
    reach = len(taps) - 1
    first, last = max(0, top - reach), min(image.height, top + len(out) + reach)
    data = image.crop(0, first, image.width, last - first).write_to_memory()
    block = np.frombuffer(data, np.uint16).reshape(last - first, image.width, image.bands)
    for start in range(0, len(out), _ROWS):
        _sharpen(block, start + top - first, taps, table, out[start : start + _ROWS])


def _sharpen(block: Pixels, first: int, taps: list[int], table: NDArray[np.int32], out: Pixels) -> None:
    """Sharpen the rows of a block from `first` on, as many as there is room for in `out`."""
    reach, end = len(taps) - 1, first + len(out)
    above, below = max(0, first - reach), min(len(block), end + reach)
    rim = ((above - first + reach, end + reach - below), (reach, reach))
    wanted = np.take(table, detail(np.pad(lightness(block[above:below]), rim, mode="edge"), taps))
    own = block[first:end]
    # Of two's complement the low 16 bits add up right, below zero too, since no sum leaves the range.
    added = _within(own, wanted).astype(np.uint16)
    for band in range(own.shape[2]):  # numpy is twice as fast along a row as along three bands
        np.add(own[:, :, band], added, out=out[:, :, band])


def _within(pixels: Pixels, wanted: NDArray[np.int32]) -> NDArray[np.int32]:
    """As much of what is wanted as every channel has room for: cut in one channel alone, the hue would turn."""
    bands = [pixels[:, :, band] for band in range(pixels.shape[2])]
    room_below, room_above = np.negative(reduce(np.minimum, bands), dtype=np.int32), 65535 - reduce(np.maximum, bands)
    return np.clip(wanted, room_below, room_above)

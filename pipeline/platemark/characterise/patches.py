"""Flat regions of a scan that may be patches of a chart: even in colour, four-sided, many of one size."""

from dataclasses import dataclass

import numpy as np
import pyvips
from numpy.typing import NDArray

Numbers = NDArray[np.float64]
Pixels = NDArray[np.uint16]

# A four-sided region of area A and second moments C has A^2 = 144 det(C), whatever its sides and skew; a disc has 1.10,
# regions with bays or arms have less. What noise nibbles off the rim moves it by a few per cent.
_FOUR_SIDED = (0.85, 1.08)
_SMALLEST = 25  # pixels of area: five across
_LONGEST = 2.5  # sides of a patch against each other


@dataclass(frozen=True)
class Regions:
    """Regions that may be patches.

    Attributes:
        centres: x, y in pixels, corner of the first pixel at 0; shape (n, 2).
        areas: in pixels, shape (n,).
    """

    centres: Numbers
    areas: Numbers


def flat_regions(pixels: Pixels, contrast: float) -> Regions:
    """Find them.

    Args:
        pixels: shape (rows, columns, 3), small.
        contrast: how far codes may differ between neighbours within a region, as a share of the full scale.
    """
    labels = _labels(_flat(pixels, contrast))
    count = int(labels.max()) + 1
    y, x = np.divmod(np.arange(labels.size), labels.shape[1])
    flat = labels.ravel()

    def total(values: Numbers) -> Numbers:
        return np.bincount(flat, values, count).astype(np.float64)

    area = np.bincount(flat, minlength=count).astype(float)
    keep = area > 0
    at_x, at_y = total(x + 0.5) / area.clip(1), total(y + 0.5) / area.clip(1)
    xx = total((x + 0.5 - at_x[flat]) ** 2) / area.clip(1) + 1 / 12
    yy = total((y + 0.5 - at_y[flat]) ** 2) / area.clip(1) + 1 / 12
    xy = total((x + 0.5 - at_x[flat]) * (y + 0.5 - at_y[flat])) / area.clip(1)
    filled = area**2 / (144 * (xx * yy - xy**2)).clip(1e-9)
    spread = np.sqrt((xx - yy) ** 2 + 4 * xy**2)
    longest = np.sqrt((xx + yy + spread) / (xx + yy - spread).clip(1e-9))
    keep &= (area >= _SMALLEST) & (filled > _FOUR_SIDED[0]) & (filled < _FOUR_SIDED[1]) & (longest < _LONGEST)
    keep[0] = False  # what is not flat
    return Regions(np.stack([at_x, at_y], axis=1)[keep], area[keep])


def _flat(pixels: Pixels, contrast: float) -> NDArray[np.bool_]:
    """Where a pixel and its neighbours to the right and below agree in every channel."""
    codes = _calm(pixels).astype(np.int32)
    across = np.abs(np.diff(codes, axis=1, append=codes[:, -1:])).max(axis=2)
    down = np.abs(np.diff(codes, axis=0, append=codes[-1:])).max(axis=2)
    flat = np.maximum(across, down) < contrast * 65535
    # A thin bridge between two patches would join them.
    whole: NDArray[np.bool_] = flat.copy()
    whole[1:] &= flat[:-1]
    whole[:, 1:] &= flat[:, :-1]
    whole[:-1] &= flat[1:]
    whole[:, :-1] &= flat[:, 1:]
    return whole


def _calm(pixels: Pixels) -> Pixels:
    """The median of 3 x 3: noise and specks go, edges stay."""
    rows, columns, bands = pixels.shape
    image = pyvips.Image.new_from_memory(np.ascontiguousarray(pixels).data, columns, rows, bands, "ushort").median(3)
    return np.frombuffer(image.write_to_memory(), np.uint16).reshape(rows, columns, bands)


def _labels(flat: NDArray[np.bool_]) -> NDArray[np.int64]:
    """A number for each connected region, 0 for what is not flat."""
    rows, columns = flat.shape
    image = pyvips.Image.new_from_memory(flat.astype(np.uint8).tobytes(), columns, rows, 1, "uchar")
    labels = np.frombuffer(image.labelregions().write_to_memory(), np.int32).reshape(rows, columns).astype(np.int64) + 1
    return np.where(flat, labels, 0)

"""One pass over the scan: its pixels for finding marks, and means along columns and rows for finding streaks."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pyvips
from numpy.typing import NDArray

# A speck of 0.15 mm is 1.8 pixels wide at 300 ppi; above that neighbours say the same thing twice, and few home
# scanners resolve more.
_WORKING_PPI = 300
_MM_PER_INCH = 25.4
# Pixels averaged into one look at a streak: short against strokes, long against grain.
RUN = 64
Pixels = NDArray[np.uint16]
Floats = NDArray[np.float32]


@dataclass(frozen=True)
class Survey:
    """What the finders work on.

    Attributes:
        pixels: the scan reduced by `factor`, shape (rows, columns, channels), 0 to 65535.
        factor: scan pixels a pixel of it.
        ppmm: its pixels per millimetre.
        columns: means of RUN rows each, shape (runs, columns of the scan, channels).
        rows: means of RUN columns each, shape (runs, rows of the scan, channels).
    """

    pixels: Pixels
    factor: int
    ppmm: float
    columns: Floats
    rows: Floats


def survey(image: pyvips.Image, ppi: float) -> Survey:
    """Read a scan once, from its top to its bottom.

    Args:
        image: `ushort`; may be read sequentially.
        ppi: its resolution.
    """
    factor = max(1, round(ppi / _WORKING_PPI))
    columns, rows = [], []
    pixels = np.empty((image.height // factor, image.width // factor, image.bands), np.uint16)
    for top, band in bands(image, RUN * factor):
        # What is left over at the last row and column is too little to judge by.
        columns.append(_means(band, 0))
        rows.append(_means(band, 1))
        small = _reduced(band, factor)
        pixels[top // factor : top // factor + len(small)] = small
    return Survey(
        pixels=pixels,
        factor=factor,
        ppmm=ppi / factor / _MM_PER_INCH,
        columns=np.concatenate(columns),
        rows=np.concatenate(rows).swapaxes(0, 1),
    )


def bands(image: pyvips.Image, height: int) -> Iterator[tuple[int, Pixels]]:
    """The rows of an image from top to bottom: the first row's number, and so many rows at once."""
    region = pyvips.Region.new(image)
    for top in range(0, image.height, height):
        rows = min(height, image.height - top)
        data = np.frombuffer(region.fetch(0, top, image.width, rows), np.uint16)
        yield top, data.reshape(rows, image.width, image.bands)


def _means(band: Pixels, axis: int) -> Floats:
    """Means of RUN neighbours along an axis."""
    rows, columns, channels = band.shape
    down, across = (rows // RUN, columns) if axis == 0 else (rows, columns // RUN)
    cut = band[: down * RUN] if axis == 0 else band[:, : across * RUN]
    split = (down, RUN, columns, channels) if axis == 0 else (rows, across, RUN, channels)
    means: Floats = cut.reshape(split).sum(axis=axis + 1, dtype=np.uint32).astype(np.float32) / np.float32(RUN)
    return means


def _reduced(band: Pixels, factor: int) -> Pixels:
    """Means of squares; what does not fill one is left out."""
    if factor == 1:
        return band
    rows, columns, channels = band.shape[0] // factor, band.shape[1] // factor, band.shape[2]
    cut = band[: rows * factor, : columns * factor].reshape(rows, factor, columns, factor, channels)
    small: Pixels = (cut.sum(axis=(1, 3), dtype=np.uint32) // (factor * factor)).astype(np.uint16)
    return small

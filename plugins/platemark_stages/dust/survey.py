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
    """Means of RUN neighbours along an axis; what does not fill a run is left out."""
    shrink = (RUN, 1) if axis == 0 else (1, RUN)
    return _shrunk(band, *shrink).astype(np.float32)


def _reduced(band: Pixels, factor: int) -> Pixels:
    """Means of squares; what does not fill one is left out."""
    return band if factor == 1 else _shrunk(band, factor, factor)


def _shrunk(band: Pixels, down: int, across: int) -> Pixels:
    rows, columns, channels = band.shape[0] // down, band.shape[1] // across, band.shape[2]
    if not (rows and columns):
        return np.empty((rows, columns, channels), np.uint16)
    whole = pyvips.Image.new_from_memory(band, band.shape[1], band.shape[0], channels, "ushort")
    cut = whole.crop(0, 0, columns * across, rows * down).shrink(across, down)
    return np.asarray(cut.numpy(), np.uint16).reshape(rows, columns, channels)

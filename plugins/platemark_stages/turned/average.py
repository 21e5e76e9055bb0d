"""Averaging: the turned scan resampled once onto the upright one, and the two mixed by their shares.

A pure function of the scans and the parameters: integers, and float32 products and sums of them.
"""

from dataclasses import replace

import numpy as np
import pyvips
from numpy.typing import NDArray

from platemark import Picture
from platemark_stages.registration.cells import Whole, enlarged
from platemark_stages.turned.laid import Laid
from platemark_stages.turned.shares import ONE, Shares, cell_of, shares

_ROWS = 64  # of a strip: some 10 MB of working numbers across A4 at 600 ppi


def average(upright: Picture, turned: Picture, laid: Laid) -> Picture:
    """The mean of both scans, in the frame and with the pixels of the upright one.

    The upright scan is not resampled. Memory holds the turned scan, laid on it, and the result.

    Raises:
        ValueError: the parameters are not of these pictures.
    """
    _check(upright, turned, laid)
    width, height = laid.frame
    frame = replace(turned, placement=laid.affine, ppi=upright.ppi, width=float(width), height=float(height))
    back = frame.pixels(laid.unbent())
    cell = cell_of(upright.source_ppi)
    means = [_means(image, cell) for image in (upright.open(), back)]
    share = shares(means[0], means[1], _depth(laid, cell, means[0].shape), cell, upright.source_ppi)
    del means
    out = _mixed(upright.open(), back, share)
    image = pyvips.Image.new_from_memory(out, width, height, out.shape[2], "ushort")
    return upright.with_pixels(image.copy(interpretation=back.interpretation))


def _check(upright: Picture, turned: Picture, laid: Laid) -> None:
    sizes = [[round(picture.width), round(picture.height)] for picture in (upright, turned)]
    if sizes != [laid.frame, laid.size] or upright.profile.sha256 != turned.profile.sha256:
        raise ValueError(f"scans of {sizes[0]} and {sizes[1]} pixels are not those of {laid.frame} and {laid.size}")


def _means(image: pyvips.Image, cell: int) -> Whole:
    """Means of the cells; the last ones may reach beyond the image."""
    small = image.shrink(cell, cell, ceil=True)
    data = np.frombuffer(small.write_to_memory(), np.uint16)
    return data.reshape(small.height, small.width, small.bands).astype(np.int32)


def _depth(laid: Laid, cell: int, shape: tuple[int, ...]) -> Whole:
    """How far inside the turned scan each cell's middle lies, in pixels; negative outside."""
    back, bend = laid.affine.inverse(), laid.unbent()
    x = (np.arange(shape[1])[None, :] + 0.5) * cell
    y = (np.arange(shape[0])[:, None] + 0.5) * cell
    across, down = back.a * x + back.b * y + back.tx, back.c * x + back.d * y + back.ty
    down = down + bend.at(across, down)
    width, height = laid.size
    nearest = np.minimum(np.minimum(across, width - across), np.minimum(down, height - down))
    return np.floor(nearest).astype(np.int32)


def _mixed(upright: pyvips.Image, turned: pyvips.Image, share: Shares) -> NDArray[np.uint16]:
    """Both by their shares, which lie straight between the cells, strip by strip from top to bottom."""
    width, height, bands = upright.width, upright.height, upright.bands
    out = np.empty((height, width, bands), np.uint16)
    regions = [pyvips.Region.new(image) for image in (upright, turned)]
    # What the enlarging multiplies by, and the shares.
    whole = np.float32(1 / ((2 * share.cell) ** 2 * ONE))
    for top in range(0, height, _ROWS):
        rows = (top, min(top + _ROWS, height))
        total = np.zeros((rows[1] - top, width, bands), np.float32)
        for region, cells in zip(regions, (share.upright, share.turned), strict=True):
            data = region.fetch(0, top, width, rows[1] - top)
            values = np.frombuffer(data, np.uint16).reshape(total.shape).astype(np.float32)
            values *= enlarged(cells, share.cell, rows, (0, width)).astype(np.float32)
            total += values
        total *= whole
        np.rint(total, out=total)
        out[rows[0] : rows[1]] = np.clip(total, 0, 65535)
    return out

"""Laying a sheet into the other's frame: everything here is in millimetres of the first sheet."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from platemark.pixels.affine import Affine
from platemark.pixels.picture import Picture

Floats = NDArray[np.float32]

MM_PER_INCH = 25.4


def size_mm(picture: Picture) -> tuple[float, float]:
    """Width and height of a sheet."""
    return picture.width / picture.ppi * MM_PER_INCH, picture.height / picture.ppi * MM_PER_INCH


def overview_density(picture: Picture, placement: Affine) -> float:
    """Pixels per inch of the first sheet that the second's overview has to offer."""
    _, factor = picture.overview()
    return picture.source_ppi / factor / placement.scale


def laid(picture: Picture, placement: Affine, frame: tuple[float, float], ppi: float) -> Picture:
    """The sheet as it lies in the frame, from its overview as long as that is dense enough.

    Pixels half as dense, or less, are means of 2 x 2, so that nothing aliases.

    Args:
        picture: a sheet.
        placement: millimetres of the sheet to millimetres of the frame.
        frame: width and height in millimetres.
        ppi: pixels per inch of the frame.
    """
    room = overview_density(picture, placement) / ppi
    if room < 1:
        return framed(picture, placement, frame, ppi).settled()
    finer = 2 if room >= 2 else 1
    turned = framed(picture, placement, frame, ppi, finer).reduced(ppi * finer)
    return turned.with_pixels(turned.pixels().shrink(finer, finer)) if finer > 1 else turned


def framed(picture: Picture, placement: Affine, frame: tuple[float, float], ppi: float, finer: int = 1) -> Picture:
    """As `laid`, from the scan itself: nothing is rendered yet. `finer` divides each pixel in so many each way."""
    pixels = ppi / MM_PER_INCH
    to_mm = Affine.scaling(MM_PER_INCH / picture.ppi)
    whole = picture.placement.then(to_mm).then(placement).then(Affine.scaling(pixels * finer))
    width, height = (max(1, round(side * pixels)) * finer for side in frame)
    return replace(picture, placement=whole, width=float(width), height=float(height), ppi=ppi * finer)


def covered(
    picture: Picture, placement: Affine, shape: tuple[int, int], ppi: float, rim: float = 0.0
) -> NDArray[np.bool_]:
    """Where the sheet lies, less a rim in millimetres.

    Args:
        picture: a sheet.
        placement: as for `laid`.
        shape: rows and columns of the frame.
        ppi: its density.
        rim: left out along each side of the sheet.
    """
    back = placement.inverse()
    x = (np.arange(shape[1])[None, :] + 0.5) * (MM_PER_INCH / ppi)
    y = (np.arange(shape[0])[:, None] + 0.5) * (MM_PER_INCH / ppi)
    across, down = back.a * x + back.b * y + back.tx, back.c * x + back.d * y + back.ty
    width, height = size_mm(picture)
    inside: NDArray[np.bool_] = (across > rim) & (across < width - rim) & (down > rim) & (down < height - rim)
    return inside


def grey(picture: Picture) -> Floats:
    """The mean of the channels, green twice: it carries most of what the eye calls detail. Full scale is 1."""
    array = picture.array()
    if array.shape[2] < 3:
        return array[:, :, 0].astype(np.float32) / np.float32(65535)
    plane = array[:, :, 1].astype(np.float32) * 2
    plane += array[:, :, 0]
    plane += array[:, :, 2]
    plane /= 4 * 65535
    return plane


def smoothed(plane: Floats) -> Floats:
    """By 1 4 6 4 1 along both axes: interpolation is then exact to a hundredth of the contrast."""
    for axis in (0, 1):
        padded = np.pad(plane, [(2, 2) if a == axis else (0, 0) for a in (0, 1)], mode="edge")
        parts = [np.take(padded, range(k, k + plane.shape[axis]), axis) for k in range(5)]
        plane = (parts[0] + parts[4] + 4 * (parts[1] + parts[3]) + 6 * parts[2]) / np.float32(16)
    return plane

"""The original of the page that tests the way to the printer: a small picture in a profile that nobody would guess."""

from io import BytesIO

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from platemark.pixels.icc_writer import exchanged_profile

Plane = NDArray[np.float64]
_WIDTH_MM, _HEIGHT_MM = 70.0, 45.0
_SKY, _HAZE, _SUN = (96, 156, 222), (206, 226, 240), (250, 206, 60)
_HILLS, _MEADOW, _FURROW = (72, 128, 78), (112, 170, 58), (84, 140, 44)


def path_original(ppi: int) -> bytes:
    """A green meadow under a blue sky with a yellow sun, for who honours the profile in the file; else all of it wrong.

    Args:
        ppi: of the page.

    Returns:
        A TIFF, its profile `exchanged_profile`.
    """
    picture = _landscape(ppi)
    # Green lies in the channel of blue and blue in that of green, as the profile says.
    image = Image.fromarray(np.rint(picture[:, :, [0, 2, 1]]).astype(np.uint8))
    file = BytesIO()
    image.save(file, "TIFF", compression="tiff_lzw", dpi=(ppi, ppi), icc_profile=exchanged_profile())
    return file.getvalue()


def _landscape(ppi: int) -> Plane:
    """The picture in sRGB, shape (rows, columns, 3), 0 to 255."""
    columns, rows = (round(mm / 25.4 * ppi) for mm in (_WIDTH_MM, _HEIGHT_MM))
    mm = 25.4 / ppi
    y, x = (np.mgrid[0:rows, 0:columns] + 0.5) * mm
    picture = _between(_SKY, _HAZE, y / 26)
    picture = _over(picture, _SUN, _inside(6.5 - np.hypot(x - 52, y - 11), mm))
    picture = _over(picture, _HILLS, _inside(y - (21 + 3.5 * np.sin(x / 9) + 1.2 * np.sin(x / 3.1 + 1)), mm))
    picture = _over(picture, _MEADOW, _inside(y - (29 - x / 16 + 1.5 * np.sin(x / 13 + 2)), mm))
    for n in range(5):  # furrows that run together far off
        middle = 30 + (n - 2) * (2 + (y - 24) * 0.75)
        breadth = (y - 27) * 0.035
        picture = _over(picture, _FURROW, _inside(breadth - np.abs(x - middle), mm))
    return picture


def _between(first: tuple[int, int, int], second: tuple[int, int, int], share: Plane) -> Plane:
    part = np.clip(share, 0, 1)[..., None]
    mixed: Plane = np.array(first) * (1 - part) + np.array(second) * part
    return mixed


def _inside(depth: Plane, mm: float) -> Plane:
    """How much of a pixel is covered, by how deep inside the shape its middle is."""
    covered: Plane = np.clip(depth / mm + 0.5, 0, 1)
    return covered


def _over(picture: Plane, colour: tuple[int, int, int], covered: Plane) -> Plane:
    part = covered[..., None]
    laid: Plane = picture * (1 - part) + np.array(colour) * part
    return laid

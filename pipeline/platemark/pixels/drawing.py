"""Putting a picture on paper, and drawing on it: whole pixels and integers only."""

from collections.abc import Sequence

import numpy as np
import pyvips
from numpy.typing import NDArray

from platemark.pixels.picture import INTERPRETATIONS, Picture

Colour = Sequence[int]
"""One value a channel, 0 to 65535, in the picture's own space; see `paint`."""


def laid_on(picture: Picture, size: tuple[int, int], at: tuple[int, int], colour: Colour) -> Picture:
    """The picture on a sheet of one colour.

    Args:
        picture: as it stands.
        size: width and height of the sheet in pixels.
        at: where the picture's left upper corner goes; what sticks out is cut.
        colour: of the sheet.
    """
    image = picture.pixels()
    return picture.with_pixels(_plain(*size, colour).insert(image, *at))


def filled(picture: Picture, boxes: Sequence[tuple[int, int, int, int]], colour: Colour) -> Picture:
    """The picture with boxes (x, y, width, height) filled; what lies outside is cut, what has no area is left out."""
    if not boxes:
        return picture
    image = picture.pixels()
    for x, y, width, height in boxes:
        if width > 0 and height > 0:
            image = image.insert(_plain(width, height, colour), x, y)
    return picture.with_pixels(image)


def _plain(width: int, height: int, colour: Colour) -> pyvips.Image:
    """A sheet of one colour."""
    bands = len(colour)
    black = pyvips.Image.black(width, height, bands=bands)
    return black.linear([1] * bands, list(colour)).cast("ushort").copy(interpretation=INTERPRETATIONS[bands])


def stamped(picture: Picture, coverage: NDArray[np.uint8], at: tuple[int, int], colour: Colour) -> Picture:
    """The picture with a shape laid over it in one colour.

    Args:
        picture: as it stands.
        coverage: shape (rows, columns), 255 where the colour covers fully; must lie inside the picture.
        at: where its left upper corner goes.
        colour: of the shape.

    Raises:
        ValueError: the shape sticks out of the picture.
    """
    rows, columns = coverage.shape
    x, y = at
    width, height = picture.size
    if not (x >= 0 and y >= 0 and x + columns <= width and y + rows <= height):
        raise ValueError(f"a shape of {columns} x {rows} pixels at {x}, {y} sticks out of {width} x {height}")
    image = picture.pixels()
    under = image.crop(x, y, columns, rows)
    ground = np.frombuffer(under.write_to_memory(), np.uint16).reshape(rows, columns, image.bands).astype(np.uint32)
    share = coverage.astype(np.uint32)[:, :, None]
    mixed = (ground * (255 - share) + np.array(colour, np.uint32) * share + 127) // 255
    patch = pyvips.Image.new_from_memory(mixed.astype(np.uint16).data, columns, rows, image.bands, "ushort")
    return picture.with_pixels(image.insert(patch.copy(interpretation=INTERPRETATIONS[image.bands]), x, y))

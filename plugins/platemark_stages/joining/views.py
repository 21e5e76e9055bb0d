"""The parts in the frame of the joined picture, at low density: for exposure, seam and the slow part of the blend."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from platemark import Affine, Picture
from platemark_stages.joining.placed import Placed, Registration
from platemark_stages.registration.cells import Whole

# A cell is a third of a millimetre: a seam this fine passes between details, and A4 has half a million cells.
_CELL_PPI = 75


@dataclass(frozen=True)
class Views:
    """All parts on one grid of square cells.

    Attributes:
        cell: pixels of the frame along a side of a cell.
        colours: of each part, shape (rows, columns, channels), 0 to 65535.
        depths: how far inside the usable part each cell's middle lies, in pixels; negative outside.
    """

    cell: int
    colours: list[Whole]
    depths: list[Whole]


def views(pictures: Sequence[Picture], registration: Registration) -> Views:
    """Look at the parts as they are placed.

    Raises:
        ValueError: the pictures are not those that were registered, or not of one profile.
    """
    _check(pictures, registration)
    cell = max(2, round(pictures[0].source_ppi / _CELL_PPI))
    columns, rows = -(-registration.width // cell), -(-registration.height // cell)
    colours, depths = [], []
    for picture, part in zip(pictures, registration.parts, strict=True):
        placed = laid(picture, part, (0, 0, columns * cell, rows * cell))
        colours.append(placed.reduced(placed.ppi / cell).array().astype(np.int32))
        depths.append(depth_in(part, part.usable, cell, (rows, columns)))
    return Views(cell, colours, depths)


def laid(picture: Picture, part: Placed, box: tuple[int, int, int, int]) -> Picture:
    """A part in a box (left, top, width, height) of the frame; its pixels are still those of the scan."""
    left, top, width, height = box
    placement = part.affine.then(Affine.translation(-left, -top))
    return replace(picture, placement=placement, ppi=picture.source_ppi, width=float(width), height=float(height))


def _check(pictures: Sequence[Picture], registration: Registration) -> None:
    if registration.held or len(pictures) != len(registration.parts):
        raise ValueError(f"{len(pictures)} pictures do not fit a registration of {len(registration.parts)} parts")
    if len({picture.profile.sha256 for picture in pictures}) > 1:
        raise ValueError("the parts have different colour profiles")


def depth_in(part: Placed, box: Sequence[int], cell: int, shape: tuple[int, int]) -> Whole:
    """How far inside a box (left, top, right, bottom) of the part each cell's middle lies, in pixels."""
    back = part.affine.inverse()
    x = (np.arange(shape[1])[None, :] + 0.5) * cell
    y = (np.arange(shape[0])[:, None] + 0.5) * cell
    across, down = back.a * x + back.b * y + back.tx, back.c * x + back.d * y + back.ty
    left, top, right, bottom = box
    nearest = np.minimum(np.minimum(across - left, right - across), np.minimum(down - top, bottom - down))
    return np.floor(nearest).astype(np.int32)

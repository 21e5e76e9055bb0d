"""Composing: each part resampled once into the frame, its exposure matched, and blended into the joined picture."""

from collections.abc import Sequence

import numpy as np
import pyvips
from numpy.typing import NDArray

from platemark import Picture
from platemark_stages.joining.blend import WEIGHT, Share, shares
from platemark_stages.joining.exposure import Exposure, exposed
from platemark_stages.joining.placed import Placed, Registration
from platemark_stages.joining.seam import Seam, exposed_views, labels
from platemark_stages.joining.surround import unreached
from platemark_stages.joining.views import laid
from platemark_stages.registration.cells import enlarged

_ROWS, _COLUMNS = 128, 512  # pixels of a tile: some 2 MB of working numbers
_NOTHING = np.zeros((1, 1, 1), np.uint16)


def compose(pictures: Sequence[Picture], registration: Registration, exposure: Exposure, seam: Seam) -> pyvips.Image:
    """The joined picture: a pure function of the parts and the parameters.

    Memory holds the result and one resampled part at a time.

    Returns:
        `ushort`, in the profile of the parts. Where no part reaches it goes on as beside.

    Raises:
        ValueError: the parameters are not of these pictures.
    """
    seen = exposed_views(pictures, registration, exposure)
    if seam.cell != seen.cell:
        raise ValueError(f"the seam has cells of {seam.cell} pixels, these pictures want {seen.cell}")
    every = shares(seen, labels(registration, seam, seen), unreached(registration, seen.cell))
    bands = pictures[0].profile.bands
    out = np.zeros((registration.height, registration.width, bands), np.uint16)
    for picture, part, curves, share in zip(pictures, registration.parts, exposure.curves, every, strict=False):
        _add_part(out, picture, part, curves, share)
    _add_surroundings(out, every[-1])
    image = pyvips.Image.new_from_memory(out, registration.width, registration.height, bands, "ushort")
    return image.copy(interpretation="rgb16" if bands == 3 else "grey16")


def _add_part(
    out: NDArray[np.uint16], picture: Picture, part: Placed, curves: Sequence[Sequence[int]], share: Share
) -> None:
    """Resample a part and add its share to the picture, tile by tile."""
    left, top, right, bottom = box = _reached(share, out.shape)
    if left >= right:
        return
    image = exposed(laid(picture, part, (left, top, right - left, bottom - top)).pixels(), curves)
    for first in range(top, bottom, _ROWS):
        rows = (first, min(first + _ROWS, bottom))
        strip = image.crop(0, first - top, right - left, rows[1] - first)
        values = np.frombuffer(strip.write_to_memory(), np.uint16).reshape(rows[1] - first, right - left, -1)
        for columns in _spans(box):
            _add_tile(out, values[:, columns[0] - left : columns[1] - left], share, rows, columns)


def _add_surroundings(out: NDArray[np.uint16], share: Share) -> None:
    """Add what lies beyond all parts."""
    box = _reached(share, out.shape)
    top, bottom = box[1], box[3]
    for first in range(top, bottom, _ROWS):
        for columns in _spans(box):
            _add_tile(out, _NOTHING, share, (first, min(first + _ROWS, bottom)), columns)


def _reached(share: Share, shape: tuple[int, ...]) -> tuple[int, int, int, int]:
    """Left, top, right and bottom of the pixels to which a share gives anything."""
    if not share.weight.any():
        return 0, 0, 0, 0
    cell = share.cell
    rows, columns = np.flatnonzero(share.weight.any(axis=1)), np.flatnonzero(share.weight.any(axis=0))
    left, top = max(int(columns[0]) - 1, 0) * cell, max(int(rows[0]) - 1, 0) * cell
    return left, top, min((int(columns[-1]) + 2) * cell, shape[1]), min((int(rows[-1]) + 2) * cell, shape[0])


def _spans(box: tuple[int, int, int, int]) -> list[tuple[int, int]]:
    """The columns [from, to) of the tiles of a box."""
    left, _, right, _ = box
    return [(start, min(start + _COLUMNS, right)) for start in range(left, right, _COLUMNS)]


def _add_tile(
    out: NDArray[np.uint16], tile: NDArray[np.uint16], share: Share, rows: tuple[int, int], columns: tuple[int, int]
) -> None:
    """Add one tile to the picture; correction and weight lie straight between the cells."""
    cells = _cells(share.cell, rows), _cells(share.cell, columns)
    weight, correction = share.weight[cells], share.correction[cells]
    place = out[rows[0] : rows[1], columns[0] : columns[1]]
    if not weight.any():
        return
    if (weight == WEIGHT).all() and not correction.any():
        place[:] = tile
        return
    whole = (2 * share.cell) ** 2
    near = enlarged(share.weight, share.cell, rows, columns)[:, :, None]
    added = (enlarged(share.correction, share.cell, rows, columns) + whole // 2) // whole
    values = np.clip(tile.astype(np.int32) + added, 0, 65535)
    # 65535 x 16 x (2 x 16) squared is below 2 to the 31st: cells of up to 16 pixels, 1200 ppi.
    shared = (values * near + WEIGHT * whole // 2) // (WEIGHT * whole)
    # Halves that were rounded up in two parts may exceed white by one.
    place[:] = np.minimum(place + shared, 65535)


def _cells(cell: int, span: tuple[int, int]) -> slice:
    """The cells that pixels [from, to) draw from."""
    return slice(max(span[0] // cell - 1, 0), -(-span[1] // cell) + 1)

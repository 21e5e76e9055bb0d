"""Grey planes of a part at falling density, for measuring only."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pyvips
from numpy.typing import NDArray

from platemark import Affine

Floats = NDArray[np.float32]
Pixels = NDArray[np.uint16]

# At 12 to 24 ppi the lettering of a picture is gone and its masses remain: A4 is 155 x 219 pixels, so that every
# shift of one part against another can be tried.
COARSEST_PPI = 24.0


@dataclass(frozen=True)
class Level:
    """All parts at one density.

    Attributes:
        planes: grey, one a part, lightly smoothed so that it can be shifted by parts of a pixel; full scale is 1.
        factor: pixels of the parts a pixel of the planes.
        ppi: of the planes.
    """

    planes: list[Floats]
    factor: int
    ppi: float


def pyramid(parts: Sequence[Pixels], ppi: float) -> list[Level]:
    """Halve the parts until their density is at most 24 ppi; the coarsest comes first."""
    planes = [_grey(part) for part in parts]
    factor, levels = 1, []
    while True:
        levels.append(Level([_smoothed(plane) for plane in planes], factor, ppi / factor))
        if ppi / factor <= COARSEST_PPI:
            return levels[::-1]
        planes = [_halved(plane) for plane in planes]
        factor *= 2


def near(levels: Sequence[Level], ppi: float) -> Level:
    """The level whose density is nearest to `ppi`."""
    return min(levels, key=lambda level: abs(np.log(level.ppi / ppi)))


def warped(plane: Floats, placement: Affine, box: tuple[int, int, int, int]) -> Floats:
    """Put a plane through `placement` and give the box (left, top, width, height) of the result."""
    left, top, width, height = box
    rows, columns = plane.shape
    image = pyvips.Image.new_from_memory(np.ascontiguousarray(plane), columns, rows, 1, "float")
    x, y = placement.apply([(0.5, 0.5)])[0]
    moved = image.affine(
        [placement.a, placement.b, placement.c, placement.d],
        interpolate=pyvips.Interpolate.new("bicubic"),
        oarea=[0, 0, width, height],
        odx=float(x) - 0.5 - left,
        ody=float(y) - 0.5 - top,
        extend="copy",
    )
    return np.frombuffer(moved.write_to_memory(), np.float32).reshape(height, width)


def _grey(part: Pixels) -> Floats:
    """The mean of the channels, green twice: it carries most of what the eye calls detail."""
    if part.ndim == 2 or part.shape[2] < 3:
        return part.reshape(*part.shape[:2], -1)[:, :, 0].astype(np.float32) / np.float32(65535)
    grey = part[:, :, 1].astype(np.float32) * 2
    grey += part[:, :, 0]
    grey += part[:, :, 2]
    grey /= 4 * 65535
    return grey


def _halved(plane: Floats) -> Floats:
    """The means of 2 x 2 pixels; an odd last row or column is left out."""
    rows, columns = plane.shape[0] // 2 * 2, plane.shape[1] // 2 * 2
    even = plane[:rows, :columns]
    halved: Floats = (even[::2, ::2] + even[1::2, ::2]) + (even[::2, 1::2] + even[1::2, 1::2])
    halved *= np.float32(0.25)
    return halved


def _smoothed(plane: Floats) -> Floats:
    """Smoothed by 1 4 6 4 1 along both axes: interpolation is then exact to a hundredth of the contrast."""
    for axis in (0, 1):
        padded = np.pad(plane, [(2, 2) if a == axis else (0, 0) for a in (0, 1)], mode="edge")
        length = plane.shape[axis]
        shifted = [_window(padded, axis, k, length) for k in range(5)]
        plane = (shifted[0] + shifted[4] + 4 * (shifted[1] + shifted[3]) + 6 * shifted[2]) / np.float32(16)
    return plane


def _window(padded: Floats, axis: int, start: int, length: int) -> Floats:
    return padded[start : start + length] if axis == 0 else padded[:, start : start + length]

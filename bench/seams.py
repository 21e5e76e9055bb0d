"""Steps of colour across seams that the original does not have, each 5 mm, as a spot of 3 x 5 mm on either side shows.

A spot's colour is that of its mean light: light adds, and so does whoever looks at a spot from a distance, or measures
it through an opening. The mean of L*a*b* values is not that colour wherever the spot holds an edge of paint: there
blur alone, which every scanner adds, changes it, by 0.7 CIEDE2000 in a part that was not joined at all.
"""

from collections.abc import Sequence

import numpy as np
import pyvips
from numpy.typing import NDArray

from platemark import Affine, Picture, colour_difference, srgb
from platemark_stages.joining import Seam

Doubles = NDArray[np.float64]
Spot = tuple[int, int, bool]  # column and row in the reference, and whether the seam there runs upright

_EACH_MM, _NEAR_MM, _FAR_MM, _RIM_MM = 5.0, 0.5, 3.5, 3.0


def spots(seam: Seam, to_reference: Affine, size: tuple[int, int], unit: float) -> list[Spot]:
    """Where the seams are looked at, `unit` pixels a millimetre; 3 mm at the rim of the sheet are left out."""
    upright = [[(x, y + 0.5) for y, x in enumerate(path)] for row in seam.upright for path in row]
    level = [[(x + 0.5, y) for x, y in enumerate(seam.level)]] if seam.level else []
    every = max(1, round(_EACH_MM * unit / seam.cell))
    least = (_RIM_MM + _FAR_MM) * unit
    found = []
    for path, is_upright in [(path, True) for path in upright] + [(path, False) for path in level]:
        for x, y in to_reference.apply(np.array(path)[::every] * seam.cell):
            if least < x < size[0] - least and least < y < size[1] - least:
                found.append((round(float(x)), round(float(y)), is_upright))
    return found


def steps(places: Sequence[Spot], got: Doubles, wanted: Doubles, unit: float) -> Doubles:
    """CIEDE2000 of what `got` changes from side to side of each place and `wanted` does not; encoded sRGB, 0 to 1."""
    seen, true = (_lab(np.array([_sides(image, spot, unit) for spot in places])) for image in (got, wanted))
    shift = (seen - true)[:, 0] - (seen - true)[:, 1]
    ground = true[:, 1:2]
    changed = colour_difference((ground + shift[:, None]).astype(np.float32), ground.astype(np.float32))
    return np.asarray(changed[:, 0], dtype=np.float64)


def _sides(image: Doubles, spot: Spot, unit: float) -> Doubles:
    """Mean light on both sides of a place, shape (2, 3)."""
    column, row, upright = spot
    across, along = (column, row) if upright else (row, column)
    turned = image if upright else image.swapaxes(0, 1)
    near, far, half = (round(length * unit) for length in (_NEAR_MM, _FAR_MM, _EACH_MM / 2))
    rows = slice(along - half, along + half)
    sides = [turned[rows, across - far : across - near], turned[rows, across + near : across + far]]
    return np.array([_light(side).mean(axis=(0, 1)) for side in sides])


def _light(encoded: Doubles) -> Doubles:
    """Source: IEC 61966-2-1."""
    return np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)


def _lab(light: Doubles) -> Doubles:
    encoded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    whole = np.rint(np.clip(encoded, 0, 1) * 65535).astype(np.uint16)
    image = pyvips.Image.new_from_array(whole).copy(interpretation="rgb16")
    return np.asarray(Picture.of(image, srgb(), 300).lab(), dtype=np.float64)

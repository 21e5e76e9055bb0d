"""Finding: from the scan to what is to be repaired on it, in scan pixels."""

from dataclasses import dataclass, field

import numpy as np

from platemark import Picture
from platemark_stages.dust.hairs import Hair, find_hairs
from platemark_stages.dust.heights import relief
from platemark_stages.dust.judging import Care, dust_among
from platemark_stages.dust.specks import Specks, find_specks
from platemark_stages.dust.streaks import Streak, correct, find_streaks
from platemark_stages.dust.survey import survey

# The spread of light beyond the half height of a speck, in working pixels: two sigma of a sharp sensor.
_SKIRT = 1.5


@dataclass
class Found:
    """What is wrong with a scan, in scan pixels; see the stage's parameters."""

    spots: list[tuple[float, float, float]] = field(default_factory=list)
    hairs: list[list[float]] = field(default_factory=list)
    columns: list[Streak] = field(default_factory=list)
    rows: list[Streak] = field(default_factory=list)


def find_dust(picture: Picture, care: Care) -> Found:
    """Look at the whole scan for streaks, and at what the picture's frame shows for specks and hairs."""
    seen = survey(picture.open(), picture.source_ppi)
    found = Found(columns=find_streaks(seen.columns), rows=find_streaks(seen.rows))
    left, top, right, bottom = _frame(picture, seen.pixels.shape, seen.factor)
    correct(seen.pixels, found.columns, found.rows, seen.factor)
    pixels = seen.pixels[top:bottom, left:right]
    if not pixels.size:
        return found
    reliefs = {sign: relief(pixels, seen.ppmm, sign) for sign in (1, -1)}
    for sign, one in reliefs.items():
        specks = find_specks(pixels, one, reliefs[-sign], care.alone_mm)
        found.spots += _spots(specks.those(dust_among(specks, seen.ppmm, care)), (left, top), seen.factor)
    found.hairs = [_hair(hair, (left, top), seen.factor) for hair in find_hairs(pixels, seen.ppmm, care)]
    found.spots = sorted(spot for spot in found.spots if _shown(picture, [spot[:2]]))
    found.hairs = sorted(
        hair for hair in found.hairs if _shown(picture, list(zip(hair[1::2], hair[2::2], strict=True)))
    )
    return found


def _frame(picture: Picture, shape: tuple[int, ...], factor: int) -> tuple[int, int, int, int]:
    """The part of the scan that the frame reaches over: left, top, right, bottom in working pixels."""
    width, height = picture.width, picture.height
    corners = picture.placement.inverse().apply([(0, 0), (width, 0), (width, height), (0, height)]) / factor
    low, high = np.floor(corners.min(axis=0)), np.ceil(corners.max(axis=0))
    left, top = (max(0, int(value)) for value in low)
    return left, top, min(shape[1], int(high[0])), min(shape[0], int(high[1]))


def _shown(picture: Picture, points: list[tuple[float, float]]) -> bool:
    """Whether any of these scan positions lies in the frame."""
    at = picture.placement.apply(points)
    return bool(((at >= 0) & (at <= (picture.width, picture.height))).all(axis=1).any())


def _spots(specks: Specks, corner: tuple[int, int], factor: int) -> list[tuple[float, float, float]]:
    """The circles around specks; a tenth of a pixel is finer than the edge of any."""
    x, y = (specks.x + corner[0] + 0.5) * factor, (specks.y + corner[1] + 0.5) * factor
    radius = (specks.radius + _SKIRT) * factor
    circles = zip(x.tolist(), y.tolist(), radius.tolist(), strict=True)
    # Two summits of one speck give the same circle.
    return sorted({(round(a, 1), round(b, 1), round(r, 1)) for a, b, r in circles})


def _hair(hair: Hair, corner: tuple[int, int], factor: int) -> list[float]:
    """Half its width and the points along it, on the scan."""
    points = (hair.path[:, ::-1] + corner + 0.5) * factor
    return [round((hair.half + _SKIRT) * factor, 1), *(round(value, 1) for value in points.ravel().tolist())]

"""Finding: from the scan to what is to be repaired on it, in scan pixels."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from platemark import Picture
from platemark_stages.dust.hairs import hairs_among
from platemark_stages.dust.heights import relief
from platemark_stages.dust.judging import Care, dust_among
from platemark_stages.dust.marks import Marks, find_marks
from platemark_stages.dust.specks import Specks, find_specks
from platemark_stages.dust.streaks import Streak, corrected, find_streaks
from platemark_stages.dust.survey import survey

Points = NDArray[np.float64]

# The spread of light beyond the half height of a speck, in working pixels: two sigma of a sharp sensor.
_SKIRT = 1.5
_HAIR_POINTS = 9


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
    pixels = corrected(seen.pixels, found.columns, found.rows, seen.factor)[top:bottom, left:right]
    if not pixels.size:
        return found
    reliefs = {sign: relief(pixels, seen.ppmm, sign) for sign in (1, -1)}
    for sign, one in reliefs.items():
        specks = find_specks(pixels, one, reliefs[-sign], care.alone_mm)
        found.spots += _spots(specks.those(dust_among(specks, seen.ppmm, care)), (left, top), seen.factor)
        marks = find_marks(one.heights, seen.ppmm, sign)
        hairs = hairs_among(marks, pixels, seen.ppmm, care)
        found.hairs += [_hair(marks, mark, (left, top), seen.factor) for mark in hairs]
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


def _hair(marks: Marks, mark: int, corner: tuple[int, int], factor: int) -> list[float]:
    """The path along a hair: means of its pixels in equal shares of its longer direction."""
    y, x = (values.astype(np.float64) for values in marks.pixels(mark))
    points = np.stack([x, y], axis=1)
    middle = points.mean(axis=0)
    direction = np.linalg.svd(points - middle, full_matrices=False)[2][0]
    order = (points - middle) @ direction
    shares = np.clip(np.floor((order - order.min()) / max(np.ptp(order), 1e-9) * _HAIR_POINTS), 0, _HAIR_POINTS - 1)
    path = [points[shares == share].mean(axis=0) for share in range(_HAIR_POINTS) if (shares == share).any()]
    ends = [points[order.argmin()], *path, points[order.argmax()]]
    half = _farthest(points, np.array(ends)) + _SKIRT
    flat = [round(float((value + c + 0.5) * factor), 1) for end in ends for value, c in zip(end, corner, strict=True)]
    return [round(half * factor, 1), *flat]


def _farthest(points: Points, path: Points) -> float:
    """How far the points lie from a path, at most."""
    start, step = path[:-1], np.diff(path, axis=0)
    length = np.maximum(np.square(step).sum(axis=1), 1e-9)
    share = np.clip(((points[:, None] - start) * step).sum(axis=2) / length, 0, 1)
    away = points[:, None] - (start + share[..., None] * step)
    return float(np.sqrt(np.square(away).sum(axis=2)).min(axis=1).max())

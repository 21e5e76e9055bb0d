"""Hairs: long, thin and even, smoothly bent, alone, without colour of their own, and ending in nothing."""

from dataclasses import dataclass

import numpy as np

from platemark_stages.dust.chains import Points, chains
from platemark_stages.dust.judging import OWN_COLOUR, Care
from platemark_stages.dust.lines import Line, line_through
from platemark_stages.dust.ridges import CELL, find_ridges, reduced
from platemark_stages.dust.specks import SEEN
from platemark_stages.dust.survey import Pixels

# Hair is 0.05 to 0.1 mm wide, mostly 0.08 (common practice). A bright one hides what is under it. A dark one lets light
# through and throws back some, half in all; a line that takes more is ink.
_OPAQUE_MM = {1: 0.04, -1: 0.1}
# Four fifths of it stand out three quarters as much as its middle does: a stroke begins and ends with pressure, an edge
# comes and goes.
_EVEN = 0.75
# Beyond its ends it is gone, but for a third that light and grain may leave.
_ENDED = 1 / 3
# Where both sides differ by a quarter of its height, it is the edge of something.
_EDGE = 0.25
# What keeps to one column or row all along, within so many pixels, is the sensor's own.
_STRAIGHT = 1.5
# Where more lines than these are as strong, by a half, and in company, a hand drew them.
_SAME, _MANY = 1.5, 6


@dataclass(frozen=True)
class Hair:
    """A hair.

    Attributes:
        half: half its width, in working pixels.
        path: y and x of points along it; the first pixel's centre is 0.
    """

    half: float
    path: Points


def find_hairs(pixels: Pixels, ppmm: float, care: Care) -> list[Hair]:
    """All hairs, dark and bright.

    Args:
        pixels: shape (rows, columns, channels).
        ppmm: pixels per millimetre.
        care: how sure to be.
    """
    grey, factor = reduced(pixels, ppmm)
    if min(grey.shape) < CELL:
        return []
    lines = [
        line
        for sign, ridges in find_ridges(grey).items()
        for points in chains(ridges)
        if (line := line_through(points, sign, pixels, grey, ppmm / factor)) is not None
    ]
    hairs = [line for line in lines if _is_hair(line, care) and not _drawn(line, lines, care)]
    return [Hair(line.half * factor, (line.path + 0.5) * factor - 0.5) for line in hairs]


def _is_hair(line: Line, care: Care) -> bool:
    return bool(
        line.height >= SEEN
        and line.even >= _EVEN
        and line.colour < OWN_COLOUR
        and line.opaque_mm <= _OPAQUE_MM[line.sign]
        and line.height >= care.hair_further * line.company
        # It is a mean of many pixels, so that as much in single ones beside it does not hide it.
        and line.height >= line.spread
        and line.beyond <= _ENDED * line.height
        and line.step <= _EDGE * line.height
        and np.ptp(line.path, axis=0).min() > _STRAIGHT
    )


def _drawn(line: Line, lines: list[Line], care: Care) -> bool:
    """Whether many lines of its strength are not alone."""
    alike = [other for other in lines if other.sign == line.sign and 1 / _SAME <= other.height / line.height <= _SAME]
    return sum(other.height < care.hair_further * other.company for other in alike) > _MANY

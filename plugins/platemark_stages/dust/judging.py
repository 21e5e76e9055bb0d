"""Dust or ink? What speaks for dust: alone, small, sharp, without colour of its own, unlike all around it.

Where dust and ink look the same (a full stop is a speck), the mark is left alone.
"""

from dataclasses import dataclass

import numpy as np

from platemark_stages.dust.heights import STRONG
from platemark_stages.dust.specks import Mask, Specks
from platemark_stages.dust.survey import Floats


@dataclass(frozen=True)
class Care:
    """How sure one wants to be.

    Attributes:
        height: least height of a speck, 0 to 65535. A step of 3 in 255 is about 1 L* in the lights, just visible
            (IEC 61966-2-1 with CIE 15, computed); half as much again is seen without searching.
        grain: how many times a speck stands above the usual highest of a cell, in tenths of which it is exceeded.
        alone_mm: how far around a speck to look.
        further: how many times a speck is higher than anything there.
        quiet: how many times its height is that of all greys around it; then nothing of the art is there.
        company: so many marks a third as high within 5 mm are still no pattern.
        hair_further: how many times a hair stands out further than any line beside it.
    """

    height: float
    grain: float
    alone_mm: float
    further: float
    quiet: float
    company: int
    hair_further: float


# A nib draws dots within a few millimetres of its lines. On a very dusty glass (150 specks on A4) 0.2 others are to be
# expected within 5 mm each way, and four come together in one of ten thousand such
# places (Poisson).
CAREFUL = Care(height=4.5 * 257, grain=4.0, alone_mm=1.5, further=1.4, quiet=1.4, company=3, hair_further=1.4)
THOROUGH = Care(height=4.5 * 257, grain=4.0, alone_mm=0.7, further=1.4, quiet=1.2, company=5, hair_further=1.1)
# In the midst of paint a speck has to be sharper and further from the grain than on a quiet ground.
_PAINT_GRAIN, _PAINT_SLOPE = 1.25, 0.33
# A step across an edge that a sensor blurs by 0.7 pixels, one sigma, is at least half its height (normal
# distribution); twice as soft is not lying on the glass. A step of more than its height is that of something beside it.
SHARP, _SHARPEST = 0.25, 1.25
# What neither a grey veil nor a shadow explains of a difference, as a share of it: paint.
OWN_COLOUR = 0.08
_COMPANY_MM, _AKIN = 5.0, 0.35
# Dust falls anywhere; where strong marks alike stand in crowds, more than six and a quarter of them, they were drawn:
# the others are those that the hand set further out.
_SAME, _MANY, _CROWDED = 0.25, 6, 0.25


def dust_among(specks: Specks, ppmm: float, care: Care) -> Mask:
    """Which of these are dust."""
    apart = (specks.beyond >= care.grain) & (specks.peak >= specks.around)
    alone = apart & (specks.peak >= care.further * np.maximum(specks.around, specks.against))
    sharp = (specks.slope >= SHARP) & (specks.slope <= _SHARPEST)
    quiet = specks.peak >= care.quiet * specks.spread
    clear = (specks.peak >= specks.spread) & (specks.slope >= _PAINT_SLOPE)
    clear &= specks.beyond >= _PAINT_GRAIN * care.grain
    dust = alone & sharp & (quiet | clear) & (specks.peak >= care.height) & (specks.colour < OWN_COLOUR)
    dust &= _company(specks, apart, _AKIN, ppmm) <= care.company
    return np.asarray(dust & ~_drawn(specks, dust, ppmm, care))


def _company(specks: Specks, among: Mask, share: float, ppmm: float) -> Floats:
    """How many others of such a share of its height lie within 5 mm each way of each."""
    count, far = np.zeros(len(specks.x), np.float32), _COMPANY_MM * ppmm
    y, x, peak = specks.y[among], specks.x[among], specks.peak[among]
    for i in range(len(count)):
        near = (np.abs(x - specks.x[i]) <= far) & (np.abs(y - specks.y[i]) <= far) & (peak >= share * specks.peak[i])
        count[i] = np.count_nonzero(near) - among[i]
    return count


def _drawn(specks: Specks, dust: Mask, ppmm: float, care: Care) -> Mask:
    """Which are strong, and many marks of their strength stand in crowds: one pen, one hand."""
    strong = specks.peak >= STRONG
    crowded = strong & (_company(specks, strong, 0.0, ppmm) > care.company)
    drawn = np.zeros(len(dust), bool)
    for i in np.flatnonzero(dust & strong).tolist():
        alike = strong & (np.abs(specks.peak - specks.peak[i]) <= _SAME * specks.peak[i])
        drawn[i] = np.count_nonzero(crowded & alike) > max(_MANY, _CROWDED * np.count_nonzero(alike))
    return drawn

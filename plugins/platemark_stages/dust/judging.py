"""Dust or ink? What speaks for dust: alone, small or thin, sharp, without colour of its own, unlike all around it.

Each test has to be passed. Where dust and ink look the same (a full stop is a speck), the mark is left alone.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platemark_stages.dust.marks import WIDEST_MM, Marks, softened
from platemark_stages.dust.survey import Floats, Pixels

Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class Care:
    """How sure one wants to be.

    Attributes:
        alone_mm: no stroke is nearer to a speck.
        hair_alone_mm: as `alone_mm`, for hairs.
        company: so many marks of that height within `_COMPANY_MM` are still no pattern.
        further: how many times the variation around it a mark must stand out; what does not may be a part of it.
    """

    alone_mm: float
    hair_alone_mm: float
    company: int
    further: float


# A nib draws dots within a few millimetres of its lines. Two marks by chance within 5 mm are usual on a very dusty
# glass (150 specks on A4: 0.2 expected, three come in one of a thousand such places).
CAREFUL = Care(alone_mm=2.0, hair_alone_mm=4.0, company=2, further=1.4)
THOROUGH = Care(alone_mm=0.7, hair_alone_mm=2.0, company=5, further=1.1)
_COMPANY_MM = 5.0
# What is a little fainter belongs to the same grain; what is four times fainter, and no grain, to the same pattern.
_AS_HIGH, _FAINTER = 0.75, 0.25
# Lint is longer than this and hair on a scan rarely longer than that (common practice).
_HAIR_MM = (0.8, 15.0)
_HAIR_WIDTH_MM = 0.35
# What neither a grey veil nor a shadow explains of a difference, as a share of it: paint.
_OWN_COLOUR = 0.12
# A step across an edge that a sensor blurs by 0.7 pixels, one sigma, is at least half its height (normal
# distribution); twice as soft is not lying on the glass.
_SHARP = 0.25


@dataclass(frozen=True)
class Dust:
    """What was taken for dust; numbers of marks."""

    specks: list[int]
    hairs: list[int]


def judge(marks: Marks, pixels: Pixels, ppmm: float, care: Care) -> Dust:
    """Sort the dust out of the marks of one sign."""
    speck, hair = _shapes(marks, ppmm)
    rows, columns = pixels.shape[:2]
    # What touches the rim is cut, and cannot be judged.
    whole = (marks.top > 1) & (marks.left > 1) & (marks.bottom < rows - 2) & (marks.right < columns - 2)
    clear = marks.peak >= marks.limit
    look = Look(marks, clear & ~speck, pixels, ppmm, care)

    def dust_among(shape: Mask, alone_mm: float) -> list[int]:
        return [mark for mark in np.flatnonzero(clear & whole & shape).tolist() if look.is_dust(mark, alone_mm)]

    return Dust(dust_among(speck, care.alone_mm), dust_among(hair, care.hair_alone_mm))


def _shapes(marks: Marks, ppmm: float) -> tuple[Mask, Mask]:
    """Which marks are small and compact, and which long and thin."""
    tall, wide = marks.bottom - marks.top + 1, marks.right - marks.left + 1
    longest, length = np.maximum(tall, wide), np.hypot(tall, wide) / ppmm
    # Light spreads over one or two pixels on each side.
    speck = (longest <= WIDEST_MM * ppmm + 4) & (marks.area >= 0.35 * longest**2)
    thin = marks.area / longest <= _HAIR_WIDTH_MM * ppmm + 2
    return speck, ~speck & thin & (length >= _HAIR_MM[0]) & (length <= _HAIR_MM[1])


class Look:
    """A close look at single marks and what surrounds them."""

    def __init__(self, marks: Marks, stroke: Mask, pixels: Pixels, ppmm: float, care: Care) -> None:
        """Remember what to look at.

        Args:
            marks: all of one sign.
            stroke: which of them are no specks.
            pixels: where they were found.
            ppmm: pixels per millimetre.
            care: how sure to be.
        """
        self._marks, self._stroke, self._pixels, self._ppmm, self._care = marks, stroke, pixels, ppmm, care
        self._label = np.repeat(np.arange(len(marks.area)), marks.area)

    def is_dust(self, mark: int, alone_mm: float) -> bool:
        """Alone, in little company, sharp, colourless and further from the ground than what lies around it."""
        if self._stroke_near(mark, alone_mm) or self._company(mark) > self._care.company:
            return False
        window, inside = self._window(mark, alone_mm)
        around = ~_widened(inside | self._other_specks(window.shape[:2]), 2)
        if not around.any():
            return False
        ground = np.median(window[around], axis=0)
        core = self._core(window, mark)
        height = abs(float(ground.mean() - core.mean()))
        return (
            own_colour(ground, core) < _OWN_COLOUR
            and _is_sharp(window, inside, height)
            # Grain varies, and so do edges and what compression leaves beside them.
            and height >= self._care.further * float(np.ptp(softened(window).mean(axis=2)[around]))
        )

    def _stroke_near(self, mark: int, within_mm: float) -> bool:
        """Whether a pixel of a stroke other than the mark itself lies so near."""
        other = self._label[self._inside(mark, within_mm)]
        return bool(np.any(self._stroke[other] & (other != mark)))

    def _company(self, mark: int) -> int:
        """How many other marks lie near that are as high as this one, or nearly."""
        other = np.unique(self._label[self._inside(mark, _COMPANY_MM)])
        share = self._marks.peak[other] / self._marks.peak[mark]
        alike = (share >= _AS_HIGH) | ((share >= _FAINTER) & (self._marks.peak[other] >= self._marks.limit[other]))
        return int(np.count_nonzero(alike)) - 1

    def _inside(self, mark: int, within_mm: float) -> Mask:
        marks, far = self._marks, within_mm * self._ppmm
        return (
            (marks.y >= marks.top[mark] - far)
            & (marks.y <= marks.bottom[mark] + far)
            & (marks.x >= marks.left[mark] - far)
            & (marks.x <= marks.right[mark] + far)
        )

    def _window(self, mark: int, margin_mm: float) -> tuple[Floats, Mask]:
        """What surrounds a mark, and where in it the mark is."""
        marks, margin = self._marks, max(4, round(margin_mm * self._ppmm))
        self._top, self._left = max(0, marks.top[mark] - margin), max(0, marks.left[mark] - margin)
        rows = slice(self._top, marks.bottom[mark] + margin + 1)
        window = self._pixels[rows, self._left : marks.right[mark] + margin + 1].astype(np.float32)
        y, x = marks.pixels(mark)
        inside = np.zeros(window.shape[:2], bool)
        inside[y - self._top, x - self._left] = True
        return window, inside

    def _other_specks(self, shape: tuple[int, ...]) -> Mask:
        """Where in the window other small marks are; whether they are too many is asked elsewhere."""
        marks, (rows, columns) = self._marks, shape
        y, x = marks.y - self._top, marks.x - self._left
        here = (y >= 0) & (y < rows) & (x >= 0) & (x < columns) & ~self._stroke[self._label]
        inside = np.zeros(shape, bool)
        inside[y[here], x[here]] = True
        return inside

    def _core(self, window: Floats, mark: int) -> Floats:
        """Mean colour of the higher quarter of a mark."""
        y, x = self._marks.pixels(mark)
        core = slice(0, max(1, len(y) // 4))
        return window[y[core] - self._top, x[core] - self._left].mean(axis=0)


def _is_sharp(window: Floats, inside: Mask, height: float) -> bool:
    """Whether there is a steep step on each of the four sides."""
    grey, near = window.mean(axis=2), _widened(inside, 1)
    down, right = np.diff(grey, axis=0)[near[1:]], np.diff(grey, axis=1)[near[:, 1:]]
    return min(down.max(), -down.min(), right.max(), -right.min()) >= _SHARP * height


def own_colour(ground: Floats, core: Floats) -> float:
    """How much of a difference stays unexplained when the mark is a grey veil over the ground, 0 to 1.

    A veil of grey value v that covers the share a makes ground (1 - a) + v a; with v = 0 it is a shadow. Chroma is
    often stored at half the density, so that of a small speck only the lightness shows: that is tried as well.
    """
    off = ground - core
    size = float(np.sqrt(np.square(off).sum()))
    if not size:
        return 1.0
    tried = [off - off.mean()]
    for share in np.arange(1, 21, dtype=np.float32) / 20:
        veil = ground - off / share
        value = min(max(float(veil.mean()), 0.0), 65535.0)
        tried.append((veil - np.float32(value)) * share)
    return min(float(np.sqrt(np.square(rest).sum())) for rest in tried) / size


def _widened(inside: Mask, by: int) -> Mask:
    for _ in range(by):
        padded = np.pad(inside, 1)
        inside = padded[:-2, 1:-1] | padded[2:, 1:-1] | padded[1:-1, :-2] | padded[1:-1, 2:] | inside
    return inside

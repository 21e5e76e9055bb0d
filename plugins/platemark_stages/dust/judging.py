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


# A nib draws dots within a few millimetres of its lines. On a very dusty glass (150 specks on A4) 0.2 others are to be
# expected within 5 mm each way, and four come together in one of ten thousand such places (Poisson).
CAREFUL = Care(alone_mm=1.5, hair_alone_mm=3.0, company=3, further=1.4)
THOROUGH = Care(alone_mm=0.7, hair_alone_mm=2.0, company=5, further=1.1)
_COMPANY_MM = 5.0
# What is a little fainter belongs to the same grain; what is three times fainter, and no grain, to the same hand.
_AS_HIGH, _AKIN = 0.75, 0.35
# Dust falls anywhere; where marks that go a seventh of the whole range stand in crowds, six at least, they were drawn.
_STRONG, _SAME, _MANY = 65535 / 7, 0.25, 6
# So many of a crowd are looked at closely.
_ASKED = 24
# Lint is longer than this and hair on a scan rarely longer than that (common practice).
_HAIR_MM = (0.8, 15.0)
_HAIR_WIDTH_MM = 0.35
# What neither a grey veil nor a shadow explains of a difference, as a share of it: paint.
_OWN_COLOUR = 0.08
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
    look = Look(marks, clear, speck, pixels, ppmm, care)

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

    def __init__(self, marks: Marks, clear: Mask, speck: Mask, pixels: Pixels, ppmm: float, care: Care) -> None:
        """Remember what to look at.

        Args:
            marks: all of one sign.
            clear: which of them stand out from the grain.
            speck: which of them are small and compact.
            pixels: where they were found.
            ppmm: pixels per millimetre.
            care: how sure to be.
        """
        self._marks, self._pixels, self._ppmm, self._care = marks, pixels, ppmm, care
        self._clear, self._stroke = clear, clear & ~speck
        self._crowded = _crowds(marks, clear, _COMPANY_MM * ppmm, care.company)

    def is_dust(self, mark: int, alone_mm: float) -> bool:
        """Alone, in little company, and dust by its looks."""
        return (
            not self._stroke_near(mark, alone_mm)
            and self._company(mark) <= self._care.company
            and self._looks_it(mark, further=self._care.further)
            and not self._is_ink(mark)
        )

    def _looks_it(self, mark: int, *, further: float) -> bool:
        """Sharp, colourless, and so many times further from the ground than what lies around it."""
        window, inside = self._window(mark, self._care.alone_mm)
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
            and height >= further * float(np.ptp(softened(window).mean(axis=2)[around]))
        )

    def _stroke_near(self, mark: int, within_mm: float) -> bool:
        """Whether a pixel of a stroke of some strength, other than the mark itself, lies so near."""
        marks, far = self._marks, within_mm * self._ppmm
        akin = self._stroke & (marks.peak >= _AKIN * marks.peak[mark])
        akin[mark] = False
        top, bottom, left, right = (box[mark] for box in (marks.top, marks.bottom, marks.left, marks.right))
        for other in self._reaching(akin, top - far, bottom + far, left - far, right + far):
            y, x = marks.pixels(other)
            if np.any((y >= top - far) & (y <= bottom + far) & (x >= left - far) & (x <= right + far)):
                return True
        return False

    def _company(self, mark: int) -> int:
        """How many other marks lie near that are as high as this one, or nearly."""
        marks, far = self._marks, _COMPANY_MM * self._ppmm
        share = marks.peak / marks.peak[mark]
        alike = (share >= _AS_HIGH) | ((share >= _AKIN) & self._clear)
        near = np.abs(marks.peak_y - marks.peak_y[mark]) <= far
        near &= np.abs(marks.peak_x - marks.peak_x[mark]) <= far
        return int(np.count_nonzero(alike & near)) - 1

    def _reaching(self, among: Mask, top: float, bottom: float, left: float, right: float) -> list[int]:
        """Numbers of those marks whose box has a part in this one."""
        marks = self._marks
        down = (marks.bottom >= top) & (marks.top <= bottom)
        return np.flatnonzero(among & down & (marks.right >= left) & (marks.left <= right)).tolist()

    def _is_ink(self, mark: int) -> bool:
        """Whether it is strong, and most marks of its strength stand in crowds and look like it: one pen, one hand."""
        peak = self._marks.peak
        alike = self._clear & (np.abs(peak - peak[mark]) <= _SAME * peak[mark])
        crowd = np.flatnonzero(alike & self._crowded)
        if peak[mark] < _STRONG or len(crowd) <= max(_MANY, np.count_nonzero(alike) / 2):
            return False
        asked = crowd[:: max(1, len(crowd) // _ASKED)].tolist()
        return sum(self._looks_it(other, further=0) for other in asked) > len(asked) / 2

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
        inside = np.zeros(shape, bool)
        rows, columns = shape
        bottom, right = self._top + rows - 1, self._left + columns - 1
        for other in self._reaching(~self._stroke, self._top, bottom, self._left, right):
            y, x = self._marks.pixels(other)
            here = (y >= self._top) & (y <= bottom) & (x >= self._left) & (x <= right)
            inside[y[here] - self._top, x[here] - self._left] = True
        return inside

    def _core(self, window: Floats, mark: int) -> Floats:
        """Mean colour of the higher quarter of a mark."""
        y, x = self._marks.pixels(mark)
        core = slice(0, max(1, len(y) // 4))
        mean: Floats = window[y[core] - self._top, x[core] - self._left].mean(axis=0)
        return mean


def _crowds(marks: Marks, clear: Mask, far: float, company: int) -> Mask:
    """Which clear marks have more than so many others within `far` pixels each way."""
    numbers = np.flatnonzero(clear)
    y, x = marks.peak_y[numbers], marks.peak_x[numbers]
    crowded = np.zeros(len(clear), bool)
    for number, row, column in zip(numbers.tolist(), y.tolist(), x.tolist(), strict=True):
        near = np.count_nonzero((np.abs(y - row) <= far) & (np.abs(x - column) <= far))
        crowded[number] = near - 1 > company
    return crowded


def _is_sharp(window: Floats, inside: Mask, height: float) -> bool:
    """Whether there is a steep step on each of the four sides."""
    grey, near = window.mean(axis=2), _widened(inside, 1)
    down, right = np.diff(grey, axis=0)[near[1:]], np.diff(grey, axis=1)[near[:, 1:]]
    return bool(min(down.max(), -down.min(), right.max(), -right.min()) >= _SHARP * height)


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

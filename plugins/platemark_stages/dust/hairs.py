"""Hairs: long and thin, alone, sharp, without colour of their own, unlike all around them."""

import numpy as np

from platemark_stages.dust.judging import OWN_COLOUR, SHARP, Care
from platemark_stages.dust.marks import Marks, softened
from platemark_stages.dust.specks import Mask, gentlest, own_colour, widened
from platemark_stages.dust.survey import Floats, Pixels

_WINDOW_MM, _COMPANY_MM = 1.5, 5.0
# What is a little fainter belongs to the same grain; what is three times fainter, and no grain, to the same hand.
_AS_HIGH, _AKIN = 0.75, 0.35
# Lint is longer than this and hair on a scan rarely longer than that (common practice).
_HAIR_MM = (0.8, 15.0)
_HAIR_WIDTH_MM = 0.35
_SPECK_MM = 1.0


def hairs_among(marks: Marks, pixels: Pixels, ppmm: float, care: Care) -> list[int]:
    """Numbers of those marks that are hairs."""
    speck, hair = _shapes(marks, ppmm)
    rows, columns = pixels.shape[:2]
    # What touches the rim is cut, and cannot be judged.
    whole = (marks.top > 1) & (marks.left > 1) & (marks.bottom < rows - 2) & (marks.right < columns - 2)
    clear = marks.peak >= marks.limit
    look = Look(marks, clear, speck, pixels, ppmm, care)
    return [mark for mark in np.flatnonzero(clear & whole & hair).tolist() if look.is_hair(mark)]


def _shapes(marks: Marks, ppmm: float) -> tuple[Mask, Mask]:
    """Which marks are small and compact, and which long and thin."""
    tall, wide = marks.bottom - marks.top + 1, marks.right - marks.left + 1
    longest, length = np.maximum(tall, wide), np.hypot(tall, wide) / ppmm
    # Light spreads over one or two pixels on each side.
    speck = (longest <= _SPECK_MM * ppmm + 4) & (marks.area >= 0.35 * longest**2)
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

    def is_hair(self, mark: int) -> bool:
        """Alone, in little company, and a hair by its looks."""
        return (
            not self._stroke_near(mark, self._care.hair_alone_mm)
            and self._company(mark) <= self._care.company
            and self._looks_it(mark)
        )

    def _looks_it(self, mark: int) -> bool:
        """Sharp, colourless, and so many times further from the ground than what lies around it."""
        window, inside = self._window(mark)
        around = ~widened(widened(inside | self._other_specks(window.shape[:2])))
        if not around.any():
            return False
        ground = np.median(window[around], axis=0)
        core = self._core(window, mark)
        height = abs(float(ground.mean() - core.mean()))
        return (
            own_colour(ground, core) < OWN_COLOUR
            and gentlest(window.mean(axis=2), inside) >= SHARP * height
            # Grain varies, and so do edges and what compression leaves beside them.
            and height >= self._care.hair_further * float(np.ptp(softened(window).mean(axis=2)[around]))
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

    def _window(self, mark: int) -> tuple[Floats, Mask]:
        """What surrounds a mark, and where in it the mark is."""
        marks, margin = self._marks, max(4, round(_WINDOW_MM * self._ppmm))
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

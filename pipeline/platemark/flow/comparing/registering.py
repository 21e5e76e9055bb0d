"""Registering: where the second sheet lies on the first, to a fraction of a pixel."""

from dataclasses import dataclass

import numpy as np

from platemark.errors import Held
from platemark.flow.comparing.guessing import density, guesses
from platemark.flow.comparing.laying import MM_PER_INCH, covered, grey, laid, overview_density, size_mm, smoothed
from platemark.flow.comparing.matching import Matches, fit, match
from platemark.pixels.affine import Affine
from platemark.pixels.picture import Picture

# First as it should be, then turned on the bed by a quarter, then a scan without a sheet to straighten it by.
_TURNS = ((0.0,), (90.0, 180.0, 270.0), (-4.0, 4.0))
_ROUNDS = 3  # of matching at each density
# Agreement less the median distance in pixels, at low density. A picture laid on its print has 0.9 and more; the best
# wrong place on it, whose blocks may look alike but do not lie on one affine map, 0.6 and mostly less than nothing.
_SURE, _SAME = 0.8, 0.7
_LOOK_PPI = 50.0  # so far up the details must agree as well; finer ones may be grain, dots of ink or noise
_FIT = 0.25  # from there on, as long as most details still lie within a pixel of each other
_LEAST_MATCHES = 12  # twice the unknowns of an affine map
_RIM_MM = 1.0  # along a sheet's edge, where interpolation meets what lies beside it


@dataclass(frozen=True)
class Registered:
    """How two sheets lie to each other.

    Attributes:
        placement: millimetres of the second sheet to millimetres of the first.
        ppi: the density at which they were matched, pixels per inch of the first sheet.
        matches: how many details were found in both.
        agreement: how alike they are, 0 to 1.
        residual: median distance of these details after laying one on the other, millimetres.
    """

    placement: Affine
    ppi: float
    matches: int
    agreement: float
    residual: float

    @property
    def quality(self) -> float:
        """Agreement less the median distance in pixels: 1 where all lies on each other."""
        return self.agreement - self.residual / MM_PER_INCH * self.ppi if self.matches >= _LEAST_MATCHES else -1.0


def register(first: Picture, second: Picture) -> Registered:
    """Lay the second sheet on the first, whatever its resolution, size and skew.

    Raises:
        Held: they are not scans of one picture, or show no detail to go by.
    """
    ppi, tried = density(first), []
    for turns in _TURNS:
        for turn in turns:
            tried += [_refined(first, second, guess.placement, ppi * 2) for guess in guesses(first, second, turn)]
        best = max(tried, key=lambda one: one.quality, default=None)
        if best is not None and best.quality >= (_SURE if turns != _TURNS[-1] else _SAME):
            return _to_the_end(first, second, best)
    raise _different()


def _to_the_end(first: Picture, second: Picture, found: Registered) -> Registered:
    """Go on at twice the density, and again, as far as both overviews reach and show the same detail."""
    while True:
        finer = _refined(first, second, found.placement, found.ppi * 2)
        if finer.ppi <= found.ppi * 1.05:  # both overviews are at their end
            break
        if finer.quality < _FIT:
            if finer.ppi <= _LOOK_PPI:
                raise _different()
            break
        found = finer
    return found


def _different() -> Held:
    return Held(
        "these are not two scans of the same picture: no place was found where the details of one lie on those of "
        "the other",
        remedy="compare a print with the original or the print that it must match; bare paper cannot be compared",
    )


def _refined(first: Picture, second: Picture, placement: Affine, ppi: float) -> Registered:
    """Match and fit at one density."""
    ppi = min(ppi, overview_density(first, Affine.identity()), overview_density(second, placement))
    frame, unit = size_mm(first), MM_PER_INCH / ppi
    still = smoothed(grey(laid(first, Affine.identity(), frame, ppi)))
    on_first = covered(first, Affine.identity(), still.shape, ppi, _RIM_MM)
    apart, matches = np.zeros((0, 2)), _none()
    for _ in range(_ROUNDS):
        moving = smoothed(grey(laid(second, placement, frame, ppi)))
        matches = match(still, moving, on_first & covered(second, placement, still.shape, ppi, _RIM_MM))
        if len(matches.centre) < _LEAST_MATCHES or matches.agreement <= 0:
            break
        shift, apart = fit(matches)
        if not _reasonable(shift):
            break
        placement = placement.then(Affine.scaling(1 / unit)).then(shift.inverse()).then(Affine.scaling(unit))
    residual = float(np.median(np.hypot(*apart.T))) * unit if len(apart) else 0.0
    return Registered(placement, ppi, len(matches.centre), matches.agreement, residual)


def _reasonable(shift: Affine) -> bool:
    """A step of refining mends a few per cent; one that does more has lost its way."""
    return 0.8 < shift.determinant < 1.25


def _none() -> Matches:
    nothing = np.zeros((0, 2))
    return Matches(nothing, nothing, np.zeros((0, 2, 2)), np.zeros(0), np.zeros(0))

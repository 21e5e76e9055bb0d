"""How well the turned scan fits the upright one, and whether that is well enough to average them."""

from math import acos, pi

import numpy as np
from numpy.typing import NDArray

from platemark import Affine, Held, Picture
from platemark_stages.registration.matching import Matches
from platemark_stages.turned.laid import Laid
from platemark_stages.turned.model import Model

Doubles = NDArray[np.float64]

AGAIN = (
    "lay the same sheet upside down, close the lid without moving it and scan it with the same settings; "
    "or take the turned scan away, and the upright one is printed alone"
)
_PATCH_MM = 15.0
_FEWEST = 4  # matches of a patch
# Two halves that lie d pixels apart keep cos(pi f d) of detail of f cycles per pixel: of half the limit, f = 1/4, five
# percent are lost at 0.4 pixels.
_MOST_DRIFT = round(acos(0.95) / (pi / 4), 2)
_LEAST_COVERED = 0.5  # less is not the sheet, and most of it would keep its grain
_ALIKE = 0.5  # correlation of a block; less is grain, or grain as strong as the art


def judged(model: Model, matches: Matches, agreement: float, factor: int, pictures: tuple[Picture, Picture]) -> Laid:
    """The parameters in pixels of the scans.

    Raises:
        Held: the two do not fit well enough, or the turned scan shows too little of the upright one.
    """
    upright, turned = pictures
    larger, smaller = Affine.scaling(factor), Affine.scaling(1 / factor)
    back = smaller.then(model.affine).then(larger).inverse()
    alike = matches.only(np.flatnonzero(matches.firm & (matches.likeness > _ALIKE)))
    apart = model.apart(alike.first, alike.second) * factor
    lengths = np.hypot(*apart.T) if len(apart) else np.zeros(1)
    laid = Laid(
        matrix=_digits(back),
        bend=[[round(float(value) * factor, 3) for value in pair] for pair in model.table],
        size=[round(turned.width), round(turned.height)],
        frame=[round(upright.width), round(upright.height)],
        covered=_covered(model, factor, upright),
        matches=len(apart),
        agreement=round(agreement, 3),
        residual=round(float(np.median(lengths)), 3),
        largest=round(float(np.percentile(lengths, 95)), 3),
        drift=_drift(alike.first * factor, apart, upright.source_ppi),
    )
    _decide(laid)
    return laid


def _decide(laid: Laid) -> None:
    if laid.covered < _LEAST_COVERED:
        raise Held(f"the turned scan shows only {laid.covered:.0%} of the upright one", remedy=AGAIN)
    try:
        laid.unbent()
    except ValueError as error:
        raise Held(f"the two scans do not fit each other: {error}", remedy=AGAIN) from error
    if laid.drift > _MOST_DRIFT:
        raise Held(
            f"the turned scan lies up to {laid.drift:.1f} pixels beside the upright one, and averaging them would blur "
            f"the art (at most {_MOST_DRIFT:g}): the sheet was not flat on the glass, or has changed",
            remedy=AGAIN,
        )


def _digits(affine: Affine) -> list[float]:
    """The ninth digit of a coefficient moves the far corner of an A4 scan at 600 ppi by a 100 000th of a pixel."""
    values = (affine.a, affine.b, affine.tx, affine.c, affine.d, affine.ty)
    return [round(float(value), 4 if place in {2, 5} else 9) for place, value in enumerate(values)]


def _covered(model: Model, factor: int, upright: Picture) -> float:
    """The share of the upright scan that the turned one shows."""
    x, y = np.meshgrid(*(np.linspace(0, side / factor, 60) for side in (upright.width, upright.height)))
    even = model.affine.apply(np.stack([x.ravel(), y.ravel()], axis=1))
    return round(float(((even >= 0) & (even <= model.size)).all(axis=1).mean()), 2)


def _drift(places: Doubles, apart: Doubles, ppi: float) -> float:
    """How far patches lie beside each other beyond what chance explains, 95th percentile, pixels.

    The median of a patch, less the variance that its scatter gives it (1.253 times that of a mean, for errors that are
    normal; scatter as 1.483 times the median deviation).
    """
    if not len(places):
        return 0.0
    cells = (places // (_PATCH_MM / 25.4 * ppi)).astype(np.int64)
    found = []
    for cell in np.unique(cells, axis=0):
        own = apart[(cells == cell).all(axis=1)]
        if len(own) < _FEWEST:
            continue
        middle = np.median(own, axis=0)
        error = 1.253 * 1.483 * np.median(np.abs(own - middle), axis=0) / len(own) ** 0.5
        found.append(max(float((middle**2 - error**2).sum()), 0.0) ** 0.5)
    return round(float(np.percentile(found, 95)), 3) if found else 0.0

"""Sharpness: how much of the first sheet's fine detail the second still shows."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platemark.flow.comparing.laying import MM_PER_INCH, covered, framed, grey, size_mm
from platemark.flow.comparing.registering import Registered
from platemark.pixels.affine import Affine
from platemark.pixels.picture import Picture

Doubles = NDArray[np.float64]

_MOST_PPI = 300.0  # a flatbed's lens resolves little beyond
_TILE = 64  # pixels: at 300 ppi 5 mm, in which a shift of the paper is even
_SHARE = 0.2  # of the tiles, those with most detail: in bare paper there is nothing to lose
_COARSE = (0.25, 0.75)  # line pairs per millimetre: sets the contrast against which fine detail is told
_BANDS = (1.0, 2.0, 4.0)  # line pairs per millimetre; each from 0.85 to 1.18 of it; the eye in hand sees to 5 or so
# Detail that the first sheet does not show above its noise cannot be lost: its power against that just below the
# finest that was scanned.
_ABOVE_NOISE = 4.0


@dataclass(frozen=True)
class Kept:
    """The share of contrast that is left of detail of one fineness.

    Attributes:
        lines: line pairs per millimetre of the first sheet.
        share: 1 is as sharp as the first.
    """

    lines: float
    share: float


def kept_detail(first: Picture, second: Picture, found: Registered) -> list[Kept]:
    """Compare the two at several finenesses, coarse contrast set equal.

    What is in both is what counts (the cross spectrum over the first's own): noise, grain and dots of ink that only
    one of them has are no detail. A fineness that the coarser scan cannot hold, or at which the first shows nothing
    but noise, is left out.

    Source:
        The transfer function of a linear system from input and output with noise on the output: Bendat and Piersol,
        Random Data, chapter 6 (from memory).
    """
    ppi = min(_MOST_PPI, first.ppi, second.ppi / found.placement.scale)
    one, other = _tiles(first, second, found.placement, ppi)
    if not len(one):
        return []
    power, cross = _spectra(one, other)
    fineness = _fineness(ppi)
    nyquist = ppi / MM_PER_INCH / 2
    base = _gain(power, cross, (fineness >= _COARSE[0]) & (fineness < _COARSE[1]))
    noise = power[fineness > 0.9 * nyquist].mean()
    kept = []
    for lines in _BANDS:
        band = (fineness >= 0.85 * lines) & (fineness < 1.18 * lines)
        if 1.18 * lines <= nyquist and base > 0 and power[band].mean() > _ABOVE_NOISE * noise:
            kept.append(Kept(lines, _gain(power, cross, band) / base))
    return kept


def _tiles(first: Picture, second: Picture, placement: Affine, ppi: float) -> tuple[Doubles, Doubles]:
    """The tiles with most detail, of both, shape (n, rows, columns)."""
    frame = size_mm(first)
    planes = [grey(framed(*laid, frame, ppi)) for laid in ((first, Affine.identity()), (second, placement))]
    rows, columns = (side // _TILE * _TILE for side in planes[0].shape)
    cut = [
        plane[:rows, :columns].reshape(rows // _TILE, _TILE, columns // _TILE, _TILE).swapaxes(1, 2) for plane in planes
    ]
    inside = covered(first, Affine.identity(), (rows, columns), ppi, 2) & covered(
        second, placement, (rows, columns), ppi, 2
    )
    whole = inside.reshape(rows // _TILE, _TILE, columns // _TILE, _TILE).all(axis=(1, 3)).ravel()
    one, other = (tiles.reshape(-1, _TILE, _TILE)[whole].astype(np.float64) for tiles in cut)
    detail = np.abs(np.diff(one, axis=1)).mean(axis=(1, 2)) + np.abs(np.diff(one, axis=2)).mean(axis=(1, 2))
    chosen = np.argsort(-detail, kind="stable")[: math.ceil(_SHARE * len(detail))]
    return one[chosen], other[chosen]


def _spectra(one: Doubles, other: Doubles) -> tuple[Doubles, Doubles]:
    """Power of the first, and what the second has in common with it."""
    window = np.hanning(_TILE)[:, None] * np.hanning(_TILE)[None, :]
    first, second = (np.fft.fft2((t - t.mean(axis=(1, 2), keepdims=True)) * window) for t in (one, other))
    return (np.abs(first) ** 2).sum(axis=0), (np.conj(first) * second).real.sum(axis=0)


def _gain(power: Doubles, cross: Doubles, band: NDArray[np.bool_]) -> float:
    return float(cross[band].sum() / power[band].sum()) if band.any() and power[band].sum() > 0 else 0.0


def _fineness(ppi: float) -> Doubles:
    """Line pairs per millimetre of each term of a tile's transform."""
    steps = np.fft.fftfreq(_TILE, MM_PER_INCH / ppi)
    fineness: Doubles = np.hypot(steps[:, None], steps[None, :])
    return fineness

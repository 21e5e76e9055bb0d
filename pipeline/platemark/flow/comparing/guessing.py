"""The first guess: every shift of the second sheet on the first, at low density, for many scales."""

from dataclasses import dataclass

import numpy as np
import pyvips
from numpy.typing import NDArray

from platemark.flow.comparing.laying import Floats, grey, laid, overview_density, size_mm
from platemark.pixels.affine import Affine
from platemark.pixels.picture import Picture

_LONG_SIDE = 80  # pixels of the first sheet: lettering is gone, masses remain, and each shift can be tried
_STEP = 1.04  # from scale to scale: half of it moves the ends of 80 pixels by 0.8
_LARGEST = 2.5  # a print is rarely larger or smaller than that against its original; A6 to A4 is 2
_GUESSES = 3  # the true one may be outshone by a sheet's edges; later steps decide
_LEAST_SHARE = 0.5  # of the smaller one must lie on the other: they show the same picture

Spectra = tuple[NDArray[np.complexfloating], ...]


@dataclass(frozen=True)
class Guess:
    """A place of the second sheet on the first, in millimetres."""

    placement: Affine
    score: float


def density(first: Picture) -> float:
    """Pixels per inch at which is guessed."""
    return _LONG_SIDE / max(size_mm(first)) * 25.4


def guesses(first: Picture, second: Picture, turn: float) -> list[Guess]:
    """Where the second sheet may lie on the first, turned so, best first.

    Args:
        first: the sheet that stays.
        second: the sheet that is laid on it.
        turn: degrees, counter-clockwise.

    Source:
        Padfield (2012), Masked object registration in the Fourier domain, IEEE TIP 21(5), doi:10.1109/TIP.2011.2181402;
        here of planes without their own means.
    """
    ppi = density(first)
    still = grey(laid(first, Affine.identity(), size_mm(first), ppi))
    found, size = [], 0
    fixed: Spectra = ()
    about = max(size_mm(first)) / max(size_mm(second))  # the scale at which both are equally long
    turned, frame = _turned(second, turn, about)
    largest = min(_LARGEST, overview_density(second, turned) / ppi)
    plane = grey(laid(second, turned, frame, ppi * largest))
    for factor in _factors(largest):
        moving, placement = _scaled(plane, factor / largest), turned.then(Affine.scaling(factor))
        # One size for a run of scales, so that the first plane is transformed only when it no longer holds.
        if max(moving.shape) + max(still.shape) > size:
            size = _roomy(max(moving.shape) + max(still.shape))
            fixed = _spectra(_banded(still), size)
        found.append(_best(fixed, moving, still.shape, size, placement, 25.4 / ppi))
    return sorted(_peaks(found), key=lambda guess: -guess.score)[:_GUESSES]


def _factors(largest: float) -> list[float]:
    """Scales about 1; not those of the resolutions alone, which would trust what a scan states."""
    steps = round(np.log(_LARGEST) / np.log(_STEP))
    return [factor for factor in (_STEP**k for k in range(-steps, steps + 1)) if factor <= largest]


def _scaled(plane: Floats, factor: float) -> Floats:
    """The plane made smaller, its corner where it was."""
    rows, columns = plane.shape
    image = pyvips.Image.new_from_memory(np.ascontiguousarray(plane).data, columns, rows, 1, "float")
    small = image.resize(factor, kernel="linear")
    return np.frombuffer(small.write_to_memory(), np.float32).reshape(small.height, small.width)


def _turned(picture: Picture, turn: float, scale: float) -> tuple[Affine, tuple[float, float]]:
    """The placement that turns and scales a sheet, with its bounding box at the origin, and the box's size."""
    width, height = size_mm(picture)
    placement = Affine.rotation(turn).then(Affine.scaling(scale))
    corners = placement.apply([(0, 0), (width, 0), (width, height), (0, height)])
    (left, top), (right, bottom) = corners.min(axis=0), corners.max(axis=0)
    return placement.then(Affine.translation(-left, -top)), (float(right - left), float(bottom - top))


def _roomy(least: int) -> int:
    """The next size of the form 2^n or 3 x 2^n, at which Fourier transforms are quick."""
    return min(size for n in range(4, 14) for size in (1 << n, 3 << n) if size >= least)


def _banded(plane: Floats) -> Floats:
    """Less its surroundings, and strong edges held down: the edge of a border must not outweigh the art."""
    padded = np.pad(plane, 4, mode="reflect" if min(plane.shape) > 4 else "edge")
    sums = np.cumsum(np.cumsum(np.pad(padded, ((1, 0), (1, 0))), axis=0, dtype=np.float64), axis=1)
    mean = (sums[9:, 9:] - sums[:-9, 9:] - sums[9:, :-9] + sums[:-9, :-9]) / 81
    detail = plane - mean
    limit = 2 * np.abs(detail).mean() + 1e-6
    clipped: Floats = np.clip(detail, -limit, limit).astype(np.float32)
    return clipped


def _spectra(plane: Floats, size: int) -> Spectra:
    parts = (plane, plane * plane, np.ones_like(plane))
    return tuple(np.fft.rfft2(part, (size, size)) for part in parts)


def _best(fixed: Spectra, moving: Floats, shape: tuple[int, ...], size: int, placement: Affine, unit: float) -> Guess:
    """The best shift at one scale."""
    other = _spectra(_banded(moving), size)

    def together(one: int, two: int) -> NDArray[np.floating]:
        return np.fft.irfft2(fixed[one] * np.conj(other[two]), (size, size))

    count = together(2, 2)
    energy = np.maximum(together(1, 2), 0) * np.maximum(together(2, 1), 0)
    # Raised for larger overlaps: what agrees over more is less by chance.
    score = together(0, 0) / np.sqrt(energy + 1e-9) * np.maximum(count, 1) ** 0.25
    least = _LEAST_SHARE * min(shape[0] * shape[1], moving.size)
    score = np.where(count >= least, score, 0)
    y, x = divmod(int(score.argmax()), size)
    # Shifts wrap around; those beyond the first plane's size are shifts to the left or upwards.
    dx, dy = (x if x < shape[1] else x - size), (y if y < shape[0] else y - size)
    return Guess(placement.then(Affine.translation(dx * unit, dy * unit)), float(score[y, x]))


def _peaks(found: list[Guess]) -> list[Guess]:
    """Those that their neighbours in scale do not outdo."""
    scores = [0.0, *(guess.score for guess in found), 0.0]
    return [guess for k, guess in enumerate(found, start=1) if scores[k] >= max(scores[k - 1], scores[k + 1]) > 0]

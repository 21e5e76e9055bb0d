"""The first guess: try every shift of one part against another at low density, for a few turns."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platemark import Affine
from platemark_stages.registration.planes import Floats, warped

# Parts are laid against the same rim, so they differ by little; a step moves the end of an A4 sheet by one pixel.
_TURNS = tuple(step * 0.8 for step in range(-5, 6))
_GUESSES = 6  # the true one may be outshone by sheet edges that coincide; later levels decide
_APART = 4  # pixels between two guesses
_RIM_MM = 4.0  # what did not lie on the glass, and the scanner's own frame
LEAST_OVERLAP_MM = 8.0  # as broad as one block of the matching at the density where guesses are tried


@dataclass(frozen=True)
class Guess:
    """A place of the second part on the first, in pixels of the coarsest planes."""

    placement: Affine
    score: float


def guesses(first: Floats, second: Floats, ppi: float) -> list[Guess]:
    """Where the second part may lie on the first, best first.

    Args:
        first: a plane of 12 to 24 ppi.
        second: as `first`.
        ppi: of both.

    Source:
        Padfield (2012), Masked object registration in the Fourier domain, IEEE TIP 21(5), doi:10.1109/TIP.2011.2181402;
        here of planes without their own means.
    """
    rim = max(1, round(_RIM_MM / 25.4 * ppi))
    shape = tuple(_fast_size(a + b) for a, b in zip(first.shape, second.shape, strict=True))
    fixed = _spectra(_banded(first), _inner(first.shape, rim), shape)
    least = (LEAST_OVERLAP_MM / 25.4 * ppi) * min(*first.shape, *second.shape) / 2
    banded, mask = _banded(second), _inner(second.shape, rim)
    rows, columns = second.shape
    maps, turns = [], []
    for degrees in _TURNS:
        turn = Affine.rotation(degrees, about=(columns / 2, rows / 2))
        turned = [warped(plane, turn, (0, 0, columns, rows)) for plane in (banded, mask)]
        maps.append(
            _correlation(fixed, _spectra(turned[0], (turned[1] > 0.99).astype(np.float32), shape), shape, least)
        )
        turns.append(turn)
    return _peaks(np.stack(maps), turns, first.shape)


def _banded(plane: Floats) -> Floats:
    """Less its surroundings, and strong edges held down: the edge of the sheet must not outweigh the art."""
    padded = np.pad(plane, 4, mode="reflect")
    sums = np.cumsum(np.cumsum(np.pad(padded, ((1, 0), (1, 0))), axis=0, dtype=np.float64), axis=1)
    mean = (sums[9:, 9:] - sums[:-9, 9:] - sums[9:, :-9] + sums[:-9, :-9]) / 81
    detail = plane - mean
    limit = 2 * np.abs(detail).mean() + 1e-6
    clipped: Floats = np.clip(detail, -limit, limit).astype(np.float32)
    return clipped


def _inner(shape: tuple[int, ...], rim: int) -> Floats:
    mask = np.zeros(shape, np.float32)
    mask[rim:-rim, rim:-rim] = 1
    return mask


def _fast_size(least: int) -> int:
    """The next size that FFTs are quick at: of factors 2, 3 and 5."""
    size = least
    while True:
        rest = size
        for prime in (2, 3, 5):
            while rest % prime == 0:
                rest //= prime
        if rest == 1:
            return size
        size += 1


def _spectra(plane: Floats, mask: Floats, shape: tuple[int, ...]) -> tuple[NDArray[np.complex128], ...]:
    masked = plane * mask
    return tuple(np.fft.rfft2(part, shape) for part in (masked, masked * masked, mask))


def _correlation(
    fixed: tuple[NDArray[np.complex128], ...],
    moving: tuple[NDArray[np.complex128], ...],
    shape: tuple[int, ...],
    least: float,
) -> Floats:
    """Correlation at each shift, raised for larger overlaps: what agrees over more is less by chance."""

    def together(one: int, other: int) -> NDArray[np.float64]:
        return np.fft.irfft2(fixed[one] * np.conj(moving[other]), shape)

    count = together(2, 2)
    energy = np.maximum(together(1, 2), 0) * np.maximum(together(2, 1), 0)
    score = together(0, 0) / np.sqrt(energy + 1e-9) * np.maximum(count, 1) ** 0.25
    return np.where(count >= least, score, 0).astype(np.float32)


def _peaks(maps: Floats, turns: list[Affine], shape: tuple[int, ...]) -> list[Guess]:
    """The highest shifts that are no neighbours."""
    best = maps.max(axis=0)
    found = []
    rows, columns = best.shape
    for _ in range(_GUESSES):
        y, x = divmod(int(best.argmax()), columns)
        if best[y, x] <= 0:
            break
        # Shifts wrap around; those beyond the first part's size are shifts to the left or upwards.
        dx, dy = (x if x < shape[1] else x - columns), (y if y < shape[0] else y - rows)
        turn = turns[int(maps[:, y, x].argmax())]
        found.append(Guess(turn.then(Affine.translation(dx, dy)), float(best[y, x])))
        near_y = np.arange(y - _APART, y + _APART + 1) % rows
        near_x = np.arange(x - _APART, x + _APART + 1) % columns
        best[np.ix_(near_y, near_x)] = 0
    return found

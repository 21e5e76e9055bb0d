"""Many local matches of two planes, and the affine map on which most of them agree."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platemark.flow.comparing.laying import Floats
from platemark.pixels.affine import Affine

Doubles = NDArray[np.float64]

BLOCK = 16  # pixels: an edge and its surroundings, at each density
_FILLED = 0.9  # of a block must lie on both sheets
_DETAIL = 0.004  # contrast that counts: one grey level of 255, some three times a scanner's noise after smoothing
_FLOOR_PX = 0.05  # no block is trusted more than this
_TUNING = 4.685  # Tukey's biweight: 95 percent efficient under normal errors
_STEPS = 12


@dataclass(frozen=True)
class Matches:
    """Blocks of the first plane and how far the second shows them elsewhere, in pixels.

    Attributes:
        centre: shape (n, 2).
        moved: where the second shows what the first has at `centre`, less `centre`, shape (n, 2).
        weight: inverse covariance of `moved`, shape (n, 2, 2).
        likeness: correlation of each pair of blocks, -1 to 1.
        contrast: standard deviation of the blocks, full scale is 1.
    """

    centre: Doubles
    moved: Doubles
    weight: Doubles
    likeness: Doubles
    contrast: Doubles

    @property
    def agreement(self) -> float:
        """The mean likeness of detail, strong detail counting more: about 1 for the right place, 0 for a wrong one."""
        total = self.contrast.sum()
        return float((self.likeness * self.contrast).sum() / total) if total else 0.0


def match(first: Floats, second: Floats, inside: NDArray[np.bool_]) -> Matches:
    """Compare two planes block by block.

    Args:
        first: the plane that stays.
        second: the other, laid on it right to about a pixel.
        inside: where both show their sheets.

    Source:
        Lucas and Kanade (1981), An iterative image registration technique; with the gain and offset of each block
        fitted too. The covariance is that of least squares.
    """
    rows, columns = first.shape[0] // BLOCK * BLOCK, first.shape[1] // BLOCK * BLOCK
    sums = _moments(first[:rows, :columns], second[:rows, :columns], inside[:rows, :columns])
    y, x = np.mgrid[0 : rows // BLOCK, 0 : columns // BLOCK]
    centre = (np.stack([x, y], axis=-1).reshape(-1, 2) + 0.5) * BLOCK
    return _solved(sums.reshape(-1, 5, 5), centre)


def _moments(first: Floats, second: Floats, inside: NDArray[np.bool_]) -> Doubles:
    """Sums over blocks of the products of [slope along x, slope along y, second, 1, first], shape (n_y, n_x, 5, 5)."""
    down, across = np.gradient((first + second) * np.float32(0.5))
    terms = [term * inside for term in (across, down, second, np.ones_like(first), first)]
    rows, columns = first.shape[0] // BLOCK, first.shape[1] // BLOCK
    sums = np.empty((rows, columns, 5, 5))
    for i in range(5):
        for j in range(i, 5):
            product = (terms[i] * terms[j]).reshape(rows, BLOCK, columns, BLOCK)
            sums[:, :, i, j] = sums[:, :, j, i] = product.sum(axis=(1, 3), dtype=np.float64)
    return sums


def _solved(sums: Doubles, centre: Doubles) -> Matches:
    """From the sums of each block to its displacement; blocks without detail or partly outside are left out."""
    count = sums[:, 3, 3]
    mean = sums[:, :, 3] / np.maximum(count, 1)[:, None]
    central = sums - count[:, None, None] * mean[:, :, None] * mean[:, None, :]
    contrast = np.sqrt(np.maximum(np.minimum(central[:, 2, 2], central[:, 4, 4]), 0) / np.maximum(count, 1))
    keep = (count > _FILLED * BLOCK**2) & (contrast > _DETAIL)
    central, centre, contrast, count = central[keep], centre[keep], contrast[keep], count[keep]
    likeness = central[:, 2, 4] / np.sqrt(central[:, 2, 2] * central[:, 4, 4])
    # first = gain x second + offset - slope . displacement
    normal = central[:, :3, :3] + 1e-9 * np.eye(3)
    fitted = np.linalg.solve(normal, central[:, :3, 4:])[:, :, 0]
    left_over = np.maximum(central[:, 4, 4] - (fitted * central[:, :3, 4]).sum(axis=1), 0)
    # The smoothing leaves one independent value in some four.
    noise = 4 * left_over / count + 1e-10
    covariance = noise[:, None, None] * np.linalg.inv(normal)[:, :2, :2] + _FLOOR_PX**2 * np.eye(2)
    moved = fitted[:, :2]
    # Beyond half a smoothing width the slope says nothing.
    short = np.minimum(1, 2 / np.maximum(np.hypot(*moved.T), 1e-9))
    return Matches(centre, moved * short[:, None], np.linalg.inv(covariance), likeness, contrast)


def fit(matches: Matches) -> tuple[Affine, Doubles]:
    """The affine map from positions in the first plane to those in the second, and what each match is off it, pixels.

    Source:
        Iteratively reweighted least squares, Tukey's biweight, scale from the median (Huber, Robust Statistics,
        chapter 7; the tuning constant from memory).
    """
    x, y = matches.centre.T
    one, nought = np.ones_like(x), np.zeros_like(x)
    slopes = np.stack(
        [np.stack([x, y, one, nought, nought, nought], 1), np.stack([nought, nought, nought, x, y, one], 1)], axis=1
    )
    values, apart = np.zeros(6), matches.moved
    for _ in range(_STEPS):
        weighted = np.einsum("nab,nak->nbk", matches.weight * _trust(apart, matches)[:, None, None], slopes)
        # A whisper of a prior keeps at nought what no match speaks of.
        normal = np.einsum("nbk,nbl->kl", weighted, slopes) + 1e-6 * np.eye(6)
        values = np.linalg.solve(normal, np.einsum("nbk,nb->k", weighted, matches.moved))
        apart = matches.moved - slopes @ values
    a, b, tx, c, d, ty = values.tolist()
    return Affine(1 + a, b, tx, c, 1 + d, ty), apart


def _trust(apart: Doubles, matches: Matches) -> Doubles:
    """Tukey's weight of each match."""
    distance = np.sqrt(np.einsum("na,nab,nb->n", apart, matches.weight, apart))
    # 1.177 is the median of a length whose two components are standard normal.
    scale = max(float(np.median(distance)) / 1.177, 1.0)
    share = distance / (_TUNING * scale)
    weight: Doubles = np.where(share < 1, (1 - share**2) ** 2, 0) * np.clip(matches.likeness, 0, 1)
    return weight

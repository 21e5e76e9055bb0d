"""From local matches to how the turned scan lies: an affine map, and a spline along the carriage.

All positions are pixels of the planes that are matched, reduced from the scans by a whole number.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from platemark import Affine, Bend
from platemark_stages.registration.matching import Matches

Doubles = NDArray[np.float64]

_PLACE_MM = 10.0  # between two places of the spline: gears and belts of a carriage turn once in 20 mm and more
# What a carriage may do, standard deviations in millimetres: how far it bends off its straight way from place to place,
# how much more it moved on one side of the sheet than on the other, and at all (half a percent of A4 is 1.5 mm).
_BENDS_MM, _ASKEW_MM, _MOVES_MM = 0.05, 0.05, 2.0
_STEPS = 8
_TUNING = 4.685  # Tukey's biweight: 95 percent efficient under normal errors


@dataclass(frozen=True)
class Model:
    """Where the turned scan shows what the upright one shows.

    Attributes:
        affine: positions of the upright to positions of the turned scan, were it even.
        table: coefficients of the bend, shape (places, 2), pixels.
        size: width and height of the turned scan.
        ppi: density.
    """

    affine: Affine
    table: Doubles
    size: tuple[float, float]
    ppi: float

    @classmethod
    def straight(cls, affine: Affine, size: tuple[float, float], ppi: float) -> "Model":
        """Without any bend yet."""
        places = max(1, round(size[1] / ppi * 25.4 / _PLACE_MM)) + 3
        return cls(affine, np.zeros((places, 2)), size, ppi)

    def bend(self, even: Doubles) -> Doubles:
        """The displacement down at positions (x, y) of the even scan, shape (n, 2)."""
        places, weights = Bend.basis(even[:, 1], self.size[1], len(self.table))
        across = np.clip(even[:, 0] / self.size[0], 0, 1)
        rows = [weight[:, None] * self.table[places + k] for k, weight in enumerate(weights)]
        left, right = np.sum(rows, axis=0).T
        moved: Doubles = left + (right - left) * across
        return moved

    def apart(self, first: Doubles, second: Doubles) -> Doubles:
        """How far from each position of the turned scan the model expects what the upright shows, shape (n, 2)."""
        expected = self.affine.apply(first)
        expected[:, 1] += self.bend(expected)
        return expected - second


def fitted(model: Model, matches: Matches) -> Model:
    """The model under which most matches agree.

    Args:
        model: about right, to a pixel or two.
        matches: positions of the upright and of the turned scan.

    Source:
        Least squares with a penalty on the spline's second differences: Eilers and Marx (1996), Flexible smoothing with
        B-splines and penalties, Statistical Science 11(2). Robust by Tukey's biweight, scale from the median (Huber,
        Robust Statistics, chapter 7; the tuning constant from memory).
    """
    prior = _prior(model)
    for _ in range(_STEPS):
        slopes = _slopes(model, matches.first)
        apart = model.apart(matches.first, matches.second)
        weight = matches.weight * trust(apart, matches)[:, None, None]
        weighted = np.einsum("nab,nak->nbk", weight, slopes)
        normal = np.tensordot(weighted, slopes, axes=([0, 1], [0, 1])) + prior
        values = np.concatenate([np.zeros(6), model.table.ravel()])
        right = -np.einsum("nbk,nb->k", weighted, apart) - prior @ values
        step = np.linalg.solve(normal, right)
        model = _stepped(model, step)
        if np.abs(step[6:]).max() < 1e-5:
            break
    return model


def trust(apart: Doubles, matches: Matches) -> Doubles:
    """Tukey's weight of each match, over the square of the scale: then the normal matrix is that of true errors.

    What is unlike in the two is no detail of the art: the lamp throws a relief's light side where its dark side was.
    """
    distance = np.sqrt(np.einsum("na,nab,nb->n", apart, matches.weight, apart))
    alike = np.clip(matches.likeness, 0, 1)
    # 1.177 is the median of a length whose two components are standard normal.
    scale = max(float(np.median(distance[alike > 0])) / 1.177, 1.0) if (alike > 0).any() else 1.0
    share = distance / (_TUNING * scale)
    weight: Doubles = np.where(share < 1, (1 - share**2) ** 2, 0) * alike / scale**2
    return weight


def _slopes(model: Model, first: Doubles) -> Doubles:
    """How expected positions move with the unknowns: (n, 2, 6 + 2 x places); the map's own are over the size."""
    width, height = model.size
    even = model.affine.apply(first)
    ground = np.stack([first[:, 0] / width, first[:, 1] / height, np.ones(len(first))], axis=1)
    slopes = np.zeros((len(first), 2, 6 + model.table.size))
    slopes[:, 0, 0:3] = slopes[:, 1, 3:6] = ground
    places, weights = Bend.basis(even[:, 1], height, len(model.table))
    across = np.clip(even[:, 0] / width, 0, 1)
    every = np.arange(len(first))
    for k, weight in enumerate(weights):
        slopes[every, 1, 6 + 2 * (places + k)] = weight * (1 - across)
        slopes[every, 1, 7 + 2 * (places + k)] = weight * across
    return slopes


def _prior(model: Model) -> Doubles:
    """The inverse covariance of the unknowns before any match is seen: nothing known of the map, a carriage's bend."""
    count = len(model.table)
    one, second = np.eye(count), np.diff(np.eye(count), n=2, axis=0)
    pixels = model.ppi / 25.4
    left, right = np.array([[1.0, 0.0]]), np.array([[0.0, 1.0]])
    rows = [np.kron(second, side) / (_BENDS_MM * pixels) for side in (left, right)]
    rows += [np.kron(one, right - left) / (_ASKEW_MM * pixels), np.kron(one, (left + right) / 2) / (_MOVES_MM * pixels)]
    stacked = np.vstack(rows)
    prior = 1e-6 * np.eye(6 + 2 * count)
    prior[6:, 6:] += stacked.T @ stacked
    return prior


def _stepped(model: Model, step: Doubles) -> Model:
    width, height = model.size
    a, b, tx, c, d, ty = (float(value) for value in step[:6] / np.array([width, height, 1] * 2))
    old = model.affine
    affine = Affine(old.a + a, old.b + b, old.tx + tx, old.c + c, old.d + d, old.ty + ty)
    return replace(model, affine=affine, table=model.table + step[6:].reshape(-1, 2))

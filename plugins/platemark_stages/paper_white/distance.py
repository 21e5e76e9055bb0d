"""How far a pixel's colour lies from the paper's: CIEDE2000 near the paper, as a form of whole numbers.

Near one colour CIEDE2000 is a quadratic form. It is measured once and rounded; over the pixels there are only sums and
products of whole numbers that a float holds exactly.
"""

from collections.abc import Sequence

import numpy as np
import pyvips
from numpy.typing import NDArray

from platemark import Picture, Profile, colour_difference

Doubles = NDArray[np.float64]

UNIT = 8  # steps of a CIEDE2000 of 1: squares of up to 31.9 fit into 16 bits
_SCALE = 4096  # of the form's factors, for their digits
_STEP = 600  # two levels of 8 bits: well above the rounding of 16 bits, well below where the form bends


def axes_at(paper: Sequence[int], profile: Profile) -> list[list[int]]:
    """Factors of the form at the colour of the paper.

    Returns:
        Rows of a triangle: each gives one axis, the sum of whose squares is CIEDE2000 squared, in steps.
    """
    bands = len(paper)
    room = np.where(np.array(paper) > 2 * _STEP, -_STEP, _STEP)
    pairs = [(i, j) for i in range(bands) for j in range(i + 1)]
    colours = [np.array(paper, np.float64)]
    colours += [colours[0] + room * ((np.arange(bands) == i) | (np.arange(bands) == j)) for i, j in pairs]
    lab = lab_of(np.array(colours), profile)
    squares = colour_difference(np.repeat(lab[:, :1], len(pairs), axis=1), lab[:, 1:])[0].astype(np.float64) ** 2
    alone = {i: float(square) for (i, j), square in zip(pairs, squares, strict=True) if i == j}
    form = np.zeros((bands, bands))
    for (i, j), square in zip(pairs, squares, strict=True):
        mixed = alone[i] if i == j else (square - alone[i] - alone[j]) / 2
        form[i, j] = form[j, i] = mixed / _STEP**2
    values, vectors = np.linalg.eigh(form)
    # Rounding must not leave a direction in which nothing counts.
    sound = (vectors * np.maximum(values, values.max() * 1e-3)) @ vectors.T
    triangle = np.linalg.cholesky(sound).T
    factor = UNIT * _SCALE * _shortfall(triangle, colours[0], profile)
    return [[round(float(value) * factor) for value in row] for row in triangle]


def _shortfall(triangle: Doubles, paper: Doubles, profile: Profile) -> float:
    """By how much the form must grow to call no colour nearer than it is, at distances of 2 to 6 in any direction."""
    bands = len(paper)
    ways = np.stack(np.meshgrid(*[[-1.0, -0.5, 0.0, 0.5]] * bands), axis=-1).reshape(-1, bands)
    ways = ways[np.abs(ways).max(axis=1) > 0]
    colours = (paper + ways[:, None] * np.linspace(500, 12000, 24)[:, None]).reshape(-1, bands)
    colours = np.rint(colours[((colours >= 0) & (colours <= 65535)).all(axis=1)])
    lab = lab_of(np.concatenate([paper[None], colours]), profile)
    true = colour_difference(np.repeat(lab[:, :1], len(colours), axis=1), lab[:, 1:])[0].astype(np.float64)
    told = np.sqrt((((colours - paper) @ triangle.T) ** 2).sum(axis=1))
    near = (true > 2) & (true < 6)
    return float(np.clip(np.max(true[near] / told[near]), 1.0, 2.0)) if near.any() else 1.0


def lab_of(colours: Doubles, profile: Profile) -> NDArray[np.float32]:
    """CIELAB of colours of shape (count, channels): shape (1, count, 3)."""
    values = np.rint(np.clip(colours, 0, 65535)).astype(np.uint16)
    row = pyvips.Image.new_from_memory(values.tobytes(), len(values), 1, values.shape[1], "ushort")
    return Picture.of(row, profile, 100.0).lab()


def squared(image: pyvips.Image, paper: Sequence[int], axes: Sequence[Sequence[int]]) -> pyvips.Image:
    """The squared distance of each pixel from the paper: one band of `ushort`, (8 x CIEDE2000) squared, lazy."""
    away = image.cast("float") - list(paper)
    along = away.recomb([list(map(float, row)) for row in axes]) * (1 / _SCALE)
    return (along * along).recomb([[1.0] * len(axes)]).cast("ushort")


def distances() -> Doubles:
    """The distance that each of the 65536 squares stands for, CIEDE2000."""
    return np.sqrt(np.arange(65536, dtype=np.float64)) / UNIT

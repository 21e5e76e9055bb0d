"""How far a pixel's colour lies from the paper's: CIEDE2000 near the paper, as a form of whole numbers.

Near one colour CIEDE2000 is nearly a quadratic form. It is fitted once and rounded; over the pixels there are only sums
and products of whole numbers that a float holds exactly.
"""

from collections.abc import Sequence

import numpy as np
import pyvips
from numpy.typing import NDArray

from platemark import Picture, Profile, colour_difference

Doubles = NDArray[np.float64]

UNIT = 8  # steps of a CIEDE2000 of 1: squares of up to 31.9 fit into 16 bits
_SCALE = 4096  # of the form's factors, for their digits
_STEP = 400  # a level and a half of 8 bits
WHITE = 65535


def axes_at(paper: Sequence[int], profile: Profile) -> list[list[int]]:
    """Factors of the form at the colour of the paper.

    Returns:
        Rows of a triangle: each gives one axis, the sum of whose squares is CIEDE2000 squared, in steps.
    """
    away, true = _around(np.array(paper, np.float64), profile)
    bands = len(paper)
    pairs = [(i, j) for i in range(bands) for j in range(i + 1)]
    products = np.stack([away[:, i] * away[:, j] * (1 if i == j else 2) for i, j in pairs], axis=1)
    # Relative to each distance, so that the near ones count as much as the far.
    found = np.linalg.lstsq(products / true[:, None] ** 2, np.ones(len(true)), rcond=None)[0]
    form = np.zeros((bands, bands))
    for (i, j), value in zip(pairs, found, strict=True):
        form[i, j] = form[j, i] = value
    values, vectors = np.linalg.eigh(form)
    # Rounding must not leave a direction in which nothing counts.
    sound = (vectors * np.maximum(values, values.max() * 1e-3)) @ vectors.T
    triangle = np.linalg.cholesky(sound).T
    told = np.sqrt(((away @ triangle.T) ** 2).sum(axis=1))
    # Paint must not pass for paper: no colour is called nearer than it is.
    factor = UNIT * _SCALE * float(np.clip((true / told).max(), 1, 2))
    return [[round(float(value) * factor) for value in row] for row in triangle]


def _around(paper: Doubles, profile: Profile) -> tuple[Doubles, Doubles]:
    """Colours around the paper's at which the form is fitted.

    Returns:
        How far each channel is from the paper's, shape (count, channels); and CIEDE2000 of each.
    """
    ways = np.stack(np.meshgrid(*[np.arange(-18, 8) * _STEP] * len(paper)), axis=-1).reshape(-1, len(paper))
    ways = ways[((paper + ways >= 0) & (paper + ways <= WHITE)).all(axis=1)]
    lab = lab_of(np.concatenate([paper[None], paper + ways]), profile)
    true = colour_difference(np.repeat(lab[:, :1], len(ways), axis=1), lab[:, 1:])[0].astype(np.float64)
    near = (true > 1) & (true < 6)
    return ways[near].astype(np.float64), true[near]


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

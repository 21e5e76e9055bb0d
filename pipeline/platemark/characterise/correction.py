"""A smooth correction beyond the matrix: what is left at the patches, carried over to the colours between them.

Kriging (a Gaussian process) in CIELAB: near patches their differences count, far from any it fades to nothing, so that
it never invents. How far "near" reaches and how much is noise is chosen by leaving each patch out.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platemark.pixels.ciede2000 import ciede2000

Numbers = NDArray[np.float64]

# CIELAB units over which two differences are still alike: less than 30 would follow single patches.
_REACHES = (30.0, 50.0, 80.0, 130.0)
# Variance of what is not smooth against that of what is.
_ROUGH = (0.03, 0.1, 0.3, 1.0)


@dataclass(frozen=True)
class Correction:
    """What to add to the CIELAB of the matrix.

    Attributes:
        anchors: CIELAB of the patches by the matrix, shape (n, 3).
        pull: of each patch on L*, a*, b*; shape (n, 3).
        reach: CIELAB units.
    """

    anchors: Numbers
    pull: Numbers
    reach: float

    def __call__(self, lab: Numbers) -> Numbers:
        """The corrected CIELAB, shape (..., 3)."""
        flat = lab.reshape(-1, 3)
        # In portions: a whole table against some hundred patches would be large.
        parts = [flat[i : i + 4096] for i in range(0, len(flat), 4096)]
        added = np.concatenate([_alike(part, self.anchors, self.reach) @ self.pull for part in parts])
        corrected: Numbers = lab + added.reshape(lab.shape)
        return corrected


def fit_correction(made: Numbers, wanted: Numbers) -> Correction:
    """Fit it to patches.

    Args:
        made: CIELAB by the matrix, shape (n, 3).
        wanted: CIELAB of the reference.

    Source:
        Rasmussen and Williams (2006), Gaussian Processes for Machine Learning, equations 2.25 and 5.12 (leaving one
        out in closed form).
    """
    left = wanted - made
    best: tuple[float, Correction | None] = (np.inf, None)
    for reach in _REACHES:
        values, vectors = np.linalg.eigh(_alike(made, made, reach))
        turned = vectors.T @ left
        for rough in _ROUGH:
            share = 1 / (values.clip(0) + rough)
            pull = vectors @ (share[:, None] * turned)
            foretold = wanted - pull / ((vectors**2) @ share)[:, None]
            error = float(ciede2000(foretold, wanted).mean())
            if error < best[0]:
                best = error, Correction(made, pull, reach)
    assert best[1] is not None  # noqa: S101  there is always a first
    return best[1]


def _alike(a: Numbers, b: Numbers, reach: float) -> Numbers:
    squared = (a**2).sum(axis=1)[:, None] + (b**2).sum(axis=1) - 2 * a @ b.T
    alike: Numbers = np.exp(-squared / (2 * reach**2))
    return alike

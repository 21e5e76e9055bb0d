"""CIELAB, as the standard has it."""

import numpy as np
from numpy.typing import NDArray

Numbers = NDArray[np.float64]

D50 = np.array([0.9642, 1.0, 0.8249])  # XYZ of the white of profiles, Y = 1. Source: ICC.1 clause 7.2.16


def lab_of_xyz(share: Numbers) -> Numbers:
    """CIELAB of XYZ over that of white; straight below black.

    Args:
        share: shape (..., 3).

    Source:
        CIE 15:2004, 8.2.1.
    """
    f = np.where(share > 216 / 24389, np.cbrt(share), (24389 / 27 * share + 16) / 116)
    return np.stack([116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])], axis=-1)

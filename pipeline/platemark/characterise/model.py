"""The model of a scanner: a tone curve a channel, a matrix to XYZ, and how it is fitted to patches.

The curve is ((d + b) / (1 + b)) ^ g - f, bent by two terms that auto tone may have put in: g is the power, b the
straight foot that sRGB and its like have, f stray light. The fit minimises weighted CIELAB differences; few, held
parameters, so that 24 patches do.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platemark.pixels.cielab import D50, lab_of_xyz

Numbers = NDArray[np.float64]

# What a parameter of the curve usually is, and how far from it is likely: a pull, not a wall, so that patches decide
# where there are enough of them. Power: between linear and 2.6; foot: 0.055 in sRGB; stray light: a per cent; bends.
_USUAL = np.array([2.2, 0.03, 0.0, 0.0, 0.0])
_SPREAD = np.array([0.6, 0.04, 0.02, 0.08, 0.05])
_PULL = 0.3  # CIELAB units that a parameter one spread away weighs as much as
_STEPS = 40
_CURVE = len(_USUAL)


@dataclass(frozen=True)
class Model:
    """A fitted scanner.

    Attributes:
        curves: shape (3, 5): power, foot, stray light and two bends of each channel.
        matrix: from linear channels to XYZ, shape (3, 3): xyz = linear @ matrix.
    """

    curves: Numbers
    matrix: Numbers

    def linear(self, device: Numbers) -> Numbers:
        """Linear light of device values 0 to 1, shape (..., 3)."""
        return _linear(self.curves, device)

    def xyz(self, device: Numbers) -> Numbers:
        """XYZ relative to the perfect white under D50, shape (..., 3)."""
        return self.linear(device) @ self.matrix

    def lab(self, device: Numbers) -> Numbers:
        """CIELAB, D50, shape (..., 3)."""
        return lab_of_xyz(self.xyz(device) / D50)


def fit_model(device: Numbers, lab: Numbers, start: Model | None = None) -> Model:
    """Fit curves and matrix to patches, by Levenberg and Marquardt's method.

    Args:
        device: trimmed means, 0 to 1, shape (n, 3).
        lab: what they should be.
        start: where to begin, if a model of nearly the same patches is known: it is reached sooner, not another.

    Source:
        Marquardt (1963), SIAM Journal 11(2), 431-441; differences weighted by the CIE94 denominators (CIE 116-1995).
    """
    weights = _weights(lab)
    curves, matrix = (start.curves, start.matrix) if start else (_usual_curves(), _first_matrix(device, lab))
    values = np.concatenate([curves.ravel(), matrix.ravel()])
    damping, left = 1e-2, _residuals(values, device, lab, weights)
    for _ in range(_STEPS):
        slope = _slopes(values, device, lab, weights, left)
        normal, side = slope.T @ slope, slope.T @ left
        while damping < 1e8:
            trial = values - np.linalg.solve(normal + damping * np.diag(np.diag(normal) + 1e-9), side)
            tried = _residuals(trial, device, lab, weights)
            if tried @ tried < left @ left:
                break
            damping *= 4
        else:
            break
        gain = 1 - (tried @ tried) / (left @ left)
        values, left, damping = trial, tried, max(damping / 5, 1e-9)
        if gain < 1e-5:
            break
    return Model(values[: 3 * _CURVE].reshape(3, _CURVE), values[3 * _CURVE :].reshape(3, 3))


def _linear(curves: Numbers, device: Numbers) -> Numbers:
    power, foot, stray, bend, twist = curves.T
    d = device + device * (1 - device) * (bend + twist * (2 * device - 1))
    foot = foot.clip(0)
    linear: Numbers = ((d + foot).clip(1e-6) / (1 + foot)) ** power.clip(0.5, 4) - stray
    return linear


def _usual_curves() -> Numbers:
    return np.tile(_USUAL, (3, 1))


def _first_matrix(device: Numbers, lab: Numbers) -> Numbers:
    linear = _linear(_usual_curves(), device)
    # Light counts by its share, or the lightest patches would decide alone.
    xyz = xyz_of_lab(lab)
    share = 1 / (xyz[:, 1:2] + 0.02)
    matrix: Numbers = np.linalg.lstsq(linear * share, xyz * share, rcond=None)[0].astype(np.float64)
    return matrix


def xyz_of_lab(lab: Numbers) -> Numbers:
    """XYZ relative to the perfect white under D50. Source: CIE 15:2004, 8.2.1, backwards."""
    fy = (lab[..., 0] + 16) / 116
    f = np.stack([fy + lab[..., 1] / 500, fy, fy - lab[..., 2] / 200], axis=-1)
    xyz: Numbers = np.where(f > 6 / 29, f**3, (116 * f - 16) * 27 / 24389) * D50
    return xyz


def _weights(lab: Numbers) -> Numbers:
    """One over how much a step in L*, a*, b* counts: less in strong colours. Source: CIE 116-1995 (CIE94)."""
    chroma = np.hypot(lab[:, 1], lab[:, 2])
    side = 1 / (1 + 0.03 * chroma)  # between the 0.045 of chroma and the 0.015 of hue
    return np.stack([np.ones_like(side), side, side], axis=1)


def _residuals(values: Numbers, device: Numbers, lab: Numbers, weights: Numbers) -> Numbers:
    curves, matrix = values[: 3 * _CURVE].reshape(3, _CURVE), values[3 * _CURVE :].reshape(3, 3)
    made = lab_of_xyz(_linear(curves, device) @ matrix / D50)
    pull = _PULL * ((curves - _USUAL) / _SPREAD).ravel()
    return np.concatenate([((made - lab) * weights).ravel(), pull])


def _slopes(values: Numbers, device: Numbers, lab: Numbers, weights: Numbers, left: Numbers) -> Numbers:
    columns = []
    for i in range(len(values)):
        step = 1e-5
        moved = values.copy()
        moved[i] += step
        columns.append((_residuals(moved, device, lab, weights) - left) / step)
    return np.stack(columns, axis=1)

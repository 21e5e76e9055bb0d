"""The profile of a fitted scanner: curves and a matrix, or a table where there is a correction."""

import numpy as np
from numpy.typing import NDArray

from platemark.characterise.fitting import Fit
from platemark.characterise.model import Model
from platemark.pixels.icc_writer import curve, matrix_profile, table_profile

Numbers = NDArray[np.float64]

_CURVE_POINTS = 1024
_ENTRY_POINTS = 4096  # the most that lut16 can hold
_GRID = 33  # points a side: between them the table is off by a hundredth of CIEDE2000


def is_monotone(model: Model) -> bool:
    """Every curve rises (where it is above black), and full light in all channels is white.

    A single channel may take a little light away: sensors that see much of their neighbours' light are undone so.
    """
    linear = model.linear(_ramp(256))
    rising = (np.diff(linear, axis=0) > 0) | (linear[1:] <= 0)
    return bool(rising.all() and (linear[-1] > 0).all() and (linear[-1] @ model.matrix > 0).all())


def scanner_profile(fit: Fit, name: str) -> bytes:
    """An ICC profile of class `scnr`, version 2.4.

    CIELAB is that of the reference: relative to the perfect white, so that paper keeps its tint.

    Args:
        fit: the scanner; its curves must be monotone.
        name: ASCII.
    """
    return _table(fit, name) if fit.correction else _matrix(fit.model, name)


def _matrix(model: Model, name: str) -> bytes:
    """Each curve ends at full light; what is lost of it goes to the matrix."""
    linear, full = model.linear(_ramp(_CURVE_POINTS)), model.linear(np.ones(3))
    curves = [curve(np.maximum(it, 0)) for it in (linear / full).T]
    return matrix_profile(name, b"scnr", model.matrix * full[:, None], curves)


def _table(fit: Fit, name: str) -> bytes:
    """Channels enter by the lightness of their light, in which the table's steps are even to the eye."""
    full = fit.model.linear(np.ones(3))
    entries = [_lightness(np.maximum(it, 0)) for it in (fit.model.linear(_ramp(_ENTRY_POINTS)) / full).T]
    light = _light(np.linspace(0, 1, _GRID))
    grid = np.stack(np.meshgrid(light, light, light, indexing="ij"), axis=-1)
    return table_profile(name, b"scnr", entries, fit.lab_of_light(grid * full))


def _ramp(points: int) -> Numbers:
    return np.repeat(np.linspace(0, 1, points)[:, None], 3, axis=1)


def _lightness(light: Numbers) -> Numbers:
    """L* / 100. Source: CIE 15:2004."""
    return np.where(light > 216 / 24389, 1.16 * np.cbrt(light) - 0.16, 24389 / 2700 * light)


def _light(lightness: Numbers) -> Numbers:
    return np.where(lightness > 0.08, ((lightness + 0.16) / 1.16) ** 3, lightness * 2700 / 24389)

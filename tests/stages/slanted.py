"""Slanted edges whose blur is known, and what is measured across them.

Source: ISO 12233:2017, annex D, in own words: each row's edge is found by the centroid of its differences, a line is
fitted through them, values are binned to quarters of a pixel by their distance from it, the differences of the bins are
windowed (Hamming) and transformed. What binning and differences themselves take away, a sinc each, is given back.
"""

from math import erf

import numpy as np

from platemark import Picture
from platemark.testing import picture_of

DEGREES = 5.0
OVERSAMPLING = 4


def edge(dark, light, blur, *, ppi=360.0, size=(96, 128)) -> Picture:
    """A nearly upright edge, dark on the left, blurred by a Gaussian of `blur` pixels; exact, but for rounding.

    Args:
        dark: 16-bit red, green and blue.
        light: as `dark`.
        blur: deviation of the Gaussian, in pixels.
        ppi: its resolution.
        size: rows, columns.
    """
    rows, columns = size
    x, y = np.arange(columns) + 0.5 - columns / 2, np.arange(rows) + 0.5 - rows / 2
    away = x[None, :] * np.cos(np.radians(DEGREES)) + y[:, None] * np.sin(np.radians(DEGREES))
    share = 0.5 * (1 + np.vectorize(erf)(away / (blur * 2**0.5)))
    ends = np.asarray(dark, float), np.asarray(light, float)
    return picture_of(np.rint(ends[0] + (ends[1] - ends[0]) * share[:, :, None]).astype(np.uint16), ppi)


def blurred_response(frequency, blur):
    """The response of that edge: the Fourier transform of a Gaussian. Frequency in cycles per pixel."""
    return np.exp(-2 * (np.pi * np.asarray(frequency) * blur) ** 2)


def spread(array):
    """The edge spread function of (rows, columns) values: distances in pixels, values."""
    values = np.asarray(array, float)
    across = np.arange(values.shape[1] - 1) + 1.0
    slope = np.abs(np.diff(values, axis=1)) ** 2  # squared: weighs the halo's far side less than the edge
    centre = (slope * across).sum(axis=1) / slope.sum(axis=1)
    a, b = np.polyfit(np.arange(len(values)), centre, 1)
    x, y = np.arange(values.shape[1])[None, :] + 0.5, np.arange(len(values))[:, None]
    away = (x - (a * y + b)) / np.hypot(1, a)
    reach = values.shape[1] // 2 - 12
    bins = np.floor((away + reach) * OVERSAMPLING).astype(int)
    inside = (bins >= 0) & (bins < 2 * reach * OVERSAMPLING)
    counts = np.bincount(bins[inside], minlength=2 * reach * OVERSAMPLING)
    means = np.bincount(bins[inside], values[inside], len(counts)) / counts
    return (np.arange(len(counts)) + 0.5) / OVERSAMPLING - reach, means


def response(array):
    """The spatial frequency response: cycles per pixel up to 0.5, and the response, 1 at 0."""
    _, means = spread(array)
    line = np.diff(means)
    spectrum = np.abs(np.fft.rfft(line * np.hamming(len(line)), 4 * len(line)))
    frequency = np.arange(len(spectrum)) / (4 * len(line)) * OVERSAMPLING
    kept = frequency <= 0.5
    frequency, spectrum = frequency[kept], spectrum[kept] / spectrum[0]
    return frequency, spectrum / np.sinc(frequency / OVERSAMPLING) ** 2


def halo(before, after):
    """What was added along an edge of (rows, columns) values.

    Returns:
        Pixels from where the dark line has half its depth, outside, to where the light line has half its height; how
        far the values leave those of the two sides, below and above.
    """
    away, old = spread(before)
    _, new = spread(after)
    added = new - old
    dark, light = added <= added.min() / 2, added >= added.max() / 2
    return away[light].max() - away[dark].min(), old.min() - new.min(), new.max() - old.max()

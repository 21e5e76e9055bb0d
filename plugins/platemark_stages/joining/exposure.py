"""Exposure: one gain per channel and part, in linear light, so that the overlaps are equally light."""

from collections.abc import Sequence
from itertools import combinations

import numpy as np
import pyvips
from numpy.typing import NDArray
from pydantic import Field

from platemark import Parameters, Picture, Profile
from platemark_stages.joining.placed import Registration
from platemark_stages.joining.views import Views, views
from platemark_stages.registration.cells import Flags, Whole

Doubles = NDArray[np.float64]

# A gain bends the profile's curve so little that 33 knots follow it to one part in 65535.
KNOTS = 33
_DARKEST = 0.02  # linear light; below, the scanner's own black counts for more than its exposure
_LIGHTEST = 65000  # a channel this full may have been cut off
_FEWEST = 100  # cells, a square of 3 mm; fewer say nothing


class Exposure(Parameters):
    """How each part's values are changed before the parts are laid together."""

    gains: list[list[float]] = Field(description="Per part, per channel: factor in linear light.")
    curves: list[list[list[int]]] = Field(
        description="Per part, per channel: new values of 33 evenly spaced old ones, 0 to 65535; straight between them."
    )


def match_exposure(pictures: Sequence[Picture], registration: Registration) -> Exposure:
    """Find the gains from what the parts show of each other; their geometric mean is 1.

    Source:
        Least squares over the logarithms of pairwise medians; Brown and Lowe (2007), Automatic panoramic image
        stitching, section 6, without its prior.
    """
    seen = views(pictures, registration)
    profile = pictures[0].profile
    values, light = _tone_curve(profile)
    linear = [np.interp(colours, values, light) for colours in seen.colours]
    channels = profile.bands
    logs = np.stack([_balanced(_ratios(seen, linear, channel), len(pictures)) for channel in range(channels)], axis=1)
    return exposure_of(profile, [[round(float(gain), 5) for gain in part] for part in np.exp(logs)])


def exposure_of(profile: Profile, gains: list[list[float]]) -> Exposure:
    """The curves of these gains, one a channel and part, for pixels of this profile."""
    values, light = _tone_curve(profile)
    return Exposure(gains=gains, curves=[[_knots(gain, values, light) for gain in part] for part in gains])


def exposed(image: pyvips.Image, curves: Sequence[Sequence[int]]) -> pyvips.Image:
    """Change the values of a part; integers only."""
    table = np.stack([table_of(knots) for knots in curves], axis=1)
    lookup = pyvips.Image.new_from_memory(np.ascontiguousarray(table).data, 65536, 1, len(curves), "ushort")
    return image.maplut(lookup)


def table_of(knots: Sequence[int]) -> NDArray[np.uint16]:
    """All 65536 values of a curve, straight between its knots."""
    step = 65536 // (KNOTS - 1)
    value = np.arange(65536, dtype=np.int64)
    index, rest = value // step, value % step
    points = np.array(knots, np.int64)
    between = points[index] * (step - rest) + points[index + 1] * rest
    table: NDArray[np.uint16] = np.clip((between + step // 2) // step, 0, 65535).astype(np.uint16)
    return table


def _tone_curve(profile: Profile) -> tuple[Doubles, Doubles]:
    """Linear light of neutral values: 1025 values from 0 to 65535, and their light.

    Source:
        The L* of the profile's greys, and from it Y: CIE 15:2004, equation 8.1 turned round.
    """
    values = np.rint(np.linspace(0, 65535, 1025)).astype(np.uint16)
    greys = np.repeat(values[None, :, None], profile.bands, axis=2)
    ramp = pyvips.Image.new_from_memory(greys.tobytes(), len(values), 1, profile.bands, "ushort")
    lightness = np.maximum.accumulate(Picture.of(ramp, profile, 100.0).lab()[0, :, 0].astype(np.float64))
    light = np.where(lightness > 8, ((lightness + 16) / 116) ** 3, lightness * 27 / 24389)
    return values.astype(np.float64), light / light[-1] + np.arange(1025) * 1e-12


def _ratios(seen: Views, linear: Sequence[Doubles], channel: int) -> dict[tuple[int, int], tuple[float, int]]:
    """For each pair that overlaps: the logarithm of second over first, and from how many cells."""
    found = {}
    for i, j in combinations(range(len(linear)), 2):
        both = np.minimum(seen.depths[i], seen.depths[j]) > 3 * seen.cell
        first, second = linear[i][:, :, channel], linear[j][:, :, channel]
        both &= (np.minimum(first, second) > _DARKEST) & _unclipped(seen.colours[i], seen.colours[j])
        flat = both & (_slope(first) + _slope(second) < 0.1 * (first + second))
        chosen = flat if flat.sum() >= _FEWEST else both
        if chosen.sum() >= _FEWEST:
            found[i, j] = (float(np.median(np.log(second[chosen] / first[chosen]))), int(chosen.sum()))
    return found


def _unclipped(first: Whole, second: Whole) -> Flags:
    below: Flags = np.maximum(first, second).max(axis=2) < _LIGHTEST
    return below


def _slope(light: Doubles) -> Doubles:
    """How much the neighbours differ: at an edge, a small shift would pass for a gain."""
    down, across = np.gradient(light)
    slope: Doubles = np.abs(down) + np.abs(across)
    return slope


def _balanced(ratios: dict[tuple[int, int], tuple[float, int]], count: int) -> Doubles:
    """Logarithms of the gains that make the pairs agree best; their sum is nought."""
    rows, right = [np.ones(count)], [0.0]
    for (i, j), (ratio, cells) in ratios.items():
        row = np.zeros(count)
        row[i], row[j] = 1.0, -1.0
        # Neighbouring cells err alike, so many cells count less than their number.
        rows.append(row * cells**0.5)
        right.append(ratio * cells**0.5)
    solution: Doubles = np.linalg.lstsq(np.array(rows), np.array(right), rcond=None)[0]
    return solution


def _knots(gain: float, values: Doubles, light: Doubles) -> list[int]:
    """The curve of one gain: decode, multiply, encode; beyond full light it goes on straight."""
    knots = np.linspace(0, 65536, KNOTS)
    wanted = np.interp(np.minimum(knots, 65535), values, light) * gain
    steepness = (values[-1] - values[-9]) / (light[-1] - light[-9])
    beyond = 65535 + (wanted - light[-1]) * steepness
    return [round(float(value)) for value in np.where(wanted > light[-1], beyond, np.interp(wanted, light, values))]

"""Lines: what there is to know of a chain of ridges that may be a hair."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platemark_stages.dust.chains import Curve, Points, curve_through
from platemark_stages.dust.profiles import Profile, profile, sampled
from platemark_stages.dust.ridges import BESIDE, RUN, Heights
from platemark_stages.dust.specks import own_colour
from platemark_stages.dust.survey import Floats, Pixels

# Shorter lines cannot be told from grain, and lint or hair on a scan is rarely longer (common practice).
_LENGTH_MM = (2.5, 15.0)
# How far to look to both sides and beyond the ends; how far the ground has to be quiet.
_ALONE_MM, _BEYOND_MM, _QUIET_MM = 3.0, 2.0, 1.5
# At the end of a curve light spreads so many pixels.
_SKIRT = 2
_POINTS = 11


@dataclass(frozen=True)
class Line:
    """A smooth line; heights in units of 0 to 65535, of a dark line (sign 1) downwards, of a bright one upwards.

    Attributes:
        sign: +1 for darker than the ground, -1 for brighter.
        path: y and x of points along it, in reduced pixels.
        half: half its width, in reduced pixels.
        height: median of how far it stands out on both sides.
        even: height that four fifths of it reach, as a share of `height`.
        company: the highest other short line along it, of either sign.
        beyond: its height beyond either end.
        spread: how far the greys near it lie apart, but for the last fiftieth on both sides; what changes along it is
            left out.
        step: by how much its two sides differ.
        opaque_mm: width of an opaque line that takes as much light.
        colour: how much of it no grey veil explains, 0 to 1.
    """

    sign: int
    path: Points
    half: float
    height: float
    even: float
    company: float
    beyond: float
    spread: float
    step: float
    opaque_mm: float
    colour: float


def line_through(points: Points, sign: int, pixels: Pixels, grey: Heights, per_mm: float) -> Line | None:
    """The line along a chain, if it is smooth, of a hair's length and not cut by the rim.

    Args:
        points: y and x of the chain.
        sign: +1 if it is darker than the ground, -1 if brighter.
        pixels: the picture in colour.
        grey: the same, reduced.
        per_mm: reduced pixels a millimetre.
    """
    if not _LENGTH_MM[0] <= np.hypot(*np.ptp(points, axis=0)) / per_mm <= _LENGTH_MM[1]:
        return None
    curve = curve_through(points, per_mm, round(_BEYOND_MM * per_mm))
    if curve is None or _cut(curve.points[curve.own], grey):
        return None
    seen = profile(grey, curve, sign, round(_ALONE_MM * per_mm))
    # The curve smooths, so the line itself may lie a pixel beside it.
    middle = np.abs(seen.offsets) <= 1
    own, line = seen.levels[:, curve.own], seen.ridge[middle].max(axis=0)
    height = float(np.median(line[curve.own]))
    best = int(seen.offsets[middle][seen.ridge[middle][:, curve.own].mean(axis=1).argmax()])
    off = curve.points + best * curve.across
    whole = _whole(line >= height / 2, curve.own)
    ground, core = _colours(pixels, curve, off, pixels.shape[0] // grey.shape[0])
    depth = _depth(seen, own, best)
    full = float(ground.mean()) if sign > 0 else 65535 - float(ground.mean())
    return Line(
        sign=sign,
        path=off[np.linspace(whole.start, whole.stop - 1, _POINTS).round().astype(int)],
        half=1 + float(np.abs(np.arange(len(depth)) - len(depth) // 2)[depth >= depth.max() / 2].max()),
        height=height,
        even=float(np.percentile(line[curve.own], 20)) / max(height, 1.0),
        company=_company(seen),
        beyond=max(_mean(line[: max(0, whole.start - _SKIRT)]), _mean(line[whole.stop + _SKIRT :])),
        spread=_spread(own[(np.abs(seen.offsets) >= BESIDE) & (np.abs(seen.offsets) <= _QUIET_MM * per_mm)]),
        step=_step(seen, own),
        opaque_mm=float(depth.clip(0).sum()) / per_mm / max(full, 1.0),
        colour=own_colour(ground, core),
    )


def _cut(path: Points, grey: Heights) -> bool:
    """Whether a line touches the rim of the picture, so that it cannot be judged."""
    return bool((path < BESIDE + 1).any() or (path > np.array(grey.shape) - BESIDE - 2).any())


def _whole(seen: NDArray[np.bool_], own: slice) -> slice:
    """The chain and what is as clear before and after it."""
    before, after = seen[: own.start][::-1], seen[own.stop :]
    start = own.start - int(np.argmin(np.append(before, False)))
    return slice(start, own.stop + int(np.argmin(np.append(after, False))))


def _mean(line: Floats) -> float:
    """The height beyond an end; where nothing is left to look at, the line goes on."""
    return float(line.mean()) if len(line) else math.inf


def _depth(seen: Profile, own: Floats, best: int) -> Floats:
    """Mean depth of the line across its width, from BESIDE it on one side to the other."""
    across = own[np.abs(seen.offsets - best) <= BESIDE].mean(axis=1)
    depth: Floats = (across[0] + across[-1]) / 2 - across
    return depth


def _company(seen: Profile) -> float:
    """The highest line of the length of a run that lies beside the curve or its ends, of either sign."""
    beside = np.abs(seen.offsets) > BESIDE + 1
    total = np.cumsum(np.maximum(seen.ridge, seen.pit)[beside], axis=1)
    highest: np.float32 = np.max(total[:, RUN:] - total[:, :-RUN], initial=0)
    return float(highest / RUN)


def _spread(around: Floats) -> float:
    low, high = np.percentile(around - np.median(around, axis=0), (2, 98))
    return float(high - low)


def _step(seen: Profile, own: Floats) -> float:
    """Difference of the means of both sides, as far off as BESIDE and twice that."""
    sides = [(seen.offsets * side >= BESIDE) & (seen.offsets * side <= 2 * BESIDE) for side in (-1, 1)]
    return abs(float(own[sides[0]].mean() - own[sides[1]].mean()))


def _colours(pixels: Pixels, curve: Curve, off: Points, factor: int) -> tuple[Floats, Floats]:
    """Mean colour of the ground on both sides and of the line itself."""
    places = [(off + side * BESIDE * curve.across)[curve.own] for side in (-1, 0, 1)]
    left, core, right = (
        sampled(pixels, (place + 0.5) * factor - 0.5).mean(axis=0).astype(np.float32) for place in places
    )
    return (left + right) / 2, core

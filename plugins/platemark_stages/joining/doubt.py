"""Reasons to hold parts instead of joining them, in words: which parts, and where."""

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from platemark_stages.registration.cells import Flags
from platemark_stages.registration.fitting import Doubles, Pair, Pose, fit, residuals
from platemark_stages.registration.linking import LEAST_AGREEMENT, LEAST_MATCHES, Link, matched, usable_boxes
from platemark_stages.registration.matching import Matches
from platemark_stages.registration.planes import Level

MORE = (
    "see that all are parts of one original and the same way up; if they are, scan them again so that neighbours "
    "share 30 mm and more of the art"
)
FLAT = "lay the sheet flat, close the lid without moving it, and scan these parts again"
OTHER = "put the scan of the other part in its place"
LOOK_PPI = 75.0  # a pixel is a third of a millimetre: a step of 0.2 mm is well within what a match can follow
# Two parts that show a line this far apart make a step that is seen at reading distance.
_STEP_MM = 0.2
_UNLIKE = 0.6  # correlation of one block; where the sheet was lifted it is blurred, but much the same
_SAME = 0.9  # of both sides; a part that adds less than a tenth to another was named by mistake
_LEAST_MM = 20.0  # shorter sides hold no overlap and anything beside it
_MOST_STEPS = 0.15  # of the matches; a hair or a fold disturbs fewer


def too_small(sizes: Sequence[tuple[int, int]], ppi: float) -> str:
    """Which part is no part of anything, in words; empty when all are large enough."""
    for number, size in enumerate(sizes):
        if min(size) / ppi * 25.4 < _LEAST_MM:
            return f"part {number + 1} is {min(size) / ppi * 25.4:.0f} mm narrow, too small to be joined"
    return ""


def twice(shared: Mapping[Pair, tuple[float, float]], sizes: Sequence[tuple[int, int]]) -> str:
    """Which two parts show the same, in words; `shared` is width and height of their overlap in pixels."""
    for pair, overlap in shared.items():
        if all(share > _SAME * min(sizes[n][axis] for n in pair) for axis, share in enumerate(overlap)):
            return f"{_listed(pair)} show the same part of the original"
    return ""


def gaps(rows: Sequence[Sequence[int]]) -> str:
    """What keeps the parts from making a rectangle, in words; empty when they do."""
    if len(rows) > 2:
        return f"the parts lie in {len(rows)} rows, more than two"
    if len({len(row) for row in rows}) > 1:
        lengths = " and ".join(str(len(row)) for row in rows)
        return f"the parts lie in rows of {lengths}, so a part of the original is missing"
    return ""


def lonely(found: Mapping[Pair, Link], placed: Sequence[int], count: int) -> str:
    """Why a part found no neighbour, in words."""
    rest = [part for part in range(count) if part not in placed]
    between = f"between {_listed(sorted(placed))} and {_listed(rest)}"
    across = [link for pair, link in found.items() if (pair[0] in placed) != (pair[1] in placed)]
    likely = [link for link in across if link.agreement >= LEAST_AGREEMENT and link.matches >= LEAST_MATCHES // 3]
    if likely:
        return f"the overlap {between} is too small, or too empty, to match them safely"
    return f"no overlap was found {between}: they show too little in common, or nothing that stands out from the paper"


def disagreement(level: Level, poses: Sequence[Pose], pairs: Sequence[Pair], usable: Sequence[Sequence[int]]) -> str:
    """Which parts show different things, and where; empty when all agree. Poses are in pixels of the level."""
    for pair, matches in matched(level, poses, pairs, usable_boxes(level, usable)).items():
        reason = _reason(pair, poses, matches, level)
        if reason:
            return reason
    return ""


def _reason(pair: Pair, poses: Sequence[Pose], matches: Matches, level: Level) -> str:
    """Where two parts show different things, in words; empty when they agree."""
    strong = matches.firm  # a fifth of a pixel of LOOK_PPI is a third of the step that is looked for
    if not strong.any():
        return ""
    likeness, spots = matches.likeness[strong], poses[pair[0]].affine.apply(matches.first[strong])
    apart = _apart(poses, pair, matches)[strong] * 25.4 / level.ppi
    if _wrong(apart, likeness).mean() <= _MOST_STEPS:
        return ""
    # A fit to all of it lies between the places that fit and those that do not; so one to each third, and the best.
    thirds = [_thirds(spots) == third for third in range(3)]
    tried = [_apart_by(matches, np.flatnonzero(strong)[third])[strong] * 25.4 / level.ppi for third in thirds]
    apart = min(tried, key=lambda lengths: _wrong(lengths, likeness).mean())
    wrong = _wrong(apart, likeness)
    step = float(np.median(apart[wrong])) if wrong.any() else _STEP_MM
    return f"{_listed(pair)} do not fit each other {_where(spots, wrong)}: they lie {step:.1f} mm apart there"


def _wrong(apart: Doubles, likeness: Doubles) -> Flags:
    """Which matches lie too far apart, in millimetres, or show different things."""
    wrong: Flags = (apart > _STEP_MM) | (likeness < _UNLIKE)
    return wrong


def _apart(poses: Sequence[Pose], pair: Pair, matches: Matches) -> Doubles:
    lengths: Doubles = np.hypot(*residuals(poses, pair, matches).T)
    return lengths


def _apart_by(matches: Matches, chosen: NDArray[np.intp]) -> Doubles:
    """How far apart all matches lie when some alone say how the parts lie."""
    start = matches.first.mean(axis=0) - matches.second.mean(axis=0)
    poses = [Pose(), Pose(x=float(start[0]), y=float(start[1]))]
    return _apart(fit(poses, {(0, 1): matches.only(chosen)}, stretch=False), (0, 1), matches)


def _thirds(spots: Doubles) -> NDArray[np.intp]:
    """In which third of the longer side of the overlap each place lies: 0, 1 or 2."""
    low, high = spots.min(axis=0), spots.max(axis=0)
    axis = int((high - low).argmax())
    third: NDArray[np.intp] = np.clip(
        ((spots[:, axis] - low[axis]) / max(high[axis] - low[axis], 1) * 3).astype(np.intp), 0, 2
    )
    return third


def _where(spots: Doubles, wrong: Flags) -> str:
    """Where along the longer side of the overlap most is wrong."""
    third = _thirds(spots)
    worst = max(range(3), key=lambda k: float(wrong[third == k].mean()) if (third == k).any() else 0.0)
    upright = np.ptp(spots[:, 1]) > np.ptp(spots[:, 0])
    names = (
        ("at the top", "in the middle", "at the bottom")
        if upright
        else ("at the left", "in the middle", "at the right")
    )
    return f"{names[worst]} of their overlap"


def _listed(parts: Sequence[int]) -> str:
    numbers = [str(part + 1) for part in parts]
    if len(numbers) == 1:
        return f"part {numbers[0]}"
    return f"parts {', '.join(numbers[:-1])} and {numbers[-1]}"

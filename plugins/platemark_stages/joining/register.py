"""Registration: one frame for all parts, exact to a tenth of a pixel in the overlaps, or the reason why not."""

from collections.abc import Mapping, Sequence

import numpy as np

from platemark import Affine
from platemark_stages.joining.coarse import LEAST_OVERLAP_MM
from platemark_stages.joining.fitting import Pair, Pose, fit, residuals
from platemark_stages.joining.linking import LEAST_AGREEMENT, Link, links, matched, usable_boxes
from platemark_stages.joining.matching import Matches
from platemark_stages.joining.planes import Level, Pixels, pyramid
from platemark_stages.joining.placed import Overlap, Placed, Registration, framed
from platemark_stages.joining.rim import glass

MOST_PARTS = 6
_ROUNDS = 2  # of matching at each level; at the last one more


def register(parts: Sequence[Pixels], ppi: float) -> Registration:
    """Find where overlapping scans of one original lie to each other.

    Args:
        parts: 2 to 6 arrays (rows, columns, channels) of one density, upright, in the order of their numbers.
        ppi: their density.

    Returns:
        The placement of each part in the frame of the first, in pixels of these arrays; or `held` says why not.

    Raises:
        ValueError: fewer than 2 parts or more than 6.
    """
    if not 2 <= len(parts) <= MOST_PARTS:
        raise ValueError(f"2 to {MOST_PARTS} parts make a picture, not {len(parts)}")
    levels = pyramid(parts, ppi)
    sizes = [(part.shape[1], part.shape[0]) for part in parts]
    found = links(levels)
    poses = _chained(found, len(parts))
    if isinstance(poses, str):
        return Registration(held=poses, remedy=_REMEDY)
    pairs = _overlapping(poses, sizes, ppi)
    for level in levels[1:] or levels:
        poses, matches = _refined(level, poses, pairs, usable_boxes(level))
    usable = glass(_level_near(levels, 75.0), poses, pairs, sizes)
    poses, matches = _refined(levels[-1], poses, pairs, usable_boxes(levels[-1], usable), stretch=True)
    placed = [Placed.of(pose.affine, size, box) for pose, size, box in zip(poses, sizes, usable, strict=True)]
    overlaps = [_overlap(pair, poses, sizes, matches[pair], ppi) for pair in pairs]
    rows = _rows(placed)
    result = framed(Registration(parts=placed, rows=rows, overlaps=overlaps))
    return _doubted(result, levels, poses, pairs, usable)


_REMEDY = "scan the parts again so that neighbours share 30 mm and more of the art, all the same way up"


def _chained(found: Mapping[Pair, Link], count: int) -> list[Pose] | str:
    """Place all parts along the best links, beginning with the first; or say which part has none."""
    placed = {0: Affine.identity()}
    while len(placed) < count:
        open_ends = [
            (link.agreement * min(link.matches, 50) ** 0.5, pair)
            for pair, link in found.items()
            if link.holds and (pair[0] in placed) != (pair[1] in placed)
        ]
        if not open_ends:
            return _lonely(found, placed, count)
        i, j = max(open_ends)[1]
        link = found[i, j].pose.affine
        if i in placed:
            placed[j] = link.then(placed[i])
        else:
            placed[i] = link.inverse().then(placed[j])
    return [_pose(placed[part]) for part in range(count)]


def _pose(affine: Affine) -> Pose:
    return Pose(float(np.degrees(np.arctan2(affine.b, affine.a))), 0.0, affine.tx, affine.ty)


def _lonely(found: Mapping[Pair, Link], placed: Mapping[int, Affine], count: int) -> str:
    """Why a part found no neighbour, in words."""
    rest = [part for part in range(count) if part not in placed]
    across = {pair: link for pair, link in found.items() if (pair[0] in placed) != (pair[1] in placed)}
    names = _listed(rest)
    others = _listed(sorted(placed))
    most = max(across.values(), key=lambda link: link.matches, default=None)
    if most is None or most.matches < 3:
        return f"{names} and {others} share too little detail: their overlap is too small or too empty to match"
    return f"{names} and {others} show nothing in common that could be matched"


def _listed(parts: Sequence[int]) -> str:
    numbers = [str(part + 1) for part in parts]
    if len(numbers) == 1:
        return f"part {numbers[0]}"
    return f"parts {', '.join(numbers[:-1])} and {numbers[-1]}"


def _overlapping(poses: Sequence[Pose], sizes: Sequence[tuple[int, int]], ppi: float) -> list[Pair]:
    """All pairs whose overlap is large enough to be compared."""
    least = LEAST_OVERLAP_MM / 25.4 * ppi
    count = len(poses)
    return [
        (i, j)
        for i in range(count)
        for j in range(i + 1, count)
        if min(_shared(poses[i], poses[j], sizes[i], sizes[j])) >= least
    ]


def _shared(first: Pose, second: Pose, size: tuple[int, int], other: tuple[int, int]) -> tuple[float, float]:
    """Width and height of the overlap in pixels of the first part."""
    width, height = other
    corners = second.affine.then(first.affine.inverse()).apply([(0, 0), (width, 0), (width, height), (0, height)])
    low = np.maximum(corners.min(axis=0), 0)
    high = np.minimum(corners.max(axis=0), size)
    across, down = high - low
    return max(float(across), 0.0), max(float(down), 0.0)


def _refined(
    level: Level, poses: list[Pose], pairs: Sequence[Pair], boxes: Sequence[np.ndarray], *, stretch: bool = False
) -> tuple[list[Pose], dict[Pair, Matches]]:
    """Match and fit at one level; poses come and go in full pixels."""
    poses = [pose.scaled(1 / level.factor) for pose in poses]
    matches: dict[Pair, Matches] = {}
    for _ in range(_ROUNDS + stretch):
        matches = matched(level, poses, pairs, boxes)
        good = {pair: found for pair, found in matches.items() if found.agreement >= LEAST_AGREEMENT / 2}
        poses = fit(poses, good, stretch=stretch)
    return [pose.scaled(level.factor) for pose in poses], matches


def _level_near(levels: Sequence[Level], ppi: float) -> Level:
    return min(levels, key=lambda level: abs(np.log(level.ppi / ppi)))


def _overlap(
    pair: Pair, poses: Sequence[Pose], sizes: Sequence[tuple[int, int]], matches: Matches, ppi: float
) -> Overlap:
    """What the finest level says of one overlap."""
    i, j = pair
    width, height = _shared(poses[i], poses[j], sizes[i], sizes[j])
    apart = np.hypot(*residuals(poses, pair, matches).T)[matches.sharp]
    millimetre = 25.4 / ppi
    return Overlap(
        first=i,
        second=j,
        width=round(width * millimetre, 1),
        height=round(height * millimetre, 1),
        matches=len(apart),
        agreement=round(matches.agreement, 3),
        residual=round(float(np.median(apart)) * millimetre, 4) if len(apart) else 0.0,
        largest=round(float(np.percentile(apart, 95)) * millimetre, 4) if len(apart) else 0.0,
    )


def _rows(placed: Sequence[Placed]) -> list[list[int]]:
    """Numbers of the parts in rows from top to bottom, each from left to right."""
    centres = {n: part.affine.apply([(part.size[0] / 2, part.size[1] / 2)])[0] for n, part in enumerate(placed)}
    rows: list[list[int]] = []
    for number in sorted(centres, key=lambda n: float(centres[n][1])):
        # In one row parts differ by how the sheet was laid, not by half their height.
        if rows and centres[number][1] - centres[rows[-1][0]][1] < placed[number].size[1] / 3:
            rows[-1].append(number)
        else:
            rows.append([number])
    return [sorted(row, key=lambda n: float(centres[n][0])) for row in rows]


# Two parts that show a line this far apart make a step that is seen at reading distance.
_STEP_MM = 0.2
_MOST_STEPS = 0.15  # of the matches; a hair or a fold disturbs fewer


def _doubted(
    result: Registration, levels: Sequence[Level], poses: Sequence[Pose], pairs: Sequence[Pair], usable: Sequence[Sequence[int]]
) -> Registration:
    """Hold what does not fit, saying where; looked at where 0.2 mm are less than a pixel."""
    level = _level_near(levels, 75.0)
    small = [pose.scaled(1 / level.factor) for pose in poses]
    for pair, matches in matched(level, small, pairs, usable_boxes(level, usable)).items():
        reason = _disagreement(pair, small, matches, level)
        if reason:
            return Registration(held=reason, remedy=_FLAT, overlaps=result.overlaps)
    if len(result.rows) > 2:
        return Registration(held=f"the parts lie in {len(result.rows)} rows, more than two", remedy=_REMEDY)
    return result


_FLAT = "lay the sheet flat, close the lid without moving it, and scan these parts again"


def _disagreement(pair: Pair, poses: Sequence[Pose], matches: Matches, level: Level) -> str:
    """Where two parts show different things, in words; empty when they agree."""
    strong = matches.sharp
    if not strong.any():
        return ""
    apart = np.hypot(*residuals(poses, pair, matches).T)[strong] * 25.4 / level.ppi
    wrong = (apart > _STEP_MM) | (matches.likeness[strong] < LEAST_AGREEMENT)
    if wrong.mean() <= _MOST_STEPS:
        return ""
    spots = poses[pair[0]].affine.apply(matches.first[strong])
    return f"{_listed(pair)} do not fit each other {_where(spots, wrong)}: they lie {np.median(apart[wrong]):.1f} mm apart there"


def _where(spots: np.ndarray, wrong: np.ndarray) -> str:
    """Where along the longer side of the overlap most is wrong."""
    low, high = spots.min(axis=0), spots.max(axis=0)
    axis = int((high - low).argmax())
    third = np.clip(((spots[:, axis] - low[axis]) / max(high[axis] - low[axis], 1) * 3).astype(int), 0, 2)
    worst = max(range(3), key=lambda k: float(wrong[third == k].mean()) if (third == k).any() else 0.0)
    names = (("at the left", "in the middle", "at the right"), ("at the top", "in the middle", "at the bottom"))
    return f"{names[axis][worst]} of their overlap"

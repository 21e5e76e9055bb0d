"""Registration: one frame for all parts, exact to a tenth of a pixel in the overlaps, or the reason why not."""

from collections.abc import Mapping, Sequence

import numpy as np

from platemark import Affine
from platemark_stages.joining.doubt import FLAT, LOOK_PPI, MORE, OTHER, disagreement, gaps, lonely, too_small, twice
from platemark_stages.joining.placed import Overlap, Placed, Registration, framed
from platemark_stages.joining.rim import glass
from platemark_stages.registration.coarse import LEAST_OVERLAP_MM
from platemark_stages.registration.fitting import Doubles, Pair, Pose, fit, residuals
from platemark_stages.registration.linking import LEAST_AGREEMENT, LEAST_MATCHES, Link, links, matched, usable_boxes
from platemark_stages.registration.matching import Matches
from platemark_stages.registration.planes import Level, Pixels, near, pyramid

MOST_PARTS = 6
_ROUNDS = 2  # of matching at each level, and one more without the strips that did not lie on the glass


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
    sizes = [(part.shape[1], part.shape[0]) for part in parts]
    small = too_small(sizes, ppi)
    if small:
        return Registration(held=small, remedy=MORE)
    levels = pyramid(parts, ppi)
    poses = _chained(links(levels), len(parts))
    if isinstance(poses, str):
        return Registration(held=poses, remedy=MORE)
    pairs = _overlapping(poses, sizes, ppi)
    same = twice({(i, j): _shared(poses[i], poses[j], sizes[i], sizes[j]) for i, j in pairs}, sizes)
    if same:
        return Registration(held=same, remedy=OTHER)
    return _measured(levels, poses, pairs, sizes)


def _measured(
    levels: Sequence[Level], poses: list[Pose], pairs: Sequence[Pair], sizes: Sequence[tuple[int, int]]
) -> Registration:
    """From about right to exact, level by level; then look whether it all fits."""
    for level in levels[1:] or levels:
        poses, _ = _refined(level, poses, pairs, usable_boxes(level), _ROUNDS)
    finest, look = levels[-1], near(levels, LOOK_PPI)
    usable = glass(look, poses, pairs, sizes)
    poses, matches = _refined(finest, poses, pairs, usable_boxes(finest, usable), 1)
    placed = [Placed.of(pose.affine, size, box) for pose, size, box in zip(poses, sizes, usable, strict=True)]
    overlaps = [_overlap(pair, poses, sizes, matches[pair], finest.ppi) for pair in pairs if matches[pair].firm.any()]
    rows = rows_of(placed)
    held = disagreement(look, [pose.scaled(1 / look.factor) for pose in poses], pairs, usable)
    if held or gaps(rows):
        return Registration(held=held or gaps(rows), remedy=FLAT if held else MORE, overlaps=overlaps)
    return framed(Registration(parts=placed, rows=rows, overlaps=overlaps))


def _chained(found: Mapping[Pair, Link], count: int) -> list[Pose] | str:
    """Place all parts along the best links, beginning with the first; or say which part has none."""
    placed = {0: Affine.identity()}
    while len(placed) < count:
        open_ends = [
            (link.rank, pair)
            for pair, link in found.items()
            if link.holds and (pair[0] in placed) != (pair[1] in placed)
        ]
        if not open_ends:
            return lonely(found, sorted(placed), count)
        i, j = max(open_ends)[1]
        link = found[i, j].pose.affine
        if i in placed:
            placed[j] = link.then(placed[i])
        else:
            placed[i] = link.inverse().then(placed[j])
    return [_pose(placed[part]) for part in range(count)]


def _pose(affine: Affine) -> Pose:
    return Pose(float(np.degrees(np.arctan2(affine.b, affine.a))), 0.0, affine.tx, affine.ty)


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
    level: Level, poses: list[Pose], pairs: Sequence[Pair], boxes: Sequence[Doubles], rounds: int
) -> tuple[list[Pose], dict[Pair, Matches]]:
    """Match and fit at one level; poses come and go in full pixels."""
    poses = [pose.scaled(1 / level.factor) for pose in poses]
    matches: dict[Pair, Matches] = {}
    for _ in range(rounds):
        matches = matched(level, poses, pairs, boxes)
        good = {pair: found for pair, found in matches.items() if found.agreement >= LEAST_AGREEMENT / 2}
        poses = fit(poses, good, stretch=True)
    return [pose.scaled(level.factor) for pose in poses], matches


def _overlap(
    pair: Pair, poses: Sequence[Pose], sizes: Sequence[tuple[int, int]], matches: Matches, ppi: float
) -> Overlap:
    """What the finest level says of one overlap."""
    i, j = pair
    width, height = _shared(poses[i], poses[j], sizes[i], sizes[j])
    # A match can be off by what it is known to; pale washes have few that are known to a tenth of a pixel.
    chosen = matches.sharp if matches.sharp.sum() >= LEAST_MATCHES else matches.firm
    apart = np.hypot(*residuals(poses, pair, matches).T)[chosen]
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


def rows_of(placed: Sequence[Placed]) -> list[list[int]]:
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

"""Which parts overlap, and about where: guesses at low density, proved by local matches."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from platemark import Affine
from platemark_stages.joining.coarse import LEAST_OVERLAP_MM, Guess, guesses
from platemark_stages.joining.fitting import Pair, Pose, fit, residuals
from platemark_stages.joining.matching import Matches, match
from platemark_stages.joining.planes import Level

# A wrong place correlates by chance, at some 0.1; noise and two lamps leave the right one above 0.8.
LEAST_AGREEMENT = 0.6
LEAST_MATCHES = 6  # three positions fix turn and shift; twice that, to see whether they agree
_PROOF_PPI = 80.0  # a block of 32 pixels is then 10 mm and more
_RIM_MM = 2.0


@dataclass(frozen=True)
class Link:
    """Two parts that show the same: `pose` is that of the second with the first at rest, in full pixels."""

    pose: Pose
    agreement: float
    matches: int

    @property
    def holds(self) -> bool:
        """Whether this is beyond chance."""
        return self.agreement >= LEAST_AGREEMENT and self.matches >= LEAST_MATCHES


def links(levels: Sequence[Level]) -> dict[Pair, Link]:
    """The best place of each pair of parts, whether it holds or not; pairs without any are left out."""
    found = {}
    for i, j in combinations(range(len(levels[0].planes)), 2):
        coarsest = levels[0]
        tried = [_proved(guess, (i, j), levels) for guess in guesses(coarsest.planes[i], coarsest.planes[j], coarsest.ppi)]
        if tried:
            found[i, j] = max(tried, key=lambda link: (link.holds, link.agreement * min(link.matches, 50) ** 0.5))
    return found


def usable_boxes(level: Level, full: Sequence[Sequence[float]] | None = None) -> list[np.ndarray]:
    """Left, top, right, bottom of each part in pixels of a level, less two millimetres or what is known not to lie on the glass."""
    rim = _RIM_MM / 25.4 * level.ppi
    boxes = []
    for number, plane in enumerate(level.planes):
        rows, columns = plane.shape
        box = np.array([rim, rim, columns - rim, rows - rim])
        if full is not None:
            known = np.array(full[number], float) / level.factor
            box = np.concatenate([np.maximum(box[:2], known[:2]), np.minimum(box[2:], known[2:])])
        boxes.append(box)
    return boxes


def matched(level: Level, poses: Sequence[Pose], pairs: Sequence[Pair], boxes: Sequence[np.ndarray]) -> dict[Pair, Matches]:
    """Local matches of all pairs at one level; poses in pixels of the level."""
    return {
        (i, j): match(
            level.planes[i],
            level.planes[j],
            poses[j].affine.then(poses[i].affine.inverse()),
            (boxes[i], boxes[j]),
        )
        for i, j in pairs
    }


def _proved(guess: Guess, pair: Pair, levels: Sequence[Level]) -> Link:
    """Follow a guess to finer levels and see whether the detail agrees there."""
    place = guess.placement
    turn = float(np.degrees(np.arctan2(place.b, place.a)))
    pose = Pose(turn, 0.0, place.tx, place.ty).scaled(levels[0].factor)
    matches = None
    for level in levels:
        if matches is not None and level.ppi > _PROOF_PPI:
            break
        boxes = usable_boxes(level)
        planes = Level([level.planes[number] for number in pair], level.factor, level.ppi)
        own = [boxes[number] for number in pair]
        poses = [Pose(), pose.scaled(1 / level.factor)]
        for _ in range(3):
            matches = matched(planes, poses, [(0, 1)], own)[0, 1]
            if len(matches.first) < LEAST_MATCHES // 2:
                break
            poses = fit(poses, {(0, 1): matches}, stretch=False)
        pose = poses[1].scaled(level.factor)
    assert matches is not None
    return Link(pose, matches.agreement, len(matches.first))

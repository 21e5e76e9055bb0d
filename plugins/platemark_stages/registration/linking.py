"""Which parts overlap, and about where: guesses at low density, proved by local matches."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from platemark_stages.registration.coarse import Guess, guesses
from platemark_stages.registration.fitting import Doubles, Pair, Pose, fit
from platemark_stages.registration.matching import Matches, match
from platemark_stages.registration.planes import Level

# A wrong place reaches 0.75 with pale washes, whose few edges can be laid on one another; noise of 2 percent
# leaves the right one at 0.99.
LEAST_AGREEMENT = 0.85
LEAST_MATCHES = 10  # two positions fix turn and shift; five times that, to see whether they agree
# Of those, two that are known across and along, and one to see whether they agree: on straight lines alone, the rim
# of a sheet or a ruled border, parts can be slid along. Noise makes one in forty look as if it were known so.
LEAST_FIRM, _LEAST_FIRM_SHARE = 3, 0.05
_BEYOND_DOUBT = 0.97
_HOPELESS = 0.3  # at a coarser level, of a guess that the finer ones would have to save
_PROOF_PPI = 80.0  # a block is then 8 mm, and matches are exact to 0.02 mm
_RIM_MM = 1.0
_ROUNDS = 3  # of matching a level; each leaves a tenth of the error


@dataclass(frozen=True)
class Link:
    """Two parts that show the same: `pose` is that of the second with the first at rest, in full pixels.

    Attributes:
        agreement: see `Matches`, as `shared`.
        matches: how many.
        firm: how many of them are known in every direction.
    """

    pose: Pose
    agreement: float
    matches: int
    firm: int
    shared: float

    @property
    def holds(self) -> bool:
        """Whether this is beyond chance."""
        enough = self.matches >= LEAST_MATCHES and self.firm >= max(LEAST_FIRM, _LEAST_FIRM_SHARE * self.matches)
        return self.agreement >= LEAST_AGREEMENT and enough

    @property
    def rank(self) -> tuple[bool, float]:
        """The higher, the better; beyond 50 matches their number says no more."""
        return self.holds, self.agreement * self.shared * min(self.matches, 50) ** 0.5


def links(levels: Sequence[Level]) -> dict[Pair, Link]:
    """The best place of each pair of parts, whether it holds or not; pairs without any are left out."""
    found = {}
    for pair in combinations(range(len(levels[0].planes)), 2):
        link = _best(pair, levels)
        if link:
            found[pair] = link
    return found


def _best(pair: Pair, levels: Sequence[Level]) -> Link | None:
    """Try the guesses in turn; one beyond doubt ends the search."""
    first, second = (levels[0].planes[part] for part in pair)
    best: Link | None = None
    for guess in guesses(first, second, levels[0].ppi):
        link = _proved(guess, pair, levels)
        if best is None or link.rank > best.rank:
            best = link
        if link.holds and link.matches >= 2 * LEAST_MATCHES and link.agreement > _BEYOND_DOUBT:
            break
    return best


def usable_boxes(level: Level, full: Sequence[Sequence[float]] | None = None) -> list[Doubles]:
    """Left, top, right, bottom of what is compared of each part, in pixels of a level.

    A millimetre at each edge is left out, and what is known (`full`, in full pixels) not to have lain on the glass.
    """
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


def matched(
    level: Level, poses: Sequence[Pose], pairs: Sequence[Pair], boxes: Sequence[Doubles]
) -> dict[Pair, Matches]:
    """Local matches of all pairs at one level; poses in pixels of the level."""
    return {
        (i, j): match(
            level.planes[i],
            level.planes[j],
            poses[j].affine.then(poses[i].affine.inverse()),
            (boxes[i], boxes[j]),
            level.ppi,
        )
        for i, j in pairs
    }


def _proved(guess: Guess, pair: Pair, levels: Sequence[Level]) -> Link:
    """Follow a guess to finer levels and see whether the detail agrees there."""
    place = guess.placement
    turn = float(np.degrees(np.arctan2(place.b, place.a)))
    pose = Pose(turn, 0.0, place.tx, place.ty).scaled(levels[0].factor)
    own = [Level([level.planes[number] for number in pair], level.factor, level.ppi) for level in levels]
    proofs = [level for level in own if level.ppi <= _PROOF_PPI] or own[:1]
    for level in proofs:
        poses = [Pose(), pose.scaled(1 / level.factor)]
        for _ in range(_ROUNDS):
            matches = matched(level, poses, [(0, 1)], usable_boxes(level))[0, 1]
            if len(matches.first) < LEAST_MATCHES // 2:
                break
            poses = fit(poses, {(0, 1): matches}, stretch=False)
        pose = poses[1].scaled(level.factor)
        firm = int(matches.firm.sum())
        link = Link(pose, matches.agreement, len(matches.first), firm, matches.shared)
        if link.matches >= LEAST_MATCHES and link.agreement < _HOPELESS:
            break
    return link

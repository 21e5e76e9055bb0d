"""From local matches to one placement of every part: turn, shift and, when the overlap shows it, a slight stretch."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import cos, radians, sin

import numpy as np
from numpy.typing import NDArray

from platemark import Affine
from platemark_stages.registration.matching import Matches

Doubles = NDArray[np.float64]
Pair = tuple[int, int]

_STEPS = 12
_STRETCH = 1  # its place among the four values of a pose
_TUNING = 4.685  # Tukey's biweight: 95 percent efficient under normal errors
_MOST_STRETCH = 0.01  # a home scanner's carriage is off by up to half a percent
_SURE = 5.0  # standard errors; less is noise


@dataclass(frozen=True)
class Pose:
    """How one part lies: stretched along y by 1 + `stretch`, turned counter-clockwise by `turn`, then moved.

    Attributes:
        turn: degrees.
        stretch: of the carriage axis, the part's y.
        x: where the part's corner (0, 0) lies in the frame, pixels.
        y: as `x`.
    """

    turn: float = 0.0
    stretch: float = 0.0
    x: float = 0.0
    y: float = 0.0

    @property
    def affine(self) -> Affine:
        """Positions of the part to positions of the frame."""
        return (
            Affine.scaling(1.0, 1.0 + self.stretch)
            .then(Affine.rotation(self.turn))
            .then(Affine.translation(self.x, self.y))
        )

    def scaled(self, factor: float) -> "Pose":
        """For pixels `factor` times as dense."""
        return replace(self, x=self.x * factor, y=self.y * factor)


def fit(poses: Sequence[Pose], pairs: Mapping[Pair, Matches], *, stretch: bool) -> list[Pose]:
    """Place all parts so that their matches agree, wherever most of them do; the first part stays.

    Args:
        poses: where the parts lie about.
        pairs: the matches of parts (i, j), positions in pixels.
        stretch: whether the stretch of the carriage axis is looked for; it is kept only where it is beyond doubt.

    Source:
        Gauss-Newton with iteratively reweighted least squares, Tukey's biweight, scale from the median (Huber,
        Robust Statistics, chapter 7; the tuning constant from memory).
    """
    free = [(part, k) for part in range(1, len(poses)) for k in range(4) if stretch or k != _STRETCH]
    fitted, errors = _iterate(list(poses), pairs, free)
    doubtful = [
        part
        for part, pose in enumerate(fitted)
        if abs(pose.stretch) > _MOST_STRETCH or abs(pose.stretch) < _SURE * errors.get((part, _STRETCH), 0.0)
    ]
    if not stretch or not doubtful:
        return fitted
    still = [replace(pose, stretch=0.0) if part in doubtful else pose for part, pose in enumerate(fitted)]
    return _iterate(still, pairs, [(part, k) for part, k in free if k != _STRETCH or part not in doubtful])[0]


def residuals(poses: Sequence[Pose], pair: Pair, matches: Matches) -> Doubles:
    """How far apart each match lies in the frame, pixels, shape (n, 2)."""
    i, j = pair
    return poses[i].affine.apply(matches.first) - poses[j].affine.apply(matches.second)


def _iterate(
    poses: list[Pose], pairs: Mapping[Pair, Matches], free: Sequence[Pair]
) -> tuple[list[Pose], dict[Pair, float]]:
    """Solve again and again for the free values, each (part, which); also gives the standard errors of them."""
    columns = {name: column for column, name in enumerate(free)}
    normal = np.eye(len(free))
    for _ in range(_STEPS):
        normal, right = _normal(poses, pairs, columns)
        step: Doubles = np.linalg.solve(normal, right).astype(np.float64)
        poses = [_stepped(pose, part, columns, step) for part, pose in enumerate(poses)]
        if np.abs(step).max() < 1e-7:
            break
    variances = np.linalg.inv(normal).diagonal()
    return poses, {name: float(variances[column]) ** 0.5 for name, column in columns.items()}


def _normal(poses: list[Pose], pairs: Mapping[Pair, Matches], columns: Mapping[Pair, int]) -> tuple[Doubles, Doubles]:
    """The normal equations, each match weighted by how exact it is and by how well it agrees."""
    size = len(columns)
    # A whisper of a prior keeps a stretch that no match speaks of at nought.
    normal, right = 1e-6 * np.eye(size), np.zeros(size)
    for (i, j), matches in pairs.items():
        if not len(matches.first):
            continue
        apart = residuals(poses, (i, j), matches)
        weight = matches.weight * _trust(apart, matches)[:, None, None]
        slopes = np.zeros((len(apart), 2, size))
        for part, positions, sign in ((i, matches.first, 1.0), (j, matches.second, -1.0)):
            for k, slope in enumerate(_slopes(poses[part], positions)):
                if (part, k) in columns:
                    slopes[:, :, columns[part, k]] += sign * slope
        weighted = np.einsum("nab,nak->nbk", weight, slopes)
        normal += np.einsum("nbk,nbl->kl", weighted, slopes)
        right -= np.einsum("nbk,nb->k", weighted, apart)
    return normal, right


def _trust(apart: Doubles, matches: Matches) -> Doubles:
    """Tukey's weight of each match, over the square of the scale: then the normal matrix is that of true errors."""
    distance = np.sqrt(np.einsum("na,nab,nb->n", apart, matches.weight, apart))
    # 1.177 is the median of a length whose two components are standard normal.
    scale = max(float(np.median(distance)) / 1.177, 1.0)
    share = distance / (_TUNING * scale)
    weight: Doubles = np.where(share < 1, (1 - share**2) ** 2, 0) * np.clip(matches.likeness, 0, 1) / scale**2
    return weight


def _slopes(pose: Pose, positions: Doubles) -> list[Doubles]:
    """How positions in the frame move with turn (degrees), stretch, x and y; each of shape (n, 2)."""
    one = radians(1)
    angle = radians(pose.turn)
    x, y = positions[:, 0], positions[:, 1] * (1 + pose.stretch)
    turn = np.stack([-sin(angle) * x + cos(angle) * y, -cos(angle) * x - sin(angle) * y], axis=1) * one
    stretch = np.stack([sin(angle) * positions[:, 1], cos(angle) * positions[:, 1]], axis=1)
    across, down = np.zeros_like(positions), np.zeros_like(positions)
    across[:, 0] = down[:, 1] = 1
    return [turn, stretch, across, down]


def _stepped(pose: Pose, part: int, columns: Mapping[Pair, int], step: Doubles) -> Pose:
    turn, stretch, x, y = (float(step[columns[part, k]]) if (part, k) in columns else 0.0 for k in range(4))
    return Pose(pose.turn + turn, pose.stretch + stretch, pose.x + x, pose.y + y)

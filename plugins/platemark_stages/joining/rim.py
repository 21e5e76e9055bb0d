"""The strip along the edge of a part that did not lie on the glass: darker and blurred against its neighbour."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from platemark_stages.registration.fitting import Pair, Pose
from platemark_stages.registration.planes import Floats, Level, warped

_DARK = 0.97  # of the brightness that the rest of the overlap has against the neighbour
_BLURRED = 0.7  # of the slopes
_BIN_MM = 1.0


def glass(
    level: Level, poses: Sequence[Pose], pairs: Sequence[Pair], sizes: Sequence[tuple[int, int]]
) -> list[list[int]]:
    """Left, top, right, bottom of what lay on the glass, for each part in full pixels.

    Only sides that a neighbour shows too can be judged; the others are kept whole.
    """
    small = [pose.scaled(1 / level.factor) for pose in poses]
    boxes = [[0, 0, *size] for size in sizes]
    for i, j in [*pairs, *[(j, i) for i, j in pairs]]:
        placement = small[j].affine.then(small[i].affine.inverse())
        rows, columns = level.planes[i].shape
        other = warped(level.planes[j], placement, (0, 0, columns, rows))
        seen = _seen(placement.inverse().apply(_grid(columns, rows)), level.planes[j].shape).reshape(rows, columns)
        for side, depth in enumerate(_depths(level.planes[i], other, seen, level.ppi)):
            whole = depth * level.factor
            boxes[i][side] = max(boxes[i][side], whole) if side < 2 else min(boxes[i][side], sizes[i][side - 2] - whole)
    return boxes


def _grid(columns: int, rows: int) -> NDArray[np.float64]:
    y, x = np.mgrid[0:rows, 0:columns] + 0.5
    return np.stack([x.ravel(), y.ravel()], axis=1)


def _seen(positions: NDArray[np.float64], shape: tuple[int, ...]) -> NDArray[np.bool_]:
    """Which positions lie well inside a plane."""
    inside = (positions > 2) & (positions < np.array(shape[::-1]) - 2)
    return np.logical_and(inside[:, 0], inside[:, 1])


def _depths(own: Floats, other: Floats, seen: NDArray[np.bool_], ppi: float) -> list[int]:
    """How deep the bad strip is from the left, top, right and bottom edge, in pixels of the planes."""
    bin_size = max(1, round(_BIN_MM / 25.4 * ppi))
    # Each side in turn becomes the left one.
    return [
        _depth(own, other, seen, bin_size),
        _depth(own.T, other.T, seen.T, bin_size),
        _depth(own[:, ::-1], other[:, ::-1], seen[:, ::-1], bin_size),
        _depth(own[::-1].T, other[::-1].T, seen[::-1].T, bin_size),
    ]


def _depth(own: Floats, other: Floats, seen: NDArray[np.bool_], bin_size: int) -> int:
    """How deep the bad strip is from the left edge; nought when the neighbour does not show that edge."""
    covered = seen.mean(axis=0) > 0.3
    if not covered[: 3 * bin_size].any() or covered.mean() > 0.9:
        return 0
    reach = int(np.argmin(covered[3 * bin_size :])) + 3 * bin_size
    bins = [slice(start, start + bin_size) for start in range(0, reach - bin_size, bin_size)]
    light = np.array([_light(own[:, b], other[:, b], seen[:, b]) for b in bins])
    slope = np.array([_slope(own[:, b], other[:, b], seen[:, b]) for b in bins])
    if len(bins) < 6:
        return 0
    bad = (light < _DARK * np.nanmedian(light)) | (slope < _BLURRED * np.nanmedian(slope))
    # From the edge inwards to the last bad bin of the first half: beyond, it is the art that differs.
    half = bad[: len(bad) // 2]
    good = np.flatnonzero(~half[:-1] & ~half[1:]) if len(half) > 1 else np.array([0])
    depth = int(good[0]) if len(good) else len(half)
    return depth * bin_size


def _light(own: Floats, other: Floats, seen: NDArray[np.bool_]) -> float:
    """Brightness against the neighbour's."""
    if not seen.any():
        return float("nan")
    return float(np.median(own[seen] / np.maximum(other[seen], 0.02)))


def _slope(own: Floats, other: Floats, seen: NDArray[np.bool_]) -> float:
    """Slopes along the strip against the neighbour's."""
    both = seen[1:] & seen[:-1]
    if not both.any():
        return float("nan")
    return float(
        np.abs(np.diff(own, axis=0))[both].mean() / max(float(np.abs(np.diff(other, axis=0))[both].mean()), 1e-6)
    )

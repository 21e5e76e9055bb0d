"""Blending over two bands: slow differences of light are spread over the whole overlap, detail changes at the seam.

Of each part only a smooth correction is needed, found at low density: what it lacks against the mean of all parts that
show the place, each counting the more the deeper inside it the place lies. All integers, so the bytes are the same on
any machine.

Source:
    Burt and Adelson (1983), A multiresolution spline with application to image mosaics; with two bands as in Brown and
    Lowe (2007), section 7.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platemark_stages.joining.views import Views
from platemark_stages.registration.cells import Flags, Whole, box_sum, filled

_REACH = 7  # cells; three passes of 15 smooth over some 8 mm, so that no detail of the art is left
_PASSES = 3
# After the exposures are matched, what differs more than 3 percent is dust, a shadow or the lid, not light.
_MOST = 2000
WEIGHT = 16  # sum of all weights in a cell


@dataclass(frozen=True)
class Share:
    """What one part gives to the picture, per cell: its weight of 16, and what is added to its values before."""

    cell: int
    weight: Whole
    correction: Whole


def shares(seen: Views, label: Whole, empty: Flags) -> list[Share]:
    """The share of each part; after them that of the surroundings, whose correction is its colour.

    Args:
        seen: the parts with exposures matched.
        label: which part each cell is taken from.
        empty: the cells that none reaches.
    """
    label = np.where(empty, len(seen.colours), label)
    found, colours = [], np.zeros_like(seen.colours[0])
    for part, own in enumerate(seen.colours):
        weight, correction = _spread(label == part), _correction(seen, part)
        found.append(Share(seen.cell, weight, correction))
        colours[label == part] = (own + correction)[label == part]
    return [*found, Share(seen.cell, _spread(empty), filled(colours, empty))]


def _spread(own: Flags) -> Whole:
    """From no and yes to 0 and 16 over three cells, 1 2 1 along both axes."""
    padded = np.pad(own.astype(np.int32), 1, mode="edge")
    down = padded[:-2] + 2 * padded[1:-1] + padded[2:]
    spread: Whole = down[:, :-2] + 2 * down[:, 1:-1] + down[:, 2:]
    return spread


def _correction(seen: Views, part: int) -> Whole:
    """What a part lacks against the mean of those that show the place."""
    inside = [np.maximum(depth, 0).astype(np.int64) for depth in seen.depths]
    total = np.maximum(sum(inside), 1)
    lacking = np.zeros(seen.colours[part].shape, np.int64)
    for other, depth in enumerate(inside):
        if other != part:
            apart = np.clip(seen.colours[other] - seen.colours[part], -_MOST, _MOST)
            lacking += apart * depth[:, :, None]
    lacking //= total[:, :, None]
    return _smooth(lacking, inside[part] > 0).astype(np.int32)


def _smooth(values: NDArray[np.int64], inside: Flags) -> NDArray[np.int64]:
    """Means over neighbouring cells inside the part; eighths of a step are kept on the way."""
    mask = inside.astype(np.int64)
    count = np.maximum(box_sum(mask, _REACH), 1)
    values = values * mask[:, :, None] * 8
    for _ in range(_PASSES):
        for channel in range(values.shape[2]):
            values[:, :, channel] = box_sum(values[:, :, channel], _REACH) // count * mask
    return (values + 4) // 8

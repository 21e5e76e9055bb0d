"""Many local matches in the overlap of two parts, each with how exactly it is known along every direction."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platemark import Affine
from platemark_stages.registration.planes import Floats, warped

Doubles = NDArray[np.float64]

# A block is 8 mm, but 24 pixels at most: enough for an edge and its surroundings, few enough to follow a bent sheet.
_BLOCK_MM, _LEAST_BLOCK, _LARGEST_BLOCK = 8.0, 8, 24
_FILLED = 0.5  # of a block must lie in the overlap
# Contrast of a block that counts as detail: four of 1000 grey levels, some three times a scanner's noise after
# the smoothing, so plain paper and lid are left out.
_DETAIL = 0.004
_CLEAR = 3 * _DETAIL  # beyond what dust does to plain paper; where one part shows this, the other must show something
# Pixels over which the planes' smoothing spreads the noise of one: 1 4 6 4 1 keeps 70 / 256 of white noise's variance
# along each axis, so a block holds that many times fewer independent values than pixels.
_SMOOTHED_OVER = (256 / 70) ** 2
_FLOOR_PX = 0.05  # no block is trusted more than this: interpolation, and grain that the lamp throws differently


@dataclass(frozen=True)
class Matches:
    """Positions (x, y) of the same details in two parts, in pixels of the planes.

    Attributes:
        first: shape (n, 2).
        second: shape (n, 2).
        weight: inverse covariance of their distance, shape (n, 2, 2).
        likeness: correlation of each pair of blocks, -1 to 1.
        contrast: standard deviation of the blocks, full scale is 1.
        alone: sum of the contrasts of blocks where one part shows clear detail and the other nothing like it.
    """

    first: Doubles
    second: Doubles
    weight: Doubles
    likeness: Doubles
    contrast: Doubles
    alone: float = 0.0

    def only(self, chosen: NDArray[np.intp]) -> "Matches":
        """Some of them."""
        return Matches(
            self.first[chosen],
            self.second[chosen],
            self.weight[chosen],
            self.likeness[chosen],
            self.contrast[chosen],
            self.alone,
        )

    @property
    def agreement(self) -> float:
        """The mean likeness of detail, strong detail counting more: about 1 for the right place, 0 for a wrong one."""
        total = self.contrast.sum()
        return float((self.likeness * self.contrast).sum() / total) if total else 0.0

    @property
    def shared(self) -> float:
        """The share of detail that both parts show, 0 to 1.

        Straight lines agree at any shift along them; only what is missing beside them tells that the place is wrong.
        """
        total = float(self.contrast.sum())
        return total / (total + self.alone) if total else 0.0

    @property
    def sharp(self) -> NDArray[np.bool_]:
        """Which are known to a tenth of a pixel in every direction."""
        return self._known(0.1)

    @property
    def firm(self) -> NDArray[np.bool_]:
        """Which are known to a fifth of a pixel in every direction; those on straight lines are not."""
        return self._known(0.2)

    def _known(self, within: float) -> NDArray[np.bool_]:
        return np.linalg.eigvalsh(self.weight)[:, 0] > within**-2 if len(self.weight) else np.zeros(0, np.bool_)


def match(first: Floats, second: Floats, placement: Affine, usable: tuple[Doubles, Doubles], ppi: float) -> Matches:
    """Compare two planes block by block.

    Args:
        first: the plane that stays.
        second: the plane that is laid on it.
        placement: positions of the second to positions of the first, right to about a pixel.
        usable: left, top, right, bottom of what may be compared, for each plane.
        ppi: density of both.

    Source:
        Lucas and Kanade (1981), An iterative image registration technique; with the gain and offset of each block
        fitted too. The covariance is that of least squares.
    """
    block = min(max(round(_BLOCK_MM / 25.4 * ppi), _LEAST_BLOCK), _LARGEST_BLOCK)
    box = _overlap(placement, usable, block)
    if min(box[2:]) < block:
        nothing = np.zeros((0, 2))
        return Matches(nothing, nothing, np.zeros((0, 2, 2)), np.zeros(0), np.zeros(0))
    left, top, width, height = box
    still = first[top : top + height, left : left + width]
    still = np.pad(still, ((0, height - still.shape[0]), (0, width - still.shape[1])), mode="edge")
    inside = _inside(Affine.identity(), box, usable[0]) * _inside(placement, box, usable[1])
    return _solved(_moments(still, warped(second, placement, box), inside, block), box, placement, block)


def _overlap(placement: Affine, usable: tuple[Doubles, Doubles], block: int) -> tuple[int, int, int, int]:
    """The box (left, top, width, height) of the first plane that holds the overlap, in whole blocks."""
    left, top, right, bottom = usable[1]
    corners = placement.apply([(left, top), (right, top), (right, bottom), (left, bottom)])
    low = np.floor(np.maximum(corners.min(axis=0), usable[0][:2])).astype(int)
    high = np.ceil(np.minimum(corners.max(axis=0), usable[0][2:])).astype(int)
    width, height = (-(-int(side) // block) * block for side in np.maximum(high - low, 0))
    return int(low[0]), int(low[1]), width, height


def _inside(placement: Affine, box: tuple[int, int, int, int], usable: Doubles) -> Floats:
    """1 where a plane that lies so may be compared."""
    left, top, width, height = box
    back = placement.inverse()
    x = np.arange(width)[None, :] + left + 0.5
    y = np.arange(height)[:, None] + top + 0.5
    across, down = back.a * x + back.b * y + back.tx, back.c * x + back.d * y + back.ty
    good = (across > usable[0]) & (across < usable[2]) & (down > usable[1]) & (down < usable[3])
    flags: Floats = good.astype(np.float32)
    return flags


def _moments(still: Floats, moved: Floats, inside: Floats, block: int) -> Doubles:
    """Sums over blocks of the products of [slope along x, slope along y, moved, 1, still], shape (n_y, n_x, 5, 5)."""
    middle = (still + moved) * np.float32(0.5)
    down, across = np.gradient(middle)
    terms = [across, down, moved, np.ones_like(still), still]
    terms = [term * inside for term in terms]
    rows, columns = still.shape[0] // block, still.shape[1] // block
    sums = np.empty((rows, columns, 5, 5))
    for i in range(5):
        for j in range(i, 5):
            product = (terms[i] * terms[j]).reshape(rows, block, columns, block)
            sums[:, :, i, j] = sums[:, :, j, i] = product.sum(axis=(1, 3), dtype=np.float64)
    return sums


def _solved(sums: Doubles, box: tuple[int, int, int, int], placement: Affine, block: int) -> Matches:
    """From the sums of each block to its displacement; blocks without detail or mostly outside are left out."""
    rows, columns = sums.shape[:2]
    y, x = np.mgrid[0:rows, 0:columns]
    centres = np.stack([box[0] + (x + 0.5) * block, box[1] + (y + 0.5) * block], axis=-1).reshape(-1, 2)
    sums = sums.reshape(-1, 5, 5)
    count = sums[:, 3, 3]
    mean = sums[:, :, 3] / np.maximum(count, 1)[:, None]
    central = sums - count[:, None, None] * mean[:, :, None] * mean[:, None, :]
    contrasts = np.sqrt(np.maximum(central[:, [2, 4], [2, 4]], 0) / np.maximum(count, 1)[:, None])
    contrast, strongest = contrasts.min(axis=1), contrasts.max(axis=1)
    filled = count > _FILLED * block**2
    keep = filled & (contrast > _DETAIL)
    alone = float(strongest[filled & (strongest > _CLEAR) & (contrast < strongest / 3)].sum())
    central, centres, contrast, count = central[keep], centres[keep], contrast[keep], count[keep]
    spread = np.sqrt(central[:, 2, 2] * central[:, 4, 4])
    likeness = central[:, 2, 4] / spread
    # still = gain x moved + offset - slope . displacement
    normal = central[:, :3, :3] + 1e-9 * np.eye(3)
    fitted = np.linalg.solve(normal, central[:, :3, 4:])[:, :, 0]
    left_over = np.maximum(central[:, 4, 4] - (fitted * central[:, :3, 4]).sum(axis=1), 0)
    noise = _SMOOTHED_OVER * left_over / count + 1e-10
    covariance = noise[:, None, None] * np.linalg.inv(normal)[:, :2, :2] + _FLOOR_PX**2 * np.eye(2)
    displacement = -fitted[:, :2]
    # Beyond half a smoothing width the slope says nothing.
    short = np.minimum(1, 2 / np.maximum(np.hypot(*displacement.T), 1e-9))
    first = centres + displacement * short[:, None]
    return Matches(first, placement.inverse().apply(centres), np.linalg.inv(covariance), likeness, contrast, alone)

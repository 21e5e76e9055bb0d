"""The lamp: how the light on the sheet changes slowly from edge to edge, as a smooth surface, and how it is undone."""

from collections.abc import Sequence

import numpy as np
import pyvips
from numpy.typing import NDArray

Doubles = NDArray[np.float64]

TERMS = (1, 3, 6)  # of a surface of order 0, 1 and 2
# A quadratic surface that changes by 8 % lies within 0.01 % of straight lines between so many knots a side.
_KNOTS = 17
_ONE = 32768  # of the gains: 15 bits after the point
_STEEPEST = 0.08  # share of the value; no flatbed's lamp falls off by more, so a steeper fit has followed the art


def terms(x: Doubles, y: Doubles) -> list[Doubles]:
    """What the surface is a sum of: Legendre's polynomials, whose means over the frame are nought but the first's.

    Args:
        x: from -1 on the left edge of the frame to 1 on the right one.
        y: from -1 at its top to 1 at its bottom.
    """
    one = np.ones_like(x)
    return [one, x * one, y * one, x * x - 1 / 3, x * y, y * y - 1 / 3]


def fit(values: Doubles, x: Doubles, y: Doubles, order: int) -> Doubles:
    """The surface through values of shape (cells, channels), least squares.

    Returns:
        Shape (6, channels): factors of `terms`; the first row is the mean over the frame.
    """
    count = TERMS[order]
    design = np.stack(terms(x, y)[:count], axis=1)
    found = np.zeros((6, values.shape[1]))
    found[:count] = np.linalg.lstsq(design, values, rcond=None)[0]
    return found


def at(surface: Doubles, x: Doubles, y: Doubles) -> Doubles:
    """Values of a surface: shape of `x`, and channels last."""
    return np.asarray(sum(term[..., None] * row for term, row in zip(terms(x, y), surface, strict=True)))


def order_for(paper: NDArray[np.bool_]) -> int:
    """How bent a surface the bare cells can carry: it must not be guessed far from them.

    Args:
        paper: which cells are bare, shape (rows, columns).
    """
    thirds = [np.array_split(rows, 3, axis=1) for rows in np.array_split(paper, 3, axis=0)]
    # A fiftieth of a ninth of the sheet is some hundred cells: enough for a mean that noise does not move.
    seen = np.array([[bool(block.size) and float(block.mean()) > 0.02 for block in row] for row in thirds])
    corners = seen[::2, ::2]
    if corners.all() and seen.sum() >= 7:
        return 2
    return 1 if corners.sum() >= 3 or (seen.any(axis=0).all() and seen.any(axis=1).all()) else 0


def too_steep(surface: Doubles) -> bool:
    """True where the surface changes by more than a lamp can."""
    span = np.linspace(-1, 1, 9)
    shares = at(surface, *np.meshgrid(span, span)) / surface[0]
    return bool(np.abs(shares - 1).max() > _STEEPEST)


def unevenness(lamp: Sequence[Sequence[float]]) -> float:
    """From the darkest place of the frame to the lightest, as a share of the value; the most uneven channel."""
    span = np.linspace(-1, 1, 9)
    surface = np.array([[1.0, *channel] for channel in lamp]).T
    values = at(surface, *np.meshgrid(span, span))
    return float((values.max(axis=(0, 1)) - values.min(axis=(0, 1))).max())


def levelled(image: pyvips.Image, lamp: Sequence[Sequence[float]]) -> pyvips.Image:
    """Divide by the lamp's surface; integers, and lazy.

    Args:
        image: `ushort`.
        lamp: per channel the five factors of `terms` after the first, shares of the mean.
    """
    if not any(factor for channel in lamp for factor in channel):
        return image
    span = np.arange(_KNOTS) / ((_KNOTS - 1) / 2) - 1
    x, y = span[None, :] + 0 * span[:, None], span[:, None] + 0 * span[None, :]
    surface = np.array([[1.0, *channel] for channel in lamp]).T
    # Sums and products of a few doubles in a fixed order: the same whole numbers everywhere.
    gains = np.rint(_ONE / np.clip(at(surface, x, y), 0.5, 2)).astype(np.uint16)
    small = pyvips.Image.new_from_memory(gains.tobytes(), _KNOTS, _KNOTS, len(lamp), "ushort")
    across, down = image.width / (_KNOTS - 1), image.height / (_KNOTS - 1)
    large = small.affine(
        [across, 0, 0, down],
        interpolate=pyvips.Interpolate.new("bilinear"),
        oarea=[0, 0, image.width, image.height],
        odx=-0.5,  # the first knot lies on the corner of the first pixel, half a pixel before its centre
        ody=-0.5,
        extend="copy",
    )
    level = ((image * large) >> 15).cast("ushort")
    return level.copy(interpretation=image.interpretation)

"""Affine maps of the picture plane: where a position of the source lands in the output.

Positions are continuous: x to the right, y down, a picture of w x h pixels covers [0, w] x [0, h], and the
centre of its first pixel is (0.5, 0.5). So scaling about (0, 0) keeps the picture's corner where it is, and
no formula needs a half-pixel correction.
"""

import math
from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

# A cosine is rounded to 15 digits after the point: more than a pixel of any scan needs, the same number from
# every maths library, and a quarter turn comes out exact (0, 1) instead of 6e-17.
_DIGITS = 15


@dataclass(frozen=True, slots=True)
class Affine:
    """The map (x, y) -> (a x + b y + tx, c x + d y + ty), from source positions to output positions."""

    a: float = 1.0
    b: float = 0.0
    tx: float = 0.0
    c: float = 0.0
    d: float = 1.0
    ty: float = 0.0

    @classmethod
    def identity(cls) -> Self:
        """Leave every position where it is."""
        return cls()

    @classmethod
    def translation(cls, dx: float, dy: float) -> Self:
        """Move by (dx, dy) pixels, right and down."""
        return cls(tx=dx, ty=dy)

    @classmethod
    def scaling(cls, sx: float, sy: float | None = None) -> Self:
        """Scale about (0, 0): output pixels per source pixel; `sy` is `sx` unless given."""
        return cls(a=sx, d=sx if sy is None else sy)

    @classmethod
    def rotation(cls, degrees: float, about: tuple[float, float] = (0.0, 0.0)) -> Self:
        """Rotate about a position that stays where it is.

        Args:
            degrees: counter-clockwise on screen.
            about: the fixed position (x, y).
        """
        angle = math.radians(degrees)
        cos, sin = round(math.cos(angle), _DIGITS), round(math.sin(angle), _DIGITS)
        x, y = about
        # y points down, so the signs of the sine are the other way round than in a school book.
        return cls(cos, sin, x - cos * x - sin * y, -sin, cos, y + sin * x - cos * y)

    def then(self, other: "Affine") -> "Affine":
        """Compose: this map first, `other` on its result."""
        return Affine(
            other.a * self.a + other.b * self.c,
            other.a * self.b + other.b * self.d,
            other.a * self.tx + other.b * self.ty + other.tx,
            other.c * self.a + other.d * self.c,
            other.c * self.b + other.d * self.d,
            other.c * self.tx + other.d * self.ty + other.ty,
        )

    def inverse(self) -> "Affine":
        """Return the map from output positions back to source positions.

        Raises:
            ValueError: the map flattens the plane, so there is no way back.
        """
        det = self.determinant
        if det == 0 or not math.isfinite(det):
            message = f"the affine map {self} has determinant {det:g}: it cannot be inverted"
            raise ValueError(message)
        a, b, c, d = self.d / det, -self.b / det, -self.c / det, self.a / det
        return Affine(a, b, -(a * self.tx + b * self.ty), c, d, -(c * self.tx + d * self.ty))

    def apply(self, points: ArrayLike) -> NDArray[np.float64]:
        """Map positions.

        Args:
            points: (x, y) in pixels, shape (n, 2).

        Returns:
            Mapped positions, shape (n, 2).
        """
        xy = np.asarray(points, dtype=np.float64)
        x, y = xy[:, 0], xy[:, 1]
        return np.stack([self.a * x + self.b * y + self.tx, self.c * x + self.d * y + self.ty], axis=1)

    @property
    def determinant(self) -> float:
        """Output area of one source pixel; negative when the picture is mirrored."""
        return self.a * self.d - self.b * self.c

    @property
    def scale(self) -> float:
        """Output pixels per source pixel, the geometric mean over directions."""
        return math.sqrt(abs(self.determinant))

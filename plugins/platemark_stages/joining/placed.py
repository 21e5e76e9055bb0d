"""Where the parts lie in the joined picture: what joining decides, and all that composing needs to know of it."""

from collections.abc import Sequence
from math import ceil, floor
from typing import Self

from pydantic import Field

from platemark import Affine, Parameters

# The ninth digit of a coefficient moves the far corner of an A4 scan at 600 ppi by less than a 100 000th of a pixel.
_COEFFICIENT_DIGITS, _SHIFT_DIGITS = 9, 4


class Placed(Parameters):
    """One part in the frame of the joined picture."""

    matrix: list[float] = Field(
        min_length=6,
        max_length=6,
        description="a, b, tx, c, d, ty: (x, y) of the part lies at (a x + b y + tx, c x + d y + ty) of the frame.",
    )
    size: list[int] = Field(min_length=2, max_length=2, description="Pixels of the part: width, height.")
    usable: list[int] = Field(
        min_length=4, max_length=4, description="Pixels of the part: left, top, right, bottom of what lay on the glass."
    )

    @classmethod
    def of(cls, affine: Affine, size: Sequence[int], usable: Sequence[int]) -> Self:
        """Place a part; the digits are cut to what a pixel can show."""
        linear = [round(float(value), _COEFFICIENT_DIGITS) for value in (affine.a, affine.b, affine.c, affine.d)]
        shift = [round(float(value), _SHIFT_DIGITS) for value in (affine.tx, affine.ty)]
        matrix = [linear[0], linear[1], shift[0], linear[2], linear[3], shift[1]]
        return cls(matrix=matrix, size=[int(value) for value in size], usable=[int(value) for value in usable])

    @property
    def affine(self) -> Affine:
        """Positions of the part to positions of the frame."""
        return Affine(*self.matrix)


class Overlap(Parameters):
    """What two parts show of each other, in millimetres. A residual is how far apart they show the same detail."""

    first: int = Field(description="Number of the part, from 0.")
    second: int = Field(description="Number of the part, from 0.")
    width: float = Field(description="Millimetres.")
    height: float = Field(description="Millimetres.")
    matches: int = Field(description="Places where both parts show detail enough to compare.")
    agreement: float = Field(description="Correlation of the detail, 0 to 1.")
    residual: float = Field(description="Millimetres, the median.")
    largest: float = Field(description="Millimetres, of 19 in 20.")


class Registration(Parameters):
    """The frame of the joined picture, or why there is none.

    Attributes:
        rows: the parts' numbers as they lie, from left to right in rows from top to bottom.
        held: why the parts cannot be joined; empty when they can.
    """

    width: int = Field(0, description="Pixels of the joined picture.")
    height: int = Field(0, description="Pixels of the joined picture.")
    parts: list[Placed] = Field([], description="In the order of their numbers.")
    rows: list[list[int]] = Field([], description="Numbers of the parts from 0, as they lie.")
    overlaps: list[Overlap] = Field([], description="Those that could be compared.")
    held: str = ""
    remedy: str = ""

    def scaled(self, factor: int, sizes: Sequence[tuple[int, int]]) -> "Registration":
        """The same placement for the scans themselves, `factor` times as dense as what was registered.

        Args:
            factor: their pixels along a side of a registered pixel.
            sizes: of the scans, width and height; they may be larger by what was left over.
        """
        smaller, larger = Affine.scaling(1 / factor), Affine.scaling(factor)
        parts = []
        for part, size in zip(self.parts, sizes, strict=True):
            left, top, right, bottom = part.usable
            # A side that was kept whole is whole at any density.
            right = size[0] if right == part.size[0] else right * factor
            bottom = size[1] if bottom == part.size[1] else bottom * factor
            affine = smaller.then(part.affine).then(larger)
            parts.append(Placed.of(affine, size, [left * factor, top * factor, right, bottom]))
        return framed(self.model_copy(update={"parts": parts}))

    def turned(self, degrees: float) -> "Registration":
        """The joined picture turned counter-clockwise on screen: to straighten it before any pixel is touched."""
        turn = Affine.rotation(degrees)
        parts = [Placed.of(part.affine.then(turn), part.size, part.usable) for part in self.parts]
        return framed(self.model_copy(update={"parts": parts}))


def framed(registration: Registration) -> Registration:
    """Shift the frame by whole pixels so that it holds all parts; a part that needed no resampling still needs none."""
    corners = [
        corner
        for part in registration.parts
        for corner in part.affine.apply([(x, y) for x in (0, part.size[0]) for y in (0, part.size[1])])
    ]
    # A hundredth of a pixel beyond the grid is no reason for another row.
    low = [floor(min(corner[axis] for corner in corners) + 0.01) for axis in (0, 1)]
    high = [ceil(max(corner[axis] for corner in corners) - 0.01) for axis in (0, 1)]
    shift = Affine.translation(-low[0], -low[1])
    parts = [Placed.of(part.affine.then(shift), part.size, part.usable) for part in registration.parts]
    return registration.model_copy(update={"parts": parts, "width": high[0] - low[0], "height": high[1] - low[1]})

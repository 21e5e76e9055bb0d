"""Spots: what is to be repaired, as circles on whole tenths of a scan pixel."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import isqrt

import numpy as np
from numpy.typing import NDArray

TENTHS = 10
Window = tuple[int, int, int, int]
"""Left, top, right and bottom in scan pixels; the last two are beyond it."""


@dataclass(frozen=True)
class Circle:
    """A disc on the scan, in tenths of a pixel."""

    x: int
    y: int
    radius: int

    @classmethod
    def of(cls, x: float, y: float, radius: float) -> "Circle":
        """From scan pixels, the first pixel's centre being (0.5, 0.5)."""
        return cls(round(x * TENTHS), round(y * TENTHS), round(radius * TENTHS))

    def box(self, margin: int = 0) -> Window:
        """The pixels it touches, and a margin."""
        low = [(centre - self.radius) // TENTHS - margin for centre in (self.x, self.y)]
        high = [-(-(centre + self.radius) // TENTHS) + margin for centre in (self.x, self.y)]
        return low[0], low[1], high[0], high[1]

    def covers(self, window: Window) -> NDArray[np.bool_]:
        """Which pixels of a window have their centre inside, shape (rows, columns)."""
        left, top, right, bottom = window
        x = np.arange(left, right) * TENTHS + TENTHS // 2 - self.x
        y = np.arange(top, bottom) * TENTHS + TENTHS // 2 - self.y
        return np.asarray(x[None, :] ** 2 + y[:, None] ** 2 <= self.radius**2)

    def meets(self, other: "Circle") -> bool:
        """Whether two circles have a point in common."""
        return (self.x - other.x) ** 2 + (self.y - other.y) ** 2 <= (self.radius + other.radius) ** 2


def along(hair: Sequence[float]) -> list[Circle]:
    """The circles that cover a hair.

    Args:
        hair: its half width, then x and y of each point of it, in scan pixels.
    """
    radius, points = hair[0], [Circle.of(x, y, hair[0]) for x, y in zip(hair[1::2], hair[2::2], strict=True)]
    circles = points[:1]
    for one, other in pairwise(points):
        far = isqrt((one.x - other.x) ** 2 + (one.y - other.y) ** 2)
        # Circles half a radius apart leave no notch between them worth a pixel.
        steps = max(1, -(-2 * far // max(1, round(radius * TENTHS))))
        circles += [
            Circle(one.x + (other.x - one.x) * i // steps, one.y + (other.y - one.y) * i // steps, one.radius)
            for i in range(1, steps + 1)
        ]
    return circles


def groups(circles: Iterable[Sequence[Circle]]) -> list[list[Circle]]:
    """Repairs, those together whose boxes overlap; from top to bottom."""
    gathered: list[tuple[Window, list[Circle]]] = []
    for repair in circles:
        box, members = _around([circle.box(1) for circle in repair]), list(repair)
        while touching := [other for other in gathered if _overlap(other[0], box)]:
            gathered = [other for other in gathered if not _overlap(other[0], box)]
            members += [circle for _, others in touching for circle in others]
            box = _around([box, *(other for other, _ in touching)])
        gathered.append((box, members))
    return [members for box, members in sorted(gathered, key=lambda entry: (entry[0][1], entry[0][0]))]


def around(circles: Sequence[Circle], margin: int, size: tuple[int, int]) -> Window:
    """The box of circles with a margin, cut to an image of this width and height."""
    left, top, right, bottom = _around([circle.box(margin) for circle in circles])
    return max(0, left), max(0, top), min(size[0], right), min(size[1], bottom)


def _around(boxes: Sequence[Window]) -> Window:
    left, top, right, bottom = zip(*boxes, strict=True)
    return min(left), min(top), max(right), max(bottom)


def _overlap(one: Window, other: Window) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]

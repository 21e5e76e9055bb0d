"""Paper by name: the ISO A and B series, and the inch sizes that frames are made for.

Source:
    ISO 216: A0 is 841 x 1189 mm and B0 1000 x 1414 mm; the next size halves the long side and drops the fraction of
    a millimetre (rounding the exact root-2 sizes instead is wrong for A1, A2, A5, A6, A8 and A9).
    Inch sizes: common practice, no standard.
"""

from __future__ import annotations

from decimal import Decimal
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Mapping

_SMALLEST = 10
_MM_PER_INCH = Decimal("25.4")

INCH_SIZES: Final = tuple(
    (Decimal(width), Decimal(height))
    for width, heights in {
        "3.5": (5,),
        "4": (6,),
        "5": (5, 7),
        "6": (8,),
        "8": (8, 10, 12),
        "8.5": (11,),
        "9": (12,),
        "10": (12, 13),
        "11": (14, 17),
        "12": (16, 18),
        "13": (19,),
        "16": (20, 24),
        "18": (24,),
        "20": (24, 30),
        "24": (36,),
    }.items()
    for height in heights
)
"""The usual print and frame sizes, width before height, in inches."""


def _series(letter: str, width_mm: int, height_mm: int) -> dict[str, tuple[int, int]]:
    """Halve the largest sheet of a series down to the smallest."""
    sizes = {}
    for number in range(_SMALLEST + 1):
        sizes[f"{letter}{number}"] = (width_mm, height_mm)
        width_mm, height_mm = height_mm // 2, width_mm
    return sizes


ISO_SIZES: Final[Mapping[str, tuple[int, int]]] = MappingProxyType(_series("A", 841, 1189) | _series("B", 1000, 1414))
"""A0..A10 and B0..B10: (width, height) in millimetres, upright."""


def sizes_sold() -> tuple[tuple[float, float], ...]:
    """The sizes above in millimetres, short side first."""
    inches = ((float(width * _MM_PER_INCH), float(height * _MM_PER_INCH)) for width, height in INCH_SIZES)
    return (*((float(width), float(height)) for width, height in ISO_SIZES.values()), *inches)

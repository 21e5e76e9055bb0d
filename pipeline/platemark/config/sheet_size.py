"""Sheets of paper as people write them: "A4", "A4 landscape", "5x7 in", "30x40 cm", "148 x 210 mm"."""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from typing import Annotated

from pydantic import BeforeValidator, PlainSerializer

from platemark.config.paper_sizes import INCH_SIZES, ISO_SIZES
from platemark.config.units import LENGTH, MM_PER_INCH, NUMBER, plain, text_schema

_SHEET = re.compile(
    rf"(?:(?P<iso>[a-z]\d+)|(?P<width>{NUMBER})\s*[x\u00d7]\s*(?P<height>{NUMBER})\s*(?P<unit>[a-z\"]+?)?)"
    r"(?:\s+(?P<lies>portrait|landscape))?",
    re.IGNORECASE,
)


@dataclass(frozen=True)
class SheetSize:
    """A size of paper, as written.

    Attributes:
        name: canonical text, such as "A4", "A4 landscape", "5x7 in", "148 x 210 mm".
        width_mm: millimetres, across.
        height_mm: millimetres, down.
    """

    name: str
    width_mm: float
    height_mm: float

    @property
    def sides_mm(self) -> tuple[float, float]:
        """Width and height in millimetres."""
        return self.width_mm, self.height_mm

    def lying(self, *, landscape: bool) -> tuple[float, float]:
        """Give (width, height) in millimetres of this sheet turned upright or on its side."""
        short, long = sorted((self.width_mm, self.height_mm))
        return (long, short) if landscape else (short, long)


def parse_sheet_size(value: object) -> SheetSize:
    """Read a sheet size: "A4", "A4 landscape", "5x7 in", "30x40 cm" or "148 x 210 mm".

    Returns:
        The size with its canonical name; a `SheetSize` is handed back as it is.

    Raises:
        ValueError: unknown name, missing unit or an empty side; the message says what to write.

    >>> parse_sheet_size("5 x 7 in")
    SheetSize(name='5x7 in', width_mm=127.0, height_mm=177.8)
    """
    if isinstance(value, SheetSize):
        return value
    match = _SHEET.fullmatch(value.strip()) if isinstance(value, str) else None
    if match is None:
        raise ValueError('not a sheet size; write it like "A4", "A4 landscape", "5x7 in" or "148 x 210 mm"')
    landscape = {"landscape": True, "portrait": False}.get((match["lies"] or "").lower())
    if match["iso"]:
        return _iso_sheet(match["iso"].upper(), landscape=bool(landscape))
    return _measured_sheet(Decimal(match["width"]), Decimal(match["height"]), match["unit"], landscape=landscape)


def show_sheet_size(size: SheetSize) -> str:
    """Write a sheet size by its canonical name."""
    return size.name


def _iso_sheet(name: str, *, landscape: bool) -> SheetSize:
    if name not in ISO_SIZES:
        raise ValueError(f"no sheet is called {name}; the ISO sizes are A0 to A10 and B0 to B10")
    short, long = map(float, ISO_SIZES[name])
    return SheetSize(f"{name} landscape", long, short) if landscape else SheetSize(name, short, long)


def _measured_sheet(width: Decimal, height: Decimal, unit: str | None, *, landscape: bool | None) -> SheetSize:
    if unit is None:
        likely = "in" if (min(width, height), max(width, height)) in INCH_SIZES else "mm"
        example = _sheet_name(width, height, likely)
        raise ValueError(f'a sheet size needs its unit (mm, cm, in); write it like "{example}"')
    factor = LENGTH.factor(unit)
    if not (width and height):
        raise ValueError("a side of the sheet is 0; write its real width and height")
    if landscape is not None:
        width, height = sorted((width, height), reverse=landscape)
    shown = "in" if factor == MM_PER_INCH else unit.lower()
    return SheetSize(_sheet_name(width, height, shown), float(width * factor), float(height * factor))


def _sheet_name(width: Decimal, height: Decimal, unit: str) -> str:
    times = " x " if unit == "mm" else "x"
    return f"{plain(width)}{times}{plain(height)} {unit}"


SheetSizeField = Annotated[
    SheetSize,
    BeforeValidator(parse_sheet_size),
    PlainSerializer(show_sheet_size, return_type=str),
    text_schema("A4", "5x7 in", "148 x 210 mm"),
]
"""A `SheetSize` in memory, its name in a file."""

"""Quantities as people write them: "12 mm", "8 MB", "5 %", "2 s".

In memory a length is a float in millimetres, a file size an int in bytes, a share a float of 1, a duration a float in
seconds; in every file they carry their unit. A bare number is refused, except 0: nothing else tells 12 mm from 12 in.

Source:
    1 in = 25.4 mm exactly (the international inch). kB, MB, GB are powers of 1000 (SI), KiB, MiB, GiB powers of 1024
    (IEC 80000-13).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import TYPE_CHECKING, Annotated, Final

from pydantic import BeforeValidator, PlainSerializer, WithJsonSchema

if TYPE_CHECKING:
    from collections.abc import Mapping

MM_PER_INCH: Final = Decimal("25.4")

NUMBER = r"\d+(?:\.\d+)?|\.\d+"
_QUANTITY = re.compile(rf"(?P<number>[+-]?(?:{NUMBER}))\s*(?P<unit>[^\d\s.,+-]\S*)?")


@dataclass(frozen=True)
class Kind:
    """A kind of quantity: its name for messages, its units, and one example to follow."""

    name: str
    units: Mapping[str, Decimal]
    example: str

    @property
    def known(self) -> str:
        """List the units, for a message."""
        return ", ".join(self.units)

    def factor(self, unit: str) -> Decimal:
        """Give a unit's size in the base unit of this kind.

        Raises:
            ValueError: no such unit; the message lists those there are.
        """
        for known, factor in self.units.items():
            if known.casefold() == unit.casefold():
                return factor
        raise ValueError(f'"{unit}" is no unit for a {self.name} (known: {self.known}); write it like "{self.example}"')


LENGTH = Kind("length", {"mm": Decimal(1), "cm": Decimal(10), "in": MM_PER_INCH, "inch": MM_PER_INCH}, "12 mm")
_DECIMAL_SIZES = {"B": 1, "kB": 10**3, "MB": 10**6, "GB": 10**9}
_BINARY_SIZES = {"KiB": 2**10, "MiB": 2**20, "GiB": 2**30}
_FILE_SIZE = Kind("file size", {unit: Decimal(n) for unit, n in (_DECIMAL_SIZES | _BINARY_SIZES).items()}, "8 MB")
_SHARE = Kind("share", {"%": Decimal("0.01")}, "5 %")
_DURATION = Kind("duration", {"s": Decimal(1), "ms": Decimal("0.001"), "min": Decimal(60), "h": Decimal(3600)}, "2 s")


def parse_length(value: object) -> float:
    """Read a length such as "12 mm", "1.2 cm" or "0.5 in".

    Returns:
        Millimetres, >= 0.

    Raises:
        ValueError: no unit, an unknown one, or not a length; the message says what to write.

    >>> parse_length("0.5 in")
    12.7
    """
    return float(_quantity(value, LENGTH))


def parse_file_size(value: object) -> int:
    """Read a file size such as "8 MB" (8 000 000 bytes), "8 MiB" or "500 kB".

    Returns:
        Whole bytes, >= 0. A fraction of a byte is dropped, so that a limit is never exceeded.

    Raises:
        ValueError: no unit, an unknown one, or not a file size; the message says what to write.

    >>> parse_file_size("1.5 MiB")
    1572864
    """
    return int(_quantity(value, _FILE_SIZE))


def parse_share(value: object) -> float:
    """Read a share such as "5 %".

    Returns:
        A share of 1, >= 0.

    Raises:
        ValueError: no per cent sign, or not a number; the message says what to write.

    >>> parse_share("5 %")
    0.05
    """
    return float(_quantity(value, _SHARE))


def parse_duration(value: object) -> float:
    """Read a duration such as "2 s" or "1 min".

    Returns:
        Seconds, >= 0.

    Raises:
        ValueError: no unit, an unknown one, or not a duration; the message says what to write.

    >>> parse_duration("1.5 min")
    90.0
    """
    return float(_quantity(value, _DURATION))


def show_length(mm: float) -> str:
    """Write a length in millimetres.

    >>> show_length(12.7)
    '12.7 mm'
    """
    return f"{plain(mm)} mm"


def show_file_size(size: int) -> str:
    """Write a file size exactly, in the unit that needs the smallest number.

    >>> show_file_size(8_000_000), show_file_size(8 * 2**20), show_file_size(8_500_000)
    ('8 MB', '8 MiB', '8500 kB')
    """
    fitting = [(size // n, unit) for unit, n in (_DECIMAL_SIZES | _BINARY_SIZES).items() if size and size % n == 0]
    count, unit = min(fitting, default=(0, "B"))
    return f"{count} {unit}"


def show_share(share: float) -> str:
    """Write a share in per cent.

    >>> show_share(0.05)
    '5 %'
    """
    return f"{plain(Decimal(repr(share)) * 100)} %"


def show_duration(seconds: float) -> str:
    """Write a duration in seconds.

    >>> show_duration(90.0)
    '90 s'
    """
    return f"{plain(seconds)} s"


def millimetres_to_pixels(mm: float, ppi: int) -> int:
    """Round a length to whole pixels, a half upwards.

    Exact: the length is taken as the decimal number it is written with, so 177.8 mm at 360 ppi is 2520 pixels on every
    machine and not 2519.9999.

    Args:
        mm: millimetres.
        ppi: pixels per inch.

    Returns:
        Pixels.

    Source:
        pixels = mm / 25.4 * ppi, by the definition of the inch.

    >>> millimetres_to_pixels(297, 360)
    4209
    """
    return math.floor(Fraction(repr(mm)) * ppi / Fraction(MM_PER_INCH) + Fraction(1, 2))


def _quantity(value: object, kind: Kind) -> Decimal:
    """Read one number with its unit, in the kind's base unit."""
    text = str(value).strip() if isinstance(value, int | float | str) else ""
    match = _QUANTITY.fullmatch(text)
    if match is None:
        if _QUANTITY.fullmatch(text.replace(",", ".")):
            raise ValueError(f'a comma in a number; write a point, "{text.replace(",", ".")}"')
        raise ValueError(f'not a {kind.name}; write it like "{kind.example}"')
    number = Decimal(match["number"])
    if number < 0:
        raise ValueError(f'a {kind.name} cannot be below 0; write it like "{kind.example}"')
    if match["unit"]:
        return number * kind.factor(match["unit"])
    if number:
        raise ValueError(f'a {kind.name} needs its unit ({kind.known}); write it like "{kind.example}"')
    return number


def plain(number: float | Decimal) -> str:
    """Write a number with all its digits, without an exponent or idle zeros."""
    text = f"{Decimal(str(number)):f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def text_schema(*examples: str) -> WithJsonSchema:
    """Describe a field that is text in a file, for the JSON schema."""
    return WithJsonSchema({"type": "string", "examples": list(examples)})


Length = Annotated[
    float, BeforeValidator(parse_length), PlainSerializer(show_length, return_type=str), text_schema("12 mm", "0.5 in")
]
"""Millimetres in memory, "12 mm" in a file."""

FileSize = Annotated[
    int,
    BeforeValidator(parse_file_size),
    PlainSerializer(show_file_size, return_type=str),
    text_schema("8 MB", "8 MiB"),
]
"""Bytes in memory, "8 MB" in a file."""

Share = Annotated[float, BeforeValidator(parse_share), PlainSerializer(show_share, return_type=str), text_schema("5 %")]
"""A share of 1 in memory, "5 %" in a file."""

Duration = Annotated[
    float, BeforeValidator(parse_duration), PlainSerializer(show_duration, return_type=str), text_schema("2 s", "1 min")
]
"""Seconds in memory, "2 s" in a file."""

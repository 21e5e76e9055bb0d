"""The geometry of a print in whole pixels, as stages read it from their job."""

from dataclasses import dataclass
from typing import Generic, NamedTuple, TypeVar

Number = TypeVar("Number", int, float)


class Edges(NamedTuple, Generic[Number]):
    """Something on each of four sides: a border in millimetres or in pixels."""

    left: Number
    top: Number
    right: Number
    bottom: Number


class Box(NamedTuple):
    """A rectangle in pixels; x and y are its left upper corner, counted from the left upper corner of the file."""

    x: int
    y: int
    width: int
    height: int


class Size(NamedTuple):
    """Width and height in pixels."""

    width: int
    height: int


@dataclass(frozen=True)
class Layout:
    """How large the file is, where the sheet lies in it, and where the picture goes.

    Attributes:
        file: size of the finished file.
        sheet: the finished sheet within the file.
        area: where the picture goes, within the file; its bleed included.
        border: white paper on each side, between the edge of the sheet and the area.
        ppi: pixels per inch of the file.
    """

    file: Size
    sheet: Box
    area: Box
    border: Edges[int]
    ppi: int

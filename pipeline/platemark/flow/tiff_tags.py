"""The tags of a TIFF: what it says of itself before any pixel is decoded. Exif is laid out the same way.

Only the tags that are asked for are read, and nothing that the file is too short to hold: a count in a broken
file may claim gigabytes.

Source: TIFF 6.0, section 2 (header, directory, field types); BigTIFF has the same with offsets of 64 bits.
"""

import os
import struct
from dataclasses import dataclass
from typing import Any, BinaryIO, Literal, Self

import numpy as np
from numpy.typing import NDArray

ORIENTATION = 274
WIDTH, LENGTH, BITS, COMPRESSION, PHOTOMETRIC, SAMPLES = 256, 257, 258, 259, 262, 277
PLANAR, EXTRA_SAMPLES, SAMPLE_FORMAT = 284, 338, 339
STRIP_OFFSETS, ROWS_PER_STRIP, STRIP_BYTES = 273, 278, 279
TILE_WIDTH, TILE_LENGTH, TILE_OFFSETS, TILE_BYTES = 322, 323, 324, 325
X_RESOLUTION, Y_RESOLUTION, RESOLUTION_UNIT = 282, 283, 296
WHITE_POINT, ICC_PROFILE = 318, 34675

# BYTE, ASCII, SHORT, LONG, RATIONAL (two numbers), UNDEFINED, FLOAT, DOUBLE, IFD, LONG8.
_NUMBERS = {1: "u1", 2: "u1", 3: "u2", 4: "u4", 5: "2u4", 7: "u1", 11: "f4", 12: "f8", 13: "u4", 16: "u8"}

Tags = dict[int, NDArray[Any]]


class CutShort(Exception):  # noqa: N818 - a state of the file, not a fault of the program
    """The file ends before something that it points to."""


@dataclass(frozen=True)
class TagReader:
    """Reads the directories of one open file.

    Attributes:
        file: open for reading; where it stands does not matter.
        size: of the file in bytes.
        order: of the bytes in a number.
        big: BigTIFF.
    """

    file: BinaryIO
    size: int
    order: Literal["little", "big"]
    big: bool

    @classmethod
    def of(cls, file: BinaryIO) -> Self:
        """Look at the first four bytes."""
        size = file.seek(0, os.SEEK_END)
        file.seek(0)
        start = file.read(4)
        return cls(file, size, "little" if start.startswith(b"II") else "big", start in {b"II+\0", b"MM\0+"})

    def directories(self) -> list[int]:
        """Where the directory of each page lies; a chain that bites its tail ends there.

        Raises:
            CutShort: one lies beyond the end of the file.
        """
        found: dict[int, None] = {}
        at = self._number(8 if self.big else 4, self._wide)
        while at and at not in found:
            found[at] = None
            _, end = self._entries(at)
            at = self._number(end, self._wide)
        return list(found)

    def tags(self, directory: int, wanted: frozenset[int]) -> Tags:
        """The values of the wanted tags that are there; a rational is a row of two numbers.

        Raises:
            CutShort: a value lies beyond the end of the file.
        """
        start, end = self._entries(directory)
        return {
            tag: self._value(kind, count, place)
            for tag, kind, count, place in struct.iter_unpack(self._entry, self._take(start, end - start))
            if tag in wanted and kind in _NUMBERS and count
        }

    def place(self, directory: int, tag: int) -> int:
        """Where in the file the value of a tag, or its offset, begins.

        Raises:
            KeyError: the directory has no such tag.
        """
        start, end = self._entries(directory)
        size = struct.calcsize(self._entry)
        for entry in range(start, end, size):
            if self._number(entry, 2) == tag:
                return entry + size - self._wide
        raise KeyError(tag)

    @property
    def _wide(self) -> int:
        """Bytes of an offset."""
        return 8 if self.big else 4

    @property
    def _entry(self) -> str:
        """Tag, type, count, and the value or where it lies."""
        return ("<" if self.order == "little" else ">") + ("HHQ8s" if self.big else "HHL4s")

    def _entries(self, directory: int) -> tuple[int, int]:
        """Where the entries of a directory begin and end."""
        width = 8 if self.big else 2
        start = directory + width
        return start, start + self._number(directory, width) * struct.calcsize(self._entry)

    def _value(self, kind: int, count: int, place: bytes) -> NDArray[Any]:
        numbers = np.dtype(_NUMBERS[kind]).newbyteorder(self.order)
        size = numbers.itemsize * count
        if size > len(place):
            place = self._take(int.from_bytes(place, self.order), size)
        return np.frombuffer(place[:size], numbers)

    def _number(self, at: int, size: int) -> int:
        return int.from_bytes(self._take(at, size), self.order)

    def _take(self, at: int, size: int) -> bytes:
        if at + size > self.size:
            raise CutShort
        self.file.seek(at)
        return self.file.read(size)

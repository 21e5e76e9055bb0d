"""Scans whose heads say what is not so: sizes, depths, kinds of packing, lengths, chains of pages.

Sources: TIFF 6.0, sections 2 and 8; PNG specification, chunk layout and IHDR; ITU-T T.81, annex B.
"""

import struct
import zlib
from collections.abc import Iterator

from scan_files import DENSITY_300, iccp, png_chunk

Lie = tuple[str, bytes]
"""What is said, and the file that says it."""

LONG = 4
_HUGE = 2**32 - 1
_TILE_OFFSETS = 324
_TIFF = {
    256: (0, 1, 300, 65535, 2**31, _HUGE),
    257: (0, 1, 400, 5000, 65535, _HUGE),
    258: (0, 1, 4, 7, 12, 16, 32, 65535),
    259: (0, 2, 3, 4, 5, 6, 7, 8, 32773, 34661, 34712, 34887, 34925, 50000, 50001, 65535),
    262: (0, 3, 4, 5, 6, 8, 9, 10, 32803, 32844, 65535),
    273: (0, 8, _HUGE),
    277: (0, 1, 2, 4, 255, 65535),
    278: (0, 1, 7, _HUGE),
    279: (0, 1, 2**31, _HUGE),
    282: (0, _HUGE),
    284: (0, 2, 65535),
    296: (0, 1, 3, 65535),
    34675: (0, 8, _HUGE),
}
# Of tags with many values, how many.
_COUNTS = {258: (0, 65535), 273: (0, 1, _HUGE), 279: (0, 1, _HUGE), 34675: (1, 3, 200, _HUGE)}


def tiff_lies(data: bytes) -> Iterator[Lie]:
    """One tag changed in the first directory of a TIFF, classic and little-endian; tags that it lacks are left."""
    places = {tag: place for place, tag in _entries(data)}
    for tag in places.keys() & _TIFF.keys():
        for value in _TIFF[tag]:
            yield f"{tag} is {value}", _put(data, places[tag], struct.pack("<HLL", LONG, 1, value))
    for tag in places.keys() & _COUNTS.keys():
        for count in _COUNTS[tag]:
            yield f"{tag} has {count}", _put(data, places[tag] + 2, struct.pack("<L", count))
    for tag in sorted(places):
        yield f"{tag} is text", _put(data, places[tag], struct.pack("<H", 2))


def chains_of_pages(data: bytes) -> Iterator[Lie]:
    """Directories that follow each other without end, or beyond it."""
    first = struct.unpack_from("<L", data, 4)[0]
    after = first + 2 + 12 * struct.unpack_from("<H", data, first)[0]
    end = len(data) + len(data) % 2
    padded = data.ljust(end, b"\0")
    yield "its own next", _put(data, after, struct.pack("<L", first))
    yield "next beyond the end", _put(data, after, struct.pack("<L", _HUGE))
    yield "first beyond the end", _put(data, 4, struct.pack("<L", _HUGE))
    yield "first in the header", _put(data, 4, struct.pack("<L", 0))
    ring = struct.pack("<HHHLLL", 1, 256, LONG, 1, 9, first)
    yield "two in a ring", _put(padded, after, struct.pack("<L", end)) + ring
    empty = b"".join(struct.pack("<HHHLLL", 1, 254, LONG, 1, 0, end + 18 * n) for n in range(1, 100_001))
    yield "a hundred thousand", _put(padded, after, struct.pack("<L", end)) + empty + bytes(6)
    for tag in (330, 34665, 34853):  # SubIFDs, Exif, GPS
        entry = struct.pack("<HHHLLHHLLL", 2, 256, LONG, 1, 9, tag, LONG, 1, end, end)
        yield f"{tag} is its own", _put(padded, after, struct.pack("<L", end)) + entry
    yield "65535 entries", _put(data, first, struct.pack("<H", 65535))


def png_lies(data: bytes) -> Iterator[Lie]:
    """Other numbers in the head of a PNG, with the right checksum, and chunks that are missing or twice."""
    head, pixels = data[16:29], _chunks(data, b"IDAT")
    width, height = struct.unpack_from(">LL", head)
    for place, form, values in (
        (0, ">L", (0, 1, width // 2, 2 * width, 2**31 - 1, _HUGE)),
        (4, ">L", (0, 1, height // 2, 2 * height, 2**31 - 1, _HUGE)),
        (8, "B", (0, 1, 4, 7, 16, 255)),
        (9, "B", (0, 1, 3, 4, 6, 255)),
        (10, "B", (1,)),
        (11, "B", (1,)),
        (12, "B", (1, 2)),
    ):
        for value in values:
            lying = _put(head, place, struct.pack(form, value))
            if lying != head:
                yield f"byte {place} is {value}", _png(lying, pixels)
    packer = zlib.compressobj()
    yield "no pixels", _png(head, b"")
    yield "filters unknown", _png(head, zlib.compress(b"\x09" * 600_000))
    yield "window of 64 kB", _png(head, b"\x88" + pixels[1:])
    yield "too few pixels", _png(head, packer.compress(bytes(1000)) + packer.flush())
    yield "two heads", data[:33] + data[8:]
    yield "no end of a chunk", data[:33] + b"\x7f\xff\xff\xff" + data[37:]
    yield "profile of nothing", _png(head, pixels, iccp(b""))
    yield "profile of junk", _png(head, pixels, iccp(bytes(range(200))))
    yield "profile cut short", _png(head, pixels, png_chunk(b"iCCP", b"scan\0\0" + zlib.compress(bytes(3000))[:9]))
    yield "no square pixels", _png(head, pixels, png_chunk(b"pHYs", struct.pack(">LLB", 5906, 11811, 1)))


def png_cut(data: bytes) -> Iterator[Lie]:
    """Pixels missing at the end, and all in order after them: as a program does that saves what it could read."""
    pixels = _chunks(data, b"IDAT")
    for kept in (0.3, 0.6, 0.95):
        yield f"{kept:.0%} closed", _png(data[16:29], pixels[: int(kept * len(pixels))])


def jpeg_cut(data: bytes) -> Iterator[Lie]:
    """As `png_cut`."""
    for kept in (0.3, 0.6, 0.95):
        yield f"{kept:.0%} closed", data[: int(kept * len(data))] + b"\xff\xd9"


def damaged_tiles(data: bytes) -> Iterator[Lie]:
    """The beginning of a packed tile lost; without it, nothing of the tile can be known."""
    entry = {tag: place for place, tag in _entries(data)}[_TILE_OFFSETS]
    count, offsets = struct.unpack_from("<LL", data, entry + 2)
    for tile in (0, count // 2, count - 1):
        yield f"{tile}", _put(data, struct.unpack_from("<L", data, offsets + 4 * tile)[0], bytes(64))


def jpeg_lies(data: bytes) -> Iterator[Lie]:
    """Other numbers in the frame of a JPEG, and segments that are missing or lie about their length."""
    marks = dict(_segments(data))
    frame = next(place for place, mark in marks.items() if mark in {0xC0, 0xC2})
    height, width = struct.unpack_from(">HH", data, frame + 5)
    for place, form, values in (
        (4, "B", (0, 7, 12, 16)),
        (5, ">H", (0, 1, height // 2, 2 * height, 65535)),
        (7, ">H", (0, 1, width // 2, 2 * width, 65535)),
        (9, "B", (0, 1, 2, 4, 255)),
        (11, "B", (0x00, 0x11, 0x41, 0x44, 0xFF)),
        (12, "B", (3, 255)),
    ):
        for value in values:
            lying = _put(data, frame + place, struct.pack(form, value))
            if lying != data:
                yield f"byte {place} is {value}", lying
    for place, mark in marks.items():
        length = struct.unpack_from(">H", data, place + 2)[0]
        yield f"no {mark:02x} at {place}", data[:place] + data[place + 2 + length :]
        for lie in (0, 2, length + 7, 65535):
            yield f"{mark:02x} at {place} of {lie}", _put(data, place + 2, struct.pack(">H", lie))
    profile = b"\xff\xe2" + struct.pack(">H", 516) + b"ICC_PROFILE\0\x01\xff" + bytes(500)
    yield "profile of 255 parts", data[:2] + profile + data[2:]
    exif = b"Exif\0\0II*\0\x08\0\0\0" + struct.pack("<HHHLLL", 1, 0x8769, LONG, 1, 8, 8)
    yield "Exif in itself", data[:2] + b"\xff\xe1" + struct.pack(">H", 2 + len(exif)) + exif + data[2:]


def _entries(data: bytes) -> Iterator[tuple[int, int]]:
    """Where the type of each entry of the first directory stands, and its tag."""
    first = struct.unpack_from("<L", data, 4)[0]
    for number in range(struct.unpack_from("<H", data, first)[0]):
        place = first + 2 + 12 * number
        yield place + 2, struct.unpack_from("<H", data, place)[0]


def _put(data: bytes, place: int, what: bytes) -> bytes:
    return data[:place] + what + data[place + len(what) :]


def _png(head: bytes, pixels: bytes, chunk: bytes = b"") -> bytes:
    parts = [png_chunk(b"IHDR", head), chunk or DENSITY_300, png_chunk(b"IDAT", pixels), png_chunk(b"IEND", b"")]
    return b"\x89PNG\r\n\x1a\n" + b"".join(parts)


def _chunks(data: bytes, kind: bytes) -> bytes:
    """The contents of all chunks of a kind, one after the other."""
    found, at = b"", 8
    while at < len(data):
        length = struct.unpack_from(">L", data, at)[0]
        if data[at + 4 : at + 8] == kind:
            found += data[at + 8 : at + 8 + length]
        at += 12 + length
    return found


def _segments(data: bytes) -> Iterator[tuple[int, int]]:
    """Where each segment before the first scan stands, and its marker; the scan's own is the last."""
    at = 2
    while True:
        mark = data[at + 1]
        yield at, mark
        if mark == 0xDA:  # SOS
            return
        at += 2 + struct.unpack_from(">H", data, at + 2)[0]

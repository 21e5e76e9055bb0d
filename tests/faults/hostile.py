"""Broken and hostile files of every kind of scan, the same ones each time, and what must become of each.

Where a file is held it must not be printed; where it is whole, it must be printed as the scan that it was made from.
"""

import io
import random
import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pyvips
import tifffile
from lies import Lie, chains_of_pages, damaged_tiles, jpeg_cut, jpeg_lies, png_cut, png_lies, tiff_lies
from numpy.typing import NDArray
from PIL import Image

from conftest import sheet_scan
from platemark.pixels.icc_writer import srgb_profile
from scan_files import DENSITY_300, png_chunk

Must = Literal["held", "whole", "held or whole", "held or printed"]
Array = NDArray[np.uint8] | NDArray[np.uint16]

SEED = 4
"""Of the picture that all of them show."""
_PPMM = 150 / 25.4


@dataclass(frozen=True)
class Hostile:
    """One file.

    Attributes:
        name: what it was, what was done to it, and its ending.
        harm: the kind of harm.
        must: what may become of it; "printed" as what it decodes to is right where no decoder can know better.
        data: its bytes.
        like: the name of the whole scan that it was made from, if it was.
    """

    name: str
    harm: str
    must: Must
    data: bytes
    like: str = ""


def hostile_files() -> Iterator[Hostile]:
    """All of them."""
    chance = random.Random(20)  # noqa: S311 - any numbers, but the same ones each time
    whole = whole_scans()
    for name, data in whole.items():
        kind, _, end = name.partition(".")
        for n, (harm, must, broken) in enumerate(_broken(data, chance)):
            yield Hostile(f"{kind}-{end}-{n:02}.{end}", harm, must, broken, name)
        yield Hostile(f"{kind}-{end}.{'tif' if end == 'png' else 'png'}", "wrong ending", "whole", data, name)
    for kind, lies in {
        "plain.tif": tiff_lies,
        "lzw.tif": tiff_lies,
        "tiles.tif": tiff_lies,
        "plain.png": png_lies,
        "laced.png": png_lies,
        "plain.jpg": jpeg_lies,
        "fine.jpg": jpeg_lies,
    }.items():
        yield from _named(kind, "lying header", "held or printed", lies(whole[kind]), kind)
    for kind, cut in {"plain.png": png_cut, "laced.png": png_cut, "plain.jpg": jpeg_cut, "fine.jpg": jpeg_cut,
                      "grey.jpg": jpeg_cut}.items():  # fmt: skip
        yield from _named(kind, "cut and closed again", "held", cut(whole[kind]))
    yield from _named("tiles.tif", "damaged tile", "held", damaged_tiles(whole["tiles.tif"]))
    yield from _named("bomb.png", "bomb", "held", _odd_shapes())
    yield from _named("plain.tif", "chain of pages", "held or whole", chains_of_pages(whole["plain.tif"]), "plain.tif")
    yield from _named("bomb.png", "bomb", "held", _png_bombs())
    yield from _named("bomb.tif", "bomb", "held", _tiff_bombs())
    yield from _named("bomb.jpg", "bomb", "held", _jpeg_bombs(whole))
    yield from _named("other.tif", "no scan", "held", _others())


def whole_scans() -> dict[str, bytes]:
    """What is broken, by name: one picture, packed in every way that is read."""
    pixels, deep = sheet_scan(seed=SEED), sheet_scan(seed=SEED, bits=16)
    image, grey = Image.fromarray(pixels), Image.fromarray(pixels).convert("L")
    ink = grey.point(lambda value: 255 * (value > 128), "1")
    return {
        "plain.tif": _tiff(pixels, iccprofile=srgb_profile()),
        "big.tif": _tiff(deep, byteorder=">", bigtiff=True),
        "lzw.tif": _tiff(pixels, compression="lzw", predictor=True, rowsperstrip=16),
        "zlib.tif": _tiff(deep, compression="zlib", rowsperstrip=16),
        "tiles.tif": _tiff(pixels, compression="zlib", tile=(64, 64)),
        "jpeg.tif": _tiff(pixels, compression="jpeg", rowsperstrip=16),
        "packed.tif": _pillow(grey, "TIFF", compression="packbits"),
        "fax.tif": _pillow(ink, "TIFF", compression="group4"),
        "last.tif": _pillow(image, "TIFF", compression="tiff_lzw"),  # its directory comes last
        "plain.png": _pillow(image, "PNG", icc_profile=srgb_profile()),
        "deep.png": _vips(deep, ".png"),
        "laced.png": _vips(pixels, ".png", interlace=True),
        "palette.png": _pillow(image.quantize(64), "PNG"),
        "plain.jpg": _pillow(image, "JPEG", quality=92, icc_profile=srgb_profile()),
        "fine.jpg": _pillow(image, "JPEG", quality=95, subsampling=0, progressive=True),
        "grey.jpg": _pillow(grey, "JPEG", quality=92, restart_marker_rows=2),
    }


def _broken(data: bytes, chance: random.Random) -> Iterator[tuple[str, Must, bytes]]:
    """Cuts, flipped bits, lost blocks and bytes too many, in any file."""
    size = len(data)
    for kept in (0.01, 0.1, 0.3, 0.5, 0.75, 0.9, 0.99):
        yield "cut short", "held or whole", data[: int(size * kept)]
    for lost in (1, 2, 12, 13):
        yield "cut short", "held or whole", data[:-lost]
    for first, last, bits in ((8, 200, 1), (8, 200, 1), (200, size, 1), (200, size, 1), (200, size, 20)):
        broken = bytearray(data)
        for _ in range(bits):
            broken[chance.randrange(first, min(last, size))] ^= 1 << chance.randrange(8)
        yield "flipped bits", "held or printed", bytes(broken)
    for block in (bytes(512), b"\xff" * 512):
        at = chance.randrange(size // 4, size - 100)
        yield "lost block", "held or printed", data[:at] + block[: size - at] + data[at + 512 :]
    for tail in (b"\0" * 5000, chance.randbytes(5000), data):
        yield "bytes after it", "whole", data + tail
    yield "bytes before it", "held", b"\r\n" + data


def _named(kind: str, harm: str, must: Must, lies: Iterator[Lie], like: str = "") -> Iterator[Hostile]:
    stem, _, end = kind.partition(".")
    for said, data in lies:
        words = "".join(sign if sign.isalnum() else "-" for sign in said)
        yield Hostile(f"{stem}-{words}.{end}", harm, must, data, like)


def _png_bombs() -> Iterator[Lie]:
    """Few bytes that claim much, or unpack to it."""
    for width, depth, colour, laced in ((30000, 1, 0, 0), (24000, 16, 2, 0), (24000, 16, 2, 1), (2**31 - 1, 8, 6, 0)):
        head = struct.pack(">LLBBBBB", width, width, depth, colour, 0, 0, laced)
        yield f"{width} of {depth} bits, laced {laced}", _png(head, DENSITY_300, zlib.compress(bytes(1_000_000), 9))
    small = struct.pack(">LLBBBBB", 384, 472, 8, 2, 0, 0, 0)
    much = zlib.compress(bytes(100_000_000), 9)
    for name, chunk in (("zTXt", b"Comment\0\0"), ("iCCP", b"scan\0\0"), ("iTXt", b"Comment\0\1\0\0\0")):
        yield f"{name} of 100 MB", _png(small, DENSITY_300 + png_chunk(name.encode(), chunk + much), b"")


def _odd_shapes() -> Iterator[Lie]:
    """Whole pictures that no scanner makes, and that take minutes to be reduced to a print."""
    for width, height in ((60_000, 300), (300, 60_000), (20_000, 1), (1, 20_000), (1, 1)):
        head = struct.pack(">LLBBBBB", width, height, 8, 2, 0, 0, 0)
        yield f"{width} by {height}", _png(head, DENSITY_300, zlib.compress((b"\0" + bytes(3 * width)) * height))


def _tiff_bombs() -> Iterator[Lie]:
    row = zlib.compress(bytes(3 * 40_000), 9)
    for side, compression, strip in (
        (40_000, 8, row),
        (24_000, 1, bytes(1000)),
        (24_000, 5, bytes(1000)),
        (2**31, 8, row),
    ):
        entries = [(256, 4, side), (257, 4, side), (258, 3, 8), (259, 3, compression), (262, 3, 1), (273, 4, 150),
                   (277, 3, 1), (278, 4, side), (279, 4, len(strip)), (296, 3, 2)]  # fmt: skip
        table = b"".join(struct.pack("<HHLL", tag, kind, 1, value) for tag, kind, value in entries)
        head = b"II*\0\x08\0\0\0" + struct.pack("<H", len(entries)) + table + bytes(4)
        yield f"{side} packed by {compression}", head.ljust(150, b"\0") + strip


def _jpeg_bombs(whole: dict[str, bytes]) -> Iterator[Lie]:
    for kind in ("plain.jpg", "fine.jpg"):
        data = whole[kind]
        at = data.index(b"\xff\xc0" if kind == "plain.jpg" else b"\xff\xc2")
        for side in (24_000, 65_500):
            yield f"{kind} of {side}", data[: at + 5] + struct.pack(">HH", side, side) + data[at + 9 :]
    # Each further scan of a progressive file makes a decoder go over all of its coefficients once more.
    data, at = whole["fine.jpg"], whole["fine.jpg"].index(b"\xff\xc2")
    claim = data[: at + 5] + struct.pack(">HH", 24_000, 24_000) + data[at + 9 :]
    scan = b"\xff\xda\0\x08\x01\x01\0\x01\x01\0\0"
    yield "2000 empty scans", claim[: claim.index(b"\xff\xda")] + 2000 * scan + b"\xff\xd9"


def _others() -> Iterator[Lie]:
    """Files that are no scan, whatever their ending says."""
    image = Image.fromarray(sheet_scan(seed=SEED)[:100, :100])
    for kind in ("GIF", "WEBP", "BMP", "PPM", "JPEG2000", "PDF", "TGA", "ICO"):
        yield kind, _pillow(image, kind)
    yield "SVG", b'<svg xmlns="http://www.w3.org/2000/svg" width="9" height="9"><image href="/etc/hostname"/></svg>'
    yield "nothing", b""
    yield "zeros", bytes(10_000)
    yield "noise", random.Random(3).randbytes(10_000)  # noqa: S311 - the same each time
    yield "a letter", b"A letter, not a picture.\n" * 100
    for magic in (b"II*\0", b"MM\0*", b"II+\0", b"\x89PNG\r\n\x1a\n", b"\xff\xd8\xff"):
        yield f"only {magic.hex()}", magic
        yield f"{magic.hex()} and noise", magic + random.Random(5).randbytes(5000)  # noqa: S311


def _png(head: bytes, chunks: bytes, pixels: bytes) -> bytes:
    return (
        b"\x89PNG\r\n\x1a\n" + png_chunk(b"IHDR", head) + chunks + png_chunk(b"IDAT", pixels) + png_chunk(b"IEND", b"")
    )


def _tiff(pixels: Array, **options: object) -> bytes:
    file = io.BytesIO()
    told = {"photometric": "rgb", "resolution": (150, 150), "resolutionunit": "INCH", "metadata": None}
    tifffile.imwrite(file, pixels, **told, **options)
    return file.getvalue()


def _pillow(image: Image.Image, kind: str, **options: object) -> bytes:
    file = io.BytesIO()
    image.save(file, kind, dpi=(150, 150), **options)
    return file.getvalue()


def _vips(pixels: Array, kind: str, **options: object) -> bytes:
    space = "rgb16" if pixels.dtype == np.uint16 else "srgb"
    image = pyvips.Image.new_from_array(pixels).copy(interpretation=space, xres=_PPMM, yres=_PPMM)
    data: bytes = image.write_to_buffer(kind, **options)
    return data

"""Scans as files, written byte by byte or by libraries that the program does not read with."""

import struct
import zlib
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray
from PIL import Image

from platemark.config.model import Scanner
from platemark.errors import Held
from platemark.flow.intake import decode_to_the_end, examine, open_picture
from platemark.pixels.profiles import srgb

PLAIN = Scanner()
Pixels = NDArray[np.uint8] | NDArray[np.uint16]


def noise(bits: int = 8, channels: int = 3, rows: int = 40, columns: int = 60) -> Pixels:
    """Pixels without any order, shape (rows, columns, channels), or (rows, columns) for one channel."""
    shape = (rows, columns, channels) if channels > 1 else (rows, columns)
    values = np.random.Generator(np.random.PCG64(bits + channels)).integers(0, 2**bits, shape)
    return values.astype(np.uint8 if bits == 8 else np.uint16)


def tiff(path: Path, pixels: Pixels, **options: object) -> Path:
    """A TIFF that says 300 ppi and is RGB or grey; options go to tifffile."""
    photometric = "minisblack" if pixels.ndim == 2 else "rgb"
    told = {"photometric": photometric, "resolution": (300, 300), "resolutionunit": "INCH", "metadata": None}
    tifffile.imwrite(path, pixels, **{**told, **options})
    return path


def png_chunk(kind: bytes, data: bytes) -> bytes:
    """Source: PNG specification, chunk layout."""
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def phys(across: int, down: int, unit: int = 1) -> bytes:
    """A pHYs chunk: pixels per metre where unit is 1."""
    return png_chunk(b"pHYs", struct.pack(">IIB", across, down, unit))


def iccp(profile: bytes) -> bytes:
    """An iCCP chunk."""
    return png_chunk(b"iCCP", b"scan\0\0" + zlib.compress(profile))


DENSITY_300 = phys(11811, 11811)


def png(path: Path, pixels: Pixels, *chunks: bytes) -> Path:
    """A PNG with these chunks before its pixels; it says 300 ppi unless told otherwise.

    Source: PNG specification; colour types 0 grey, 2 RGB, 4 grey and 6 RGB with alpha.
    """
    rows, columns, channels = (*pixels.shape, 1)[:3]
    colour_type = {1: 0, 2: 4, 3: 2, 4: 6}[channels]
    stored = pixels.astype(pixels.dtype.newbyteorder(">"))
    lines = b"".join(b"\0" + stored[row].tobytes() for row in range(rows))
    head = struct.pack(">IIBBBBB", columns, rows, 8 * pixels.dtype.itemsize, colour_type, 0, 0, 0)
    return png_of(path, head, zlib.compress(lines, 1), *(chunks or (DENSITY_300,)))


def png_of(path: Path, head: bytes, data: bytes, *chunks: bytes) -> Path:
    """A PNG of an IHDR, other chunks and one IDAT."""
    parts = [png_chunk(b"IHDR", head), *chunks, png_chunk(b"IDAT", data), png_chunk(b"IEND", b"")]
    path.write_bytes(b"\x89PNG\r\n\x1a\n" + b"".join(parts))
    return path


def jpeg(path: Path, pixels: Pixels, **options: object) -> Path:
    """A JPEG with a JFIF header that says 300 ppi; options go to Pillow."""
    Image.fromarray(pixels).save(path, "JPEG", **{"quality": 95, "subsampling": 0, "dpi": (300, 300), **options})
    return path


def cmyk_profile() -> bytes:
    """A small CMYK profile of invented inks, for reading only: a table from ink to CIELAB.

    Source: ICC.1:2001-04, clauses 6.1 (header) and 6.5.7 (lut16Type, with the CIELAB encoding of version 2).
    """
    cyan, magenta, yellow, black = np.meshgrid(*[np.linspace(0, 1, 3)] * 4, indexing="ij")
    lightness = (96 - 40 * cyan - 45 * magenta - 8 * yellow) * (1 - 0.9 * black)
    lab = np.stack(
        [
            np.clip(lightness, 0, 100) * 652.8,
            (128 + (-35 * cyan + 70 * magenta - 5 * yellow) * (1 - black)) * 256,
            (128 + (-45 * cyan - 5 * magenta + 85 * yellow) * (1 - black)) * 256,
        ],
        axis=-1,
    )
    straight = struct.pack(">HH", 0, 65535)
    identity = np.eye(3).ravel() * 65536
    table = (
        b"mft2" + bytes(4) + bytes([4, 3, 3, 0]) + identity.astype(">i4").tobytes() + struct.pack(">HH", 2, 2)
        + straight * 4 + np.rint(lab).astype(">u2").tobytes() + straight * 3
    )  # fmt: skip
    d50 = bytes.fromhex("0000f6d6000100000000d32d")
    name = b"desc" + bytes(4) + struct.pack(">I", 5) + b"inks\0" + bytes(78)
    return _profile(b"prtr", b"CMYK", b"Lab ", d50, {b"desc": name, b"A2B0": table, b"wtpt": b"XYZ " + bytes(4) + d50})


def _profile(kind: bytes, space: bytes, connection: bytes, d50: bytes, tags: dict[bytes, bytes]) -> bytes:
    places, body, start = b"", b"", 132 + 12 * len(tags)
    for signature, data in tags.items():
        places += signature + struct.pack(">II", start + len(body), len(data))
        body += data + bytes(-len(data) % 4)
    head = bytes(4) + bytes.fromhex("02400000") + kind + space + connection + bytes(12) + b"acsp" + bytes(28) + d50
    whole = head.ljust(124, b"\0") + struct.pack(">I", len(tags)) + places + body
    return struct.pack(">I", len(whole) + 4) + whole


def opened(path: Path, scanner: Scanner = PLAIN) -> NDArray[np.uint16]:
    """The pixels of a scan, (rows, columns, channels), read whole before as a delivery does."""
    opening = examine(path, scanner)
    decode_to_the_end(path, opening)
    return open_picture(path, opening).array()


def held(path: Path, scanner: Scanner = PLAIN) -> Held:
    """Why a scan is held."""
    with pytest.raises(Held) as caught:
        opened(path, scanner)
    assert caught.value.remedy
    return caught.value


def widened(pixels: Pixels) -> NDArray[np.uint16]:
    """What pixels are at 16 bits: 255 becomes 65535, so 8 bits are taken times 257."""
    wide = pixels.astype(np.uint16) * np.uint16(257) if pixels.dtype == np.uint8 else pixels
    return wide.astype(np.uint16).reshape(*wide.shape[:2], -1)


def cmyk_tiff(path: Path, profile: bytes | None, bits: int) -> tuple[Path, Pixels]:
    """A TIFF of inks, and the inks."""
    inks = noise(bits, 4)
    return tiff(path, inks, photometric="separated", iccprofile=profile), inks


def by_lcms2(inks: Pixels) -> NDArray[np.uint16]:
    """CMYK through the profile to sRGB, by another door to lcms2; relative, with black point compensation."""
    flags = imagecodecs.CMS.FLAGS.BLACKPOINTCOMPENSATION
    seen = imagecodecs.cms_transform(
        widened(inks), cmyk_profile(), srgb().data, colorspace="cmyk", outcolorspace="rgb", intent=1, flags=flags
    )
    return np.asarray(seen)


def whole(path: Path, kind: str) -> Path:
    """A scan as a JPEG, a PNG, or a TIFF packed in this way."""
    match kind:
        case "jpg":
            return jpeg(path, noise())
        case "png":
            return png(path, noise(16))
        case _:
            return tiff(path, noise(16), compression=None if kind == "none" else kind, rowsperstrip=8)


TURNS = {  # TIFF 6.0, Orientation: where the file's first row and column are to be seen
    1: lambda a: a,
    2: np.fliplr,
    3: lambda a: np.rot90(a, 2),
    4: np.flipud,
    5: lambda a: np.swapaxes(a, 0, 1),
    6: lambda a: np.rot90(a, -1),
    7: lambda a: np.swapaxes(np.rot90(a, 2), 0, 1),
    8: lambda a: np.rot90(a, 1),
}

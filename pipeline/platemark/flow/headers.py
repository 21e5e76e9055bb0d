"""What a file says of itself before any pixel is decoded: its kind, pages, form and resolution."""

import io
import os
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, Literal

import numpy as np
from PIL import Image

from platemark.flow import tiff_tags as tiff
from platemark.flow.density import Density
from platemark.flow.tiff_places import PLACES, are_all_there
from platemark.flow.tiff_tags import CutShort, TagReader, Tags

# Our own limit (config, max_megapixels) is checked before decoding; Pillow's would refuse an honest
# 170 megapixel scan. Pillow only reads headers here.
Image.MAX_IMAGE_PIXELS = None

LabKind = Literal["CIELab", "ICCLab", "other"]
_MAGIC = {
    b"II*\0": "TIFF",
    b"MM\0*": "TIFF",
    b"II+\0": "TIFF",
    b"MM\0+": "TIFF",
    b"\x89PNG\r\n\x1a\n": "PNG",
    b"\xff\xd8\xff": "JPEG",
}
_DENSITY = frozenset({tiff.X_RESOLUTION, tiff.Y_RESOLUTION, tiff.RESOLUTION_UNIT})
_FORM = frozenset(
    {
        tiff.BITS,
        tiff.COMPRESSION,
        tiff.PHOTOMETRIC,
        tiff.EXTRA_SAMPLES,
        tiff.SAMPLE_FORMAT,
        tiff.WHITE_POINT,
        tiff.ICC_PROFILE,
    }
)
_WANTED = _DENSITY | _FORM | PLACES
# ITU-T T.81: each block of 8 x 8 pixels takes a bit at least; with arithmetic coding less, but no scanner has that.
_PIXELS_PER_BYTE = 512
# TIFF 6.0 and its supplements: none, fax of three kinds, LZW, JPEG of two kinds, deflate of two, PackBits; WebP.
_READ = {1, 2, 3, 4, 5, 6, 7, 8, 32773, 32946, 50001}
_UNREAD = {34661: "JBIG", 34712: "JPEG 2000", 34887: "LERC", 34925: "LZMA", 50000: "Zstandard", 50002: "JPEG XL"}
_UNITS_PER_INCH = {2: 1.0, 3: 2.54}  # TIFF 6.0 and Exif: inch, centimetre
_JFIF_UNITS_PER_INCH = {1: 1.0, 2: 2.54}
_INCH = 2  # what TIFF 6.0 and Exif mean when they say nothing
# TIFF 6.0 and its supplements; the last is ITULab, which is for fax.
_LAB: dict[int, LabKind] = {8: "CIELab", 9: "ICCLab", 10: "other"}
# CIE 15: chromaticity of illuminant D50. What is nearest to it is D55, a hundredth away.
_D50, _NEAR = np.array([0.3457, 0.3585]), 0.001
_USUAL_BITS = {1, 2, 4, 8, 16}
_SAMPLE_FORMATS = {2: "signed", 3: "floating point", 5: "complex", 6: "complex"}  # TIFF 6.0, SampleFormat


@dataclass(frozen=True)
class Header:
    """Facts of the file's head.

    Attributes:
        kind: TIFF, PNG or JPEG.
        densities: every place that speaks of the resolution.
        has_profile: the file carries something in the place of a colour profile.
        pages: how many pictures are in the file.
        page: which of them is described here, counted from 0.
        lab: how its pixels are CIELAB, if they are; "other" is another encoding or another white than D50.
        numbers: what its pixels are written in when it is not 1 to 16 bits: "32 bit floating point numbers".
        unexplained_channel: it has a channel more than its colours need and does not say what it means.
        tiled: its pixels lie in tiles.
        unread: how its pixels are packed, where that is not read: "LZMA".
    """

    kind: str
    densities: tuple[Density, ...]
    has_profile: bool
    pages: int = 1
    page: int = 0
    lab: LabKind | None = None
    numbers: str | None = None
    unexplained_channel: bool = False
    tiled: bool = False
    unread: str | None = None


def kind_of(path: Path) -> str | None:
    """TIFF, PNG or JPEG by content; the name is not asked. None for anything else."""
    with path.open("rb") as file:
        start = file.read(8)
    return next((kind for magic, kind in _MAGIC.items() if start.startswith(magic)), None)


def read_header(path: Path, kind: str, page: int | None = None) -> Header:
    """Read what the head of a file says.

    Args:
        path: of the file.
        kind: as `kind_of` found it.
        page: which page to describe if there are several, counted from 1; the first unless given.

    Raises:
        CutShort: the head is damaged, or speaks of more bytes than the file has.
    """
    with path.open("rb") as file:
        return _of_tiff(file, page) if kind == "TIFF" else _of_others(file, kind)


def _of_tiff(file: BinaryIO, page: int | None) -> Header:
    reader = TagReader.of(file)
    directories = reader.directories()
    if not directories:
        raise CutShort
    index = page - 1 if page and page <= len(directories) > 1 else 0
    tags = reader.tags(directories[index], _WANTED)
    if not are_all_there(tags, reader.size):
        raise CutShort
    packing = _first(tags, tiff.COMPRESSION, 1)
    return Header(
        kind="TIFF",
        densities=_densities(tags),
        has_profile=tiff.ICC_PROFILE in tags,
        pages=len(directories),
        page=index,
        lab=_lab(tags),
        numbers=_unusual_numbers(tags),
        unexplained_channel=0 in tags.get(tiff.EXTRA_SAMPLES, ()),
        tiled=tiff.TILE_OFFSETS in tags,
        unread=None if packing in _READ else _UNREAD.get(packing, f"method {packing}"),
    )


def _of_others(file: BinaryIO, kind: str) -> Header:
    """PNG and JPEG, by Pillow."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(file, formats=[kind]) as image:
                info, pixels = dict(image.info), image.width * image.height
    except Exception as fault:  # a crafted header may raise anything, ValueError among it
        raise CutShort from fault
    # Pillow leaves None in the place of a profile that it could not put together.
    # A decoder would set memory aside for all that is claimed.
    if kind == "JPEG" and pixels > _PIXELS_PER_BYTE * file.seek(0, os.SEEK_END):
        raise CutShort
    densities = (*_density_of(info, kind), *_in_exif(info))
    return Header(kind, densities, "icc_profile" in info)


def _density_of(info: dict[Any, Any], kind: str) -> tuple[Density, ...]:
    """JFIF's density or PNG's pHYs. Source: JFIF 1.02 page 5; PNG specification, pHYs."""
    if "jfif_unit" in info:
        return (_density(info["jfif_density"], _JFIF_UNITS_PER_INCH.get(info["jfif_unit"], 0.0)),)
    if "aspect" in info:
        return (_density(info["aspect"], 0.0),)
    # In a JPEG without JFIF this would be Pillow's reading of Exif, which knows one axis only.
    return (_density(info["dpi"], 1.0),) if kind == "PNG" and "dpi" in info else ()


def _density(axes: tuple[float, float], per_inch: float) -> Density:
    across, down = axes
    return Density(across, down, per_inch)


def _in_exif(info: dict[Any, Any]) -> tuple[Density, ...]:
    """A JPEG may carry its resolution in Exif alone. Broken Exif is no reason to hold a scan."""
    try:
        reader = TagReader.of(io.BytesIO(info.get("exif", b"").removeprefix(b"Exif\0\0")))
        return _densities(reader.tags(reader.directories()[0], _DENSITY))
    except (CutShort, IndexError):
        return ()


def _densities(tags: Tags) -> tuple[Density, ...]:
    unit = _first(tags, tiff.RESOLUTION_UNIT, _INCH)
    across, down = _ratio(tags, tiff.X_RESOLUTION), _ratio(tags, tiff.Y_RESOLUTION)
    return (Density(across, down, _UNITS_PER_INCH.get(unit, 0.0)),)


def _ratio(tags: Tags, tag: int) -> float:
    """The first number or fraction of a tag; 0 where it is missing or has nothing below the line."""
    if tag not in tags:
        return 0.0
    above, below, *_ = *np.ravel(tags[tag][0]).astype(float), 1.0
    return float(above / below) if below else 0.0


def _first(tags: Tags, tag: int, default: int) -> int:
    return int(np.ravel(tags[tag])[0]) if tag in tags else default


def _lab(tags: Tags) -> LabKind | None:
    kind = _LAB.get(_first(tags, tiff.PHOTOMETRIC, 0))
    return kind if kind is None or _white_is_d50(tags) else "other"


def _white_is_d50(tags: Tags) -> bool:
    """Also where the file does not say: TIFF 6.0 names D65, but what is written is ICC's D50 (common practice)."""
    if tiff.WHITE_POINT not in tags:
        return True
    white = tags[tiff.WHITE_POINT].astype(float)
    if white.shape != (2, 2):
        return False
    above, below = white.T
    return bool((np.abs(above - below * _D50) <= below * _NEAR).all())


def _unusual_numbers(tags: Tags) -> str | None:
    bits, kind = _first(tags, tiff.BITS, 1), _SAMPLE_FORMATS.get(_first(tags, tiff.SAMPLE_FORMAT, 1))
    return None if kind is None and bits in _USUAL_BITS else f"{bits} bit {kind or 'whole'} numbers"

"""Mending a TIFF in memory, so that libvips gives its pixels as they are.

libtiff gives up a whole file for nonsense in a tag that is not about its pixels. Strict reading is what finds a
scan that was cut short, so it stays; what is mended says nothing afterwards. And libvips refuses CIELAB of 8 bits
and halves the lightness of 16, so it is told RGB, and the three numbers come through untouched.
"""

from pathlib import Path

from platemark.flow.headers import kind_of
from platemark.flow.tiff_tags import ORIENTATION, PHOTOMETRIC, RESOLUTION_UNIT, TagReader

# What TIFF 6.0 knows, and for both: 1, which claims nothing (upright; no absolute unit).
_KNOWN = {ORIENTATION: range(1, 9), RESOLUTION_UNIT: range(1, 4)}
_NOTHING = 1
_RGB = 2
_LAB = (8, 9)  # CIELab and ICCLab


def mended(path: Path, page: int) -> bytearray | None:
    """The whole file, in memory, with such tags changed; or None if there are none, as is usual.

    For a scan of CIELAB that is up to 6 bytes a pixel, so max_megapixels bounds it.

    Args:
        path: of a file whose header could be read; only a TIFF needs mending.
        page: counted from 0.
    """
    if kind_of(path) != "TIFF":
        return None
    with path.open("rb") as file:
        reader = TagReader.of(file)
        directory = reader.directories()[page]
        tags = reader.tags(directory, frozenset({*_KNOWN, PHOTOMETRIC}))
        better = {tag: _better(tag, int(values.flat[0])) for tag, values in tags.items()}
        changes = [
            (reader.place(directory, tag), value.to_bytes(tags[tag].itemsize, reader.order))
            for tag, value in better.items()
            if value != tags[tag].flat[0]
        ]
        if not changes:
            return None
        file.seek(0)
        data = bytearray(file.read())
    for place, value in changes:
        data[place : place + len(value)] = value
    return data


def _better(tag: int, value: int) -> int:
    if tag == PHOTOMETRIC:
        return _RGB if value in _LAB else value
    return value if value in _KNOWN[tag] else _NOTHING

"""Mending a TIFF in memory: libtiff gives up a whole file for nonsense in a tag that is not about its pixels.

Strict reading is what finds a scan that was cut short, so it stays; what is mended says nothing afterwards.
"""

from pathlib import Path

from platemark.flow.headers import kind_of
from platemark.flow.tiff_tags import ORIENTATION, RESOLUTION_UNIT, TagReader

# What TIFF 6.0 knows, and for both: 1, which claims nothing (upright; no absolute unit).
_KNOWN = {ORIENTATION: range(1, 9), RESOLUTION_UNIT: range(1, 4)}
_NOTHING = 1


def mended(path: Path, page: int) -> bytes | None:
    """The whole file with its nonsense taken out, or None if there is none, as is usual.

    Args:
        path: of a file whose header could be read; only a TIFF needs mending.
        page: counted from 0.
    """
    if kind_of(path) != "TIFF":
        return None
    with path.open("rb") as file:
        reader = TagReader.of(file)
        directory = reader.directories()[page]
        tags = reader.tags(directory, frozenset(_KNOWN))
        wrong = [tag for tag, values in tags.items() if int(values.flat[0]) not in _KNOWN[tag]]
        if not wrong:
            return None
        places = [(reader.place(directory, tag), tags[tag].itemsize) for tag in wrong]
        file.seek(0)
        data = bytearray(file.read())
    for place, size in places:
        data[place : place + size] = _NOTHING.to_bytes(size, reader.order)
    return bytes(data)

"""Where the pixels of a TIFF lie, strip by strip or tile by tile, and whether all of them are in the file.

libtiff takes what a list of strips lacks for empty, and would give black.

Source: TIFF 6.0, sections 3 (strips) and 15 (tiles).
"""

from math import ceil

import numpy as np

from platemark.flow import tiff_tags as tiff
from platemark.flow.tiff_tags import Tags

_LISTS = ((tiff.STRIP_OFFSETS, tiff.STRIP_BYTES), (tiff.TILE_OFFSETS, tiff.TILE_BYTES))
_SIZES = (tiff.WIDTH, tiff.LENGTH, tiff.ROWS_PER_STRIP, tiff.TILE_WIDTH, tiff.TILE_LENGTH, tiff.SAMPLES, tiff.PLANAR)
PLACES = frozenset({*_SIZES, *(tag for pair in _LISTS for tag in pair)})
"""The tags that are asked."""

_APART = 2  # PlanarConfiguration: each channel has strips of its own


def are_all_there(tags: Tags, size: int) -> bool:
    """True when the file lists as many strips or tiles as its picture needs, and none ends beyond the file.

    Args:
        tags: those of `PLACES` that one directory has.
        size: of the file in bytes.
    """
    for offsets, sizes in _LISTS:
        if offsets in tags and tags[offsets].size < _needed(tags, tiled=offsets == tiff.TILE_OFFSETS):
            return False
        if offsets in tags and sizes in tags and tags[offsets].shape == tags[sizes].shape:
            ends = tags[offsets].astype(np.uint64) + tags[sizes].astype(np.uint64)
            if ends.max() > size:
                return False
    return True


def _needed(tags: Tags, *, tiled: bool) -> int:
    """How many strips or tiles the picture is made of; 0 where a size is missing or is nonsense."""
    width, length = _number(tags, tiff.WIDTH), _number(tags, tiff.LENGTH)
    across = _number(tags, tiff.TILE_WIDTH) if tiled else width
    down = _number(tags, tiff.TILE_LENGTH) if tiled else _number(tags, tiff.ROWS_PER_STRIP, length)
    if not across or not down:
        return 0
    planes = _number(tags, tiff.SAMPLES, 1) if _number(tags, tiff.PLANAR, 1) == _APART else 1
    return ceil(width / across) * ceil(length / down) * planes


def _number(tags: Tags, tag: int, default: int = 0) -> int:
    return int(np.ravel(tags[tag])[0]) if tag in tags else default

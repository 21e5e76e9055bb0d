"""Before and after: every repaired spot side by side, numbered as in the manifest."""

from collections.abc import Sequence
from io import BytesIO

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from platemark import Picture, srgb
from platemark_stages.dust.mending import windows
from platemark_stages.dust.spots import Circle, Window, around

_CELL = 96
_ACROSS = 6
_GAP = 8
_LABEL = 16
_QUALITY = 88
_PAPER, _INK = (128, 128, 128), (255, 255, 255)
_HEADING = "Each pair: before, after."

Small = NDArray[np.uint8]


def before_and_after(before: Picture, after: Picture, repairs: Sequence[tuple[str, Sequence[Circle]]]) -> bytes:
    """A JPEG with two squares for each repair.

    Args:
        before: over the scan as it was.
        after: over the mended scan.
        repairs: a name and the circles of each.
    """
    size = before.open().width, before.open().height
    boxes = [_square(circles, size) for _, circles in repairs]
    pairs = [_cut(picture, boxes) for picture in (before, after)]
    lines = -(-len(repairs) // _ACROSS)
    width = _ACROSS * (2 * _CELL + _GAP) + _GAP
    sheet = Image.new("RGB", (width, _LABEL + lines * (_CELL + _LABEL + _GAP) + _GAP), _PAPER)
    draw, font = ImageDraw.Draw(sheet), ImageFont.load_default(_LABEL - 4)
    draw.text((_GAP, 2), _HEADING, fill=_INK, font=font)
    for number, (name, _circles) in enumerate(repairs):
        x = _GAP + number % _ACROSS * (2 * _CELL + _GAP)
        y = _LABEL + _GAP + number // _ACROSS * (_CELL + _LABEL + _GAP)
        draw.text((x, y), name, fill=_INK, font=font)
        for i, cells in enumerate(pairs):
            sheet.paste(Image.fromarray(cells[number]), (x + i * _CELL, y + _LABEL))
    buffer = BytesIO()
    sheet.save(buffer, "JPEG", quality=_QUALITY, subsampling=0, icc_profile=srgb().data)
    return buffer.getvalue()


def _square(circles: Sequence[Circle], size: tuple[int, int]) -> Window:
    """A square around a repair, with four times its room, cut to the scan."""
    left, top, right, bottom = around(circles, 0, (1 << 30, 1 << 30))
    half = max(16, right - left, bottom - top)
    x, y = (left + right) // 2, (top + bottom) // 2
    x, y = min(max(x, 0), size[0] - 1), min(max(y, 0), size[1] - 1)
    return max(0, x - half), max(0, y - half), min(size[0], x + half), min(size[1], y + half)


def _cut(picture: Picture, boxes: Sequence[Window]) -> list[Small]:
    """The windows in sRGB, each brought to a square cell by repeating or leaving out whole pixels."""
    cells: list[Small] = [np.zeros((_CELL, _CELL, 3), np.uint8)] * len(boxes)
    for number, pixels in windows(picture.open(), boxes):
        rows, columns = pixels.shape[:2]
        side = max(rows, columns)
        at = (np.arange(_CELL) * side) // _CELL
        picked = pixels[np.minimum(at, rows - 1)][:, np.minimum(at, columns - 1)]
        cells[number] = picture.with_array(picked).converted(srgb()).eight_bits()
    return cells

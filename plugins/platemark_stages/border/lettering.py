"""Lettering: one line of text below the picture, as coverage. Letters are set one by one, without shaping."""

import re
import unicodedata
from collections.abc import Mapping
from functools import lru_cache
from importlib.resources import as_file, files

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

_FONT = ("font_source_serif_pro", "files/SourceSerifPro-Regular.ttf")
_WORD = re.compile(r"\{(\w*)\}")
# No character has this number, so every font shows its box for "not in this font".
_NO_SIGN = "\U0010ffff"
_SEPARATORS = " ,;·–-"


def words_in(pattern: str) -> set[str]:
    """The words in curly brackets.

    >>> sorted(words_in("{title}, {year}"))
    ['title', 'year']
    """
    return set(_WORD.findall(pattern))


def worded(pattern: str, facts: Mapping[str, str]) -> str:
    """Fill in what is known; where a fact is empty, its comma and brackets go with it.

    >>> worded("{title}, {medium}, {year}", {"title": "Heron", "medium": "", "year": "2024"})
    'Heron, 2024'
    """
    text = _WORD.sub(lambda found: facts[found[1]], pattern)
    text = re.sub(r"\(\s*\)", "", text)
    text = re.sub(r"(\s*[,;·])(?:\s*[,;·])+", r"\1", text)
    # Composed: without shaping, an accent that stands as a sign of its own would be set beside its letter.
    return unicodedata.normalize("NFC", " ".join(text.split()).strip(_SEPARATORS))


def missing_signs(text: str) -> str:
    """The characters that the font does not have (it would print boxes), or that would need shaping."""
    font = _font(32)
    box = bytes(font.getmask(_NO_SIGN))
    return "".join(
        sign for sign in dict.fromkeys(text) if unicodedata.combining(sign) or bytes(font.getmask(sign)) == box
    )


def fitting(text: str, height: int, widest: int) -> int:
    """The largest height, in pixels and at most the given one, at which the text is no wider than that."""
    while height > 1 and (width := breadth(text, height)) > widest:
        height = max(1, min(height - 1, height * widest // width))
    return height


def breadth(text: str, height: int) -> int:
    """Pixels across, as `written` makes it."""
    left, _top, right, _bottom = _font(height).getbbox(text)
    return int(right - left) + 2


def written(text: str, height: int) -> NDArray[np.uint8]:
    """The text as coverage, shape (rows, columns), 255 for full; half as high again as the letters' line."""
    font = _font(height)
    left, _top, _right, _bottom = font.getbbox(text)
    image = Image.new("L", (breadth(text, height), height * 3 // 2))
    ImageDraw.Draw(image).text((1 - left, 0), text, fill=255, font=font)
    return np.asarray(image, dtype=np.uint8)


@lru_cache(maxsize=8)  # a page of lettering asks for few sizes, hundreds of times
def _font(height: int) -> ImageFont.FreeTypeFont:
    with as_file(files(_FONT[0]) / _FONT[1]) as path:
        return ImageFont.truetype(str(path), height, layout_engine=ImageFont.Layout.BASIC)

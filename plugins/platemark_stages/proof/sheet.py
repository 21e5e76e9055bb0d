"""The sheet of losses: original, print and map side by side, a legend, the figures, and pairs of swatches."""

from collections.abc import Sequence
from functools import lru_cache

from PIL import Image

from platemark_stages.border.lettering import written
from platemark_stages.proof.scale import STEPS, range_words

_CELL = (480, 600)  # room for each picture
_WIDTH, _MARGIN, _GAP = 1600, 40, 40
Colour = tuple[int, int, int]
Pair = tuple[str, str, str, str]
"""A family: its sentence, its figures, the original's colour and the print's, as "#c8641e"."""
_PAPER: Colour = (255, 255, 255)
_INK: Colour = (32, 32, 32)
_GREY: Colour = (88, 88, 88)
_LINE: Colour = (150, 150, 150)
_TITLE, _TEXT, _SMALL = 40, 27, 24  # heights of lettering; on a screen 1400 pixels wide the smallest still reads well
_KEY = 40  # height of a step of the legend
_SWATCH, _PAIR = (104, 84), 114  # width and height of one colour; from one pair to the next
_LEFT = 660  # width of the figures' column
_HEADINGS = ("the original", "on this paper", "what moves")
_MAP_WORDS = "The colours of the map: how far a colour moves (CIEDE2000)"
_SUFFER = "What suffers most: original, then print"
_NOTHING = "No family of colours moves by more than 2: this paper takes the picture as it is."


def longest_side(size: tuple[int, int]) -> int:
    """Pixels of the longer side of a picture of this size, so that it fits on the sheet."""
    width, height = size
    return max(1, round(max(size) * min(_CELL[0] / width, _CELL[1] / height)))


def losses_sheet(pictures: Sequence[Image.Image], figures: Sequence[str], families: Sequence[Pair]) -> Image.Image:
    """Lay the sheet out.

    Args:
        pictures: original, print and map, of one size.
        figures: a title, then lines.
        families: what suffers most, the worst first.
    """
    sheet = Image.new("RGB", (_WIDTH, 2400), _PAPER)  # cut to what is used: at most some 1700
    y = _write(sheet, figures[0], (_MARGIN, _MARGIN - 10), _TITLE, _WIDTH - 2 * _MARGIN)
    y = _pictures(sheet, pictures, y + 10)
    y = _legend(sheet, y + 24)
    left = top = y + 36
    for line in figures[1:]:
        left = _write(sheet, line, (_MARGIN, left), _TEXT, _LEFT) + 14
    right = _pairs(sheet, families, (_MARGIN + _LEFT + _GAP, top))
    return sheet.crop((0, 0, _WIDTH, max(left, right) + _MARGIN - 14))


def _pictures(sheet: Image.Image, pictures: Sequence[Image.Image], y: int) -> int:
    for number, (image, heading) in enumerate(zip(pictures, _HEADINGS, strict=True)):
        x = _MARGIN + number * (_CELL[0] + _GAP)
        below = _write(sheet, heading, (x, y), _SMALL, _CELL[0]) + 4
        _framed(sheet, image, (x, below))
    return below + pictures[0].height


def _legend(sheet: Image.Image, y: int) -> int:
    y = _write(sheet, _MAP_WORDS, (_MARGIN, y), _SMALL, _WIDTH - 2 * _MARGIN) + 6
    width = (_WIDTH - 2 * _MARGIN) // len(STEPS)
    for number, step in enumerate(STEPS):
        x = _MARGIN + number * width
        _framed(sheet, Image.new("RGB", (width, _KEY), step.colour), (x, y))
        below = _write(sheet, range_words(number), (x, y + _KEY + 4), _SMALL, width)
        below = _write(sheet, step.words, (x, below), _SMALL, width)
    return below


def _pairs(sheet: Image.Image, families: Sequence[Pair], at: tuple[int, int]) -> int:
    x, y = at
    width = _WIDTH - _MARGIN - x
    y = _write(sheet, _SUFFER if families else _NOTHING, (x, y), _TEXT, width) + 14
    beside = x + 2 * _SWATCH[0] + 20
    for sentence, told, *pair in families:
        for number, colour in enumerate(pair):
            # Edge to edge, with nothing between: so the eye sees the smallest step.
            sheet.paste(Image.new("RGB", _SWATCH, colour), (x + number * _SWATCH[0], y))
        below = _write(sheet, sentence, (beside, y - 6), _TEXT, _WIDTH - _MARGIN - beside)
        _write(sheet, told, (beside, below), _SMALL, _WIDTH - _MARGIN - beside, _GREY)
        y += _PAIR
    return y


def _framed(sheet: Image.Image, image: Image.Image, at: tuple[int, int]) -> None:
    """With a thin line around, so that white does not run into the sheet."""
    x, y = at
    sheet.paste(_LINE, (x - 1, y - 1, x + image.width + 1, y + image.height + 1))
    sheet.paste(image, at)


def _write(sheet: Image.Image, text: str, at: tuple[int, int], height: int, widest: int, ink: Colour = _INK) -> int:
    """Lines of text from a left upper corner; gives back where the next line would stand."""
    x, y = at
    for line in _lines(text, height, widest):
        coverage = Image.fromarray(written(line, height))
        sheet.paste(ink, (x, y), coverage)
        y += height * 5 // 4
    return y


def _lines(text: str, height: int, widest: int) -> list[str]:
    """Broken between words."""
    lines: list[str] = []
    room, space = 0, height // 4
    for word in text.split():
        wide = _wide(word, height)
        if lines and wide <= room:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
            room = widest
        room -= wide + space
    return lines


@lru_cache(maxsize=256)  # many words come back
def _wide(text: str, height: int) -> int:
    return int(written(text, height).shape[1])

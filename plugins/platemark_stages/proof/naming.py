"""Everyday words: for a colour, for what became of it, for where it lies."""

import math

import numpy as np
from numpy.typing import NDArray

Colour = tuple[float, float, float]
"""CIELAB, D50."""

# Where each hue begins, in degrees of CIELAB. Bounds lie between the hues that CSS Color 4 gives these names
# (red 41, orangered 46, orange 71, yellow 100, green 134, teal 196, blue 301, purple 327; its blues go down to 231).
_HUES = (
    (15, "red"), (42, "red-orange"), (56, "orange"), (78, "yellow"), (112, "yellow-green"), (126, "green"),
    (165, "blue-green"), (215, "blue"), (306, "violet"), (341, "rose"),
)  # fmt: skip
# The four hues that look like no mixture, where they lie in CIELAB (from memory), and what a step there is called.
_TOWARDS = ((25, "redder"), (95, "yellower"), (150, "greener"), (270, "bluer"))
_NEUTRAL = 7.0  # chroma below which a patch by itself is called grey (common practice)
_MUTED, _STRONG = 20.0, 50.0
_BLACK, _DARK, _LIGHT = 15.0, 35.0, 75.0
# A second word is added where its part is nearly as large as the first one's.
_NEARLY = 0.6
_COLUMNS, _ROWS = ("left", "centre", "right"), ("upper", "middle", "lower")
_MOSTLY = 0.55  # of its area: so much in one place is what the eye goes to


def colour_words(lab: Colour) -> str:
    """A colour's name.

    >>> colour_words((62.0, 35.0, 60.0)), colour_words((30.0, 12.0, -50.0)), colour_words((90.0, 1.0, 2.0))
    ('strong orange', 'deep blue', 'light grey')
    """
    lightness, chroma = lab[0], math.hypot(lab[1], lab[2])
    if chroma < _NEUTRAL or (lightness < _BLACK and chroma < _MUTED):
        return _grey(lightness)
    hue = _hue_word(lightness, chroma, math.degrees(math.atan2(lab[2], lab[1])) % 360)
    if chroma >= _STRONG:
        return f"{'deep' if lightness < _DARK else 'strong'} {hue}"
    if lightness >= _LIGHT:
        return f"pale {hue}"
    return ("dark " if lightness < _DARK else "") + ("muted " if chroma < _MUTED else "") + hue


def change_words(before: Colour, after: Colour, apart: float) -> str:
    """What the print does to a colour: "a little duller", "much darker and redder".

    Args:
        before: of the original.
        after: of the print.
        apart: how far they lie from each other, CIEDE2000.
    """
    parts = sorted(_parts(before, after), reverse=True)
    words = [word for size, word in parts[:2] if size >= _NEARLY * parts[0][0]]
    return ("a little " if apart < 4 else "much " if apart >= 10 else "") + " and ".join(words)


def place_words(x: NDArray[np.floating], y: NDArray[np.floating]) -> str:
    """Where in the picture.

    Args:
        x: of its pixels, 0 left to 1 right.
        y: as `x`, 0 top to 1 bottom.

    >>> place_words(np.array([0.1, 0.2]), np.array([0.1, 0.3]))
    'in the upper left'
    """
    cells = np.zeros((3, 3))
    np.add.at(cells, (_third(y), _third(x)), 1 / len(x))
    row, column = (int(i) for i in np.unravel_index(cells.argmax(), (3, 3)))
    if cells[row, column] >= _MOSTLY:
        return _cell(row, column)
    rows, columns = cells.sum(axis=1), cells.sum(axis=0)
    if rows.max() >= max(_MOSTLY, columns.max()):
        return ("along the top", "across the middle", "along the bottom")[int(rows.argmax())]
    if columns.max() >= _MOSTLY:
        return ("on the left", "down the middle", "on the right")[int(columns.argmax())]
    return "in many places"


def _third(at: NDArray[np.floating]) -> NDArray[np.intp]:
    return np.minimum((at * 3).astype(np.intp), 2)


def _cell(row: int, column: int) -> str:
    if row == column == 1:
        return "in the centre"
    if column == 1:
        return ("at the top", "", "at the bottom")[row]
    return f"on the {_COLUMNS[column]}" if row == 1 else f"in the {_ROWS[row]} {_COLUMNS[column]}"


def _grey(lightness: float) -> str:
    bounds = ((_BLACK, "black"), (_DARK, "dark grey"), (_LIGHT, "grey"), (94, "light grey"))
    return next((word for end, word in bounds if lightness < end), "white")


def _hue_word(lightness: float, chroma: float, hue: float) -> str:
    """Dark and pale shades of some hues have names of their own."""
    if 40 <= hue < 88 and (lightness < 50 or chroma < 40) and chroma < 62:
        return "brown" if lightness < 65 else "beige"
    if 88 <= hue < 120 and lightness < 60:
        return "olive"
    if (hue >= 341 or hue < 40) and lightness >= 60 and chroma < 70:
        return "pink"
    return [word for start, word in ((0, "rose"), *_HUES) if hue >= start][-1]


def _parts(before: Colour, after: Colour) -> list[tuple[float, str]]:
    """Lightness, chroma and hue of the step, each in the measure of CIEDE2000 without its finer weights."""
    (l1, a1, b1), (l2, a2, b2) = before, after
    c1, c2 = math.hypot(a1, b1), math.hypot(a2, b2)
    off = ((l1 + l2) / 2 - 50) ** 2
    lighter = (l2 - l1) / (1 + 0.015 * off / math.sqrt(20 + off))
    if c1 < _NEUTRAL:
        tinge = math.hypot(a2 - a1, b2 - b1) / (1 + 0.045 * c2)
        return [(abs(lighter), _lighter(lighter)), (tinge, _nearest(math.degrees(math.atan2(b2 - b1, a2 - a1)) % 360))]
    stronger, turn = (c2 - c1) / (1 + 0.045 * (c1 + c2) / 2), math.atan2(a1 * b2 - a2 * b1, a1 * a2 + b1 * b2)
    turned = 2 * math.sqrt(c1 * c2) * math.sin(turn / 2) / (1 + 0.015 * (c1 + c2) / 2)
    return [
        (abs(lighter), _lighter(lighter)),
        (abs(stronger), "stronger" if stronger > 0 else "duller"),
        (abs(turned), _towards(math.degrees(math.atan2(b1, a1)) % 360, turned)),
    ]


def _lighter(step: float) -> str:
    return "lighter" if step > 0 else "darker"


def _nearest(hue: float) -> str:
    return min(_TOWARDS, key=lambda place: abs((hue - place[0] + 180) % 360 - 180))[1]


def _towards(hue: float, turn: float) -> str:
    """The next of the four plain hues on the way; one that is as good as reached is passed."""
    way = 1 if turn > 0 else -1
    return min(_TOWARDS, key=lambda place: (way * (place[0] - hue) - 8) % 360)[1]

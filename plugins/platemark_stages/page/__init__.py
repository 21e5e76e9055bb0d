"""A page that is drawn, not scanned: plain boxes and lettering on bare paper, in whole pixels."""

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from platemark import Parameters, Profile, paint
from platemark_stages.border.lettering import breadth, written

Page = NDArray[np.uint16]
"""Shape (rows, columns, channels)."""
_FULL = 65535


class Box(Parameters):
    """A place on the page."""

    x: int = Field(description="Pixels from the left edge of the page.")
    y: int = Field(description="Pixels from the top edge of the page.")
    width: int = Field(gt=0, description="Pixels.")
    height: int = Field(gt=0, description="Pixels.")


class Tone(Box):
    """A box of one grey."""

    grey: int = Field(0, ge=0, le=_FULL, description="Grey of sRGB, 0 is black and 65535 bare paper.")


class Line(Parameters):
    """A line of lettering."""

    text: str = Field(description="The letters.")
    x: int = Field(description="Pixels from the left edge of the page to the first letter.")
    y: int = Field(description="Pixels from the top edge of the page to the letters' line.")
    px: int = Field(gt=0, description="Pixels, height of the letters' line.")


def blank(width: int, height: int, profile: Profile) -> Page:
    """Bare paper."""
    return np.broadcast_to(np.array(profile.blank, np.uint16), (height, width, profile.bands)).copy()


def fill(page: Page, tones: Iterable[Tone], profile: Profile) -> None:
    """Fill boxes with grey."""
    for tone in tones:
        page[tone.y : tone.y + tone.height, tone.x : tone.x + tone.width] = paint((tone.grey,) * 3, profile)


def letter(page: Page, lines: Iterable[Line], colour: Sequence[int]) -> None:
    """Write lines in one colour; what would stick out of the page is cut."""
    for line in lines:
        coverage = written(line.text, line.px)
        ground = page[line.y : line.y + coverage.shape[0], line.x : line.x + coverage.shape[1]]
        share = coverage[: ground.shape[0], : ground.shape[1], None].astype(np.uint32)
        mixed = (ground.astype(np.uint32) * (255 - share) + np.array(colour, np.uint32) * share + 127) // 255
        ground[:] = mixed.astype(np.uint16)


def broken(text: str, px: int, widest: int) -> list[str]:
    """The text in lines no wider than that; a word that is wider gets a line of its own."""
    lines: list[str] = []
    for word in text.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and breadth(longer, px) <= widest:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


def paragraph(text: str, at: tuple[int, int], px: int, widest: int) -> list[Line]:
    """Lines below each other, a third of a line apart."""
    x, y = at
    return [Line(text=line, x=x, y=y + n * px * 4 // 3, px=px) for n, line in enumerate(broken(text, px, widest))]


def grey_of_lightness(lightness: float) -> int:
    """The grey of sRGB that has this L*, 0 to 100, in 16 bits.

    Source:
        CIE 15 (L* of Y) and IEC 61966-2-1 (the curve of sRGB).

    >>> grey_of_lightness(50), grey_of_lightness(100)
    (30561, 65535)
    """
    f = (lightness + 16) / 116
    light = f**3 if f > 6 / 29 else (116 * f - 16) * 27 / 24389
    code = 12.92 * light if light <= 0.0031308 else 1.055 * light ** (1 / 2.4) - 0.055
    return round(code * _FULL)

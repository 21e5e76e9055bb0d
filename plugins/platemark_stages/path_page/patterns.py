"""What is drawn in whole pixels of black and white: scales of millimetres, and patterns that no resampling leaves."""

from collections.abc import Iterable
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from platemark import Parameters, millimetres_to_pixels
from platemark_stages.page import Box, Page

_WHITE = 65535
# Longer every five and every ten millimetres, as on a ruler.
_TICKS_MM = {10: 4.0, 5: 3.0, 1: 1.8}


class Ruler(Parameters):
    """A scale that begins at x, y, its ticks to the right or below."""

    x: int = Field(description="Pixels from the left edge of the page.")
    y: int = Field(description="Pixels from the top edge of the page.")
    length: int = Field(gt=0, description="Millimetres.")
    down: bool = Field(description="It runs down the page, not across.")


class Pattern(Box):
    """A box of black and white."""

    kind: Literal["across", "down", "checks"] = Field(description="Lines across, lines down, or a chessboard.")
    black: int = Field(ge=0, description="Pixels of black in a period.")
    period: int = Field(gt=0, description="Pixels.")


def draw_rulers(page: Page, rulers: Iterable[Ruler], ppi: int) -> None:
    """A tick a millimetre; the first edge of the scale is nought, and each tick's own middle is its millimetre."""
    wide = max(1, millimetres_to_pixels(0.1, ppi))
    for ruler in rulers:
        for mm in range(1, ruler.length):
            at = millimetres_to_pixels(float(mm), ppi) - wide // 2
            long = millimetres_to_pixels(next(tick for every, tick in _TICKS_MM.items() if mm % every == 0), ppi)
            if ruler.down:
                page[ruler.y + at : ruler.y + at + wide, ruler.x : ruler.x + long] = 0
            else:
                page[ruler.y : ruler.y + long, ruler.x + at : ruler.x + at + wide] = 0


def draw_patterns(page: Page, patterns: Iterable[Pattern]) -> None:
    """White where the period is past its black."""
    for pattern in patterns:
        white = _white(pattern)
        page[pattern.y : pattern.y + pattern.height, pattern.x : pattern.x + pattern.width] = white[..., None]


def _white(pattern: Pattern) -> NDArray[np.uint16]:
    down, across = (np.arange(side) % pattern.period >= pattern.black for side in (pattern.height, pattern.width))
    whole = {
        "across": np.broadcast_to(down[:, None], (pattern.height, pattern.width)),
        "down": np.broadcast_to(across[None, :], (pattern.height, pattern.width)),
        "checks": down[:, None] ^ across[None, :],
    }[pattern.kind]
    return whole.astype(np.uint16) * np.uint16(_WHITE)

"""The colour scale of the difference map: six steps, from pale to dark, so that it reads without seeing hue."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platemark.flow.comparing.measuring import Colours


@dataclass(frozen=True)
class Step:
    """One step of the scale, from `start` on."""

    start: float
    colour: tuple[int, int, int]
    words: str


# Bounds and words: common practice; 1.5 and 3 are those of the verdict. Each step is darker than the one before by
# some 15 in L*, which any eye tells apart, and so does a black and white print of the page.
STEPS = (
    Step(0.0, (246, 243, 230), "hardly anybody sees it"),
    Step(1.0, (244, 214, 128), "just visible, side by side"),
    Step(1.5, (232, 160, 62), "visible when looked for"),
    Step(3.0, (200, 92, 40), "plain to see"),
    Step(6.0, (132, 36, 74), "another shade"),
    Step(12.0, (46, 14, 58), "another colour"),
)
OUTSIDE = (168, 174, 180)  # grey, between two steps and bluish: where only one of the sheets lies


def coloured(colours: Colours) -> NDArray[np.uint8]:
    """The map, shape (rows, columns, 3), 8 bits."""
    palette = np.array([step.colour for step in STEPS], np.uint8)
    mapped = palette[_numbers(colours)]
    mapped[~colours.inside] = OUTSIDE
    return mapped


def shares(colours: Colours) -> list[float]:
    """What share of the picture each step covers."""
    counts = np.bincount(_numbers(colours)[colours.inside], minlength=len(STEPS))
    return [float(count) for count in counts / max(1, counts.sum())]


def _numbers(colours: Colours) -> NDArray[np.intp]:
    numbers: NDArray[np.intp] = np.digitize(colours.apart, [step.start for step in STEPS[1:]])
    return numbers

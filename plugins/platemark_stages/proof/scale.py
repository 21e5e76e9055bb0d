"""The colour scale of the map of losses: six steps from pale to dark, so that it reads without seeing hue."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Step:
    """One step of the scale.

    Attributes:
        start: CIEDE2000 from which it counts.
        colour: sRGB, 8 bits.
        words: what such a difference looks like (common practice).
    """

    start: float
    colour: tuple[int, int, int]
    words: str


# Each step is twice the one before and darker by 12 to 21 in L*: it reads in black and white, and with a cone missing.
STEPS = (
    Step(0, (244, 240, 226), "hardly visible"),
    Step(1, (190, 202, 168), "visible side by side"),
    Step(2, (118, 170, 155), "seen when looked for"),
    Step(4, (58, 128, 145), "plain to see"),
    Step(8, (46, 84, 124), "another shade"),
    Step(16, (34, 28, 76), "another colour"),
)


def coloured(apart: NDArray[np.float32]) -> NDArray[np.uint8]:
    """The map of CIEDE2000 in the colours of the scale.

    Args:
        apart: shape (rows, columns).

    Returns:
        sRGB, shape (rows, columns, 3).
    """
    palette = np.array([step.colour for step in STEPS], np.uint8)
    return palette[np.digitize(apart, [step.start for step in STEPS[1:]])]


def range_words(number: int) -> str:
    """The bounds of a step, by its number from 0.

    >>> range_words(0), range_words(2), range_words(5)
    ('0 to 1', '2 to 4', 'over 16')
    """
    start = STEPS[number].start
    return f"{start:g} to {STEPS[number + 1].start:g}" if number + 1 < len(STEPS) else f"over {start:g}"

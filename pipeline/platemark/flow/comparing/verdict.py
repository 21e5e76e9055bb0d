"""The verdict: numbers in plain words, and whether the second passes for the first."""

from dataclasses import dataclass
from typing import Literal

from platemark.flow.comparing.measuring import OFF, Area, Colours
from platemark.flow.comparing.registering import Registered
from platemark.flow.comparing.sharpness import Kept

Word = Literal["passes", "look at it", "does not match"]

# Mean CIEDE2000 of a reprint against its model (common practice): at most 1.5 passes, up to 3 is looked at beside it
# in the light it is judged in, over 3 is stopped.
PASS, STOP = 1.5, 3.0
# What a mean hides: an area as large as a thumb that is off by more than 3, and detail whose contrast has halved
# (half the contrast is how sharpness is commonly stated). Common practice, both.
AREA_MM2, HALF = 400.0, 0.5


@dataclass(frozen=True)
class Verdict:
    """What was decided, and why.

    Attributes:
        word: passes, look at it, or does not match.
        reasons: one sentence each; what decided comes first.
        findings: what was measured, one sentence each.
    """

    word: Word
    reasons: tuple[str, ...]
    findings: tuple[str, ...]


def judge(colours: Colours, kept: list[Kept], found: Registered) -> Verdict:
    """Hold the figures against the thresholds."""
    stops = [f"the colours differ by {colours.mean:.1f} on average, more than {STOP:g}"] if colours.mean > STOP else []
    looks = []
    if PASS < colours.mean <= STOP:
        looks.append(f"the colours differ by {colours.mean:.1f} on average, between {PASS:g} and {STOP:g}")
    if colours.area and colours.area.square_mm >= AREA_MM2:
        looks.append(
            f"one area of {_square(colours.area)} is off by {colours.area.mean:.1f}, which the average does not show"
        )
    soft = [band for band in kept if band.share < HALF and band.lines <= 2]
    if soft:
        looks.append(f"detail of {soft[0].lines:g} lines per millimetre kept only {soft[0].share:.0%} of its contrast")
    fine = [f"the colours differ by {colours.mean:.1f} on average, not more than {PASS:g}"]
    word: Word = "does not match" if stops else "look at it" if looks else "passes"
    return Verdict(word, tuple(stops + looks or fine), tuple(_findings(colours, kept, found)))


def _findings(colours: Colours, kept: list[Kept], found: Registered) -> list[str]:
    return [
        f"On average the colours differ by {colours.mean:.2f} (CIEDE2000; 1 is just visible side by side).",
        f"Nineteen twentieths of the picture differ by less than {colours.p95:.2f}.",
        _drift(colours.shift),
        _area(colours.area),
        _sharpness(kept),
        _lie(found),
    ]


def _lie(found: Registered) -> str:
    return (
        f"The two were laid on each other by {found.matches} details, half of them within {found.residual:.2f} mm; "
        f"the second is {100 / found.placement.scale:.1f} % of the first in size."
    )


def _drift(shift: tuple[float, float, float]) -> str:
    """Which way the colours went. Half a unit is below what anyone sees."""
    words = [
        f"{more if value > 0 else less} by {abs(value):.1f}"
        for value, more, less in zip(
            shift, ("lighter", "redder", "yellower"), ("darker", "greener", "bluer"), strict=True
        )
        if abs(value) >= 0.5
    ]
    return f"As a whole the second is {', '.join(words)}." if words else "As a whole the colours went nowhere."


def _area(area: Area | None) -> str:
    if area is None:
        return f"No area is off by more than {OFF:g}."
    left, top, width, height = area.box
    return (
        f"The largest area off by more than {OFF:g} is {_square(area)}, {area.mean:.1f} on average, within a box of "
        f"{width:.0f} x {height:.0f} mm that begins {left:.0f} mm from the left and {top:.0f} mm from the top."
    )


def _square(area: Area) -> str:
    return f"{area.square_mm / 100:.1f} cm²" if area.square_mm >= 100 else f"{area.square_mm:.0f} mm²"


def _sharpness(kept: list[Kept]) -> str:
    if not kept:
        return "Sharpness could not be told: the first shows no fine detail above its noise."
    said = ", ".join(f"{band.share:.0%} at {band.lines:g}" for band in kept)
    return f"Of the contrast of fine detail the second keeps {said} lines per millimetre."

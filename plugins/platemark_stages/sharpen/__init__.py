"""Sharpen: make up for what the paper takes from edges, at the final size, before the border.

Ink spreads, and the eye is at a distance: a print looks softer than its file. Along edges, and only there, the dark
side is made a little darker and the light side a little lighter. Paper grain and flat washes stay as they are.
"""

from math import hypot, sqrt
from typing import Annotated

from pydantic import Field

from platemark import Job, Length, Parameters, Picture, Settings, Share, Stage
from platemark_stages.sharpen.detail import gaussian, sharpened
from platemark_stages.sharpen.gain import gain_table
from platemark_stages.sharpen.grain import grain_of

# Times the detail that a blur takes away, for the narrowest halo. Matte wants about 30 % more than gloss (common
# practice); with these the response of an edge as sharp as scans come peaks between 1.15 and 1.4 (bench/sharpen.py).
_AMOUNT = {"gloss": 0.6, "satin": 0.7, "matte": 0.8, "textured": 0.9}
# Seen from 30 cm a halo of 0.25 mm is as wide as one of 0.5 mm from 60 cm: 2.9 minutes of arc, of which the eye
# resolves about one. Narrower than 0.25 mm the printer cannot draw it, wider than 0.5 mm it is seen as a line.
_DISTANCE_TO_HALO = 1200
_HALO_MM = (0.25, 0.5)
_NEAREST_MM = 300.0
# On an edge as sharp as scans come, its own blur a deviation of 0.04 mm, both lines together are so many deviations of
# the blur wide, from half the depth of one to half the height of the other (bench/sharpen.py).
_HALO_TO_DEVIATION = 2.4
_WHITE = 65535
# A mask from 2.5 deviations lets 1 % of the grain's own peaks through, and those hardly (see `gain_table`).
_DEVIATIONS = 2.5
# One level of 8 bits: its steps are no detail. Above 1 % of the range it is no grain but drawing (in 16-bit steps).
_LEAST_MASK = 257
_MOST_GRAIN = 655


class SharpenSettings(Settings):
    """How much, and for whom."""

    strength: float = Field(
        1.0, ge=0, le=2, description="Times what the surface of the paper asks for; 0 leaves the picture as it is."
    )
    distance: Length = Field(
        default=0.0,
        le=5000,
        description="From where it is looked at; 0 for as far as the picture's diagonal is long, at least 300 mm.",
    )
    overshoot: Share = Field(
        default=0.1, le=0.3, description="The most that is lightened or darkened, of the range from black to white."
    )


class SharpenParameters(Parameters):
    """A blur, and what is done with the detail it takes away."""

    amount: float = Field(ge=0, description="Times that detail is added; 0 leaves the picture as it is.")
    halo_mm: float = Field(0.0, ge=0, description="Width of both lines along an edge, millimetres on paper.")
    taps: list[Annotated[int, Field(ge=0)]] = Field(
        [], description="Weights of the blur along rows and columns, from the middle outwards; `halo_mm` in pixels."
    )
    mask: int = Field(_LEAST_MASK, ge=1, le=_WHITE, description="16-bit steps; weaker detail is taken for grain.")
    limit: int = Field(1, ge=1, le=_WHITE, description="16-bit steps: the most that is lightened or darkened.")


class Sharpen(Stage[SharpenSettings, SharpenParameters]):
    """Sharpens for print, in lightness only."""

    name = "sharpen"
    version = 1

    def measure(self, picture: Picture, settings: SharpenSettings, job: Job) -> SharpenParameters:
        """Strength by the paper's surface, width by the distance, mask by the picture's own grain."""
        if picture.profile.colour_space not in {"RGB", "GRAY"}:
            job.notice("left_alone", f"a picture in {picture.profile.colour_space} is not sharpened")
            return SharpenParameters(amount=0)
        halo = _halo(picture, settings.distance)
        amount = _amount(settings.strength, job.paper.surface, halo)
        if not (amount and settings.overshoot):
            return SharpenParameters(amount=0)
        taps = gaussian(halo / _HALO_TO_DEVIATION / 25.4 * picture.ppi)
        image = picture.remember(_key(picture), picture.pixels)
        grain = min(grain_of(image, picture.ppi, taps), _MOST_GRAIN)
        job.notice("grain", round(grain / _WHITE, 4))
        return SharpenParameters(
            amount=amount,
            halo_mm=halo,
            taps=taps,
            mask=max(_LEAST_MASK, round(_DEVIATIONS * grain)),
            limit=max(1, round(settings.overshoot * _WHITE)),
        )

    def apply(self, picture: Picture, parameters: SharpenParameters) -> Picture:
        """Add detail along edges."""
        if not (parameters.amount and any(parameters.taps)):
            return picture
        table = gain_table(parameters.amount, parameters.mask, parameters.limit)
        image = picture.take(_key(picture), picture.pixels)
        return picture.with_pixels(sharpened(image, parameters.taps, table))


def _halo(picture: Picture, distance: float) -> float:
    """Millimetres on paper: the same to the eye from any distance, within what a printer draws and nobody sees."""
    diagonal = hypot(picture.width, picture.height) / picture.ppi * 25.4
    seen_from = distance or max(diagonal, _NEAREST_MM)
    return round(min(max(seen_from / _DISTANCE_TO_HALO, _HALO_MM[0]), _HALO_MM[1]), 3)


def _amount(strength: float, surface: str, halo: float) -> float:
    """How much for this paper; less for a wide halo, which a blur fills with more: about as the root of its width."""
    return round(strength * _AMOUNT.get(surface, _AMOUNT["matte"]) * sqrt(_HALO_MM[0] / halo), 3)


def _key(picture: Picture) -> tuple[object, ...]:
    """The rendered pixels, kept from `measure` until `apply` takes them away: they are large."""
    return ("sharpen", picture.placement, picture.size)

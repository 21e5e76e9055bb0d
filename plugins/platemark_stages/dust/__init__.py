"""Dust: take specks, hairs and the streaks of a dirty sensor off the scan.

It mends the scan's own pixels and leaves the geometry waiting: `apply` gives a picture over a source that is mended as
it is read, so a print is still resampled once, and spots stand in scan pixels whatever turn and crop come before.
Put it after crop: then only what the print shows is looked at.

Precision goes before completeness: a speck that stays can be added by hand, ink that was taken away shows on the print.
"""

from collections.abc import Mapping
from typing import Any, Literal

from pydantic import Field, model_validator

from platemark import Job, Parameters, Picture, Settings, Stage
from platemark_stages.dust.finding import find_dust
from platemark_stages.dust.judging import CAREFUL, THOROUGH
from platemark_stages.dust.mending import Mended
from platemark_stages.dust.showing import before_and_after
from platemark_stages.dust.spots import Circle, along

Spot = tuple[float, float, float]
_CARE = {"careful": CAREFUL, "thorough": THOROUGH}


class DustSettings(Settings):
    """How much to take for dust."""

    strength: Literal["off", "careful", "thorough"] = Field(
        "careful",
        description="careful: only what can hardly be ink. thorough: also specks near strokes and in company. "
        'off: nothing, as for art = "line" where no strength is written.',
    )
    art: Literal["line", "wash"] = Field(
        "wash", description="line: drawings, in which a dot may be ink. wash: painted art."
    )
    picture: bool = Field(default=True, description="Write NAME.PRINT.dust.jpg, each repair before and after.")

    @model_validator(mode="before")
    @classmethod
    def _off_for_line_art(cls, written: Any) -> Any:  # noqa: ANN401 - what stands in the config, before it is checked
        """Dots of a pen and specks look alike, so line art is touched only when that is asked for."""
        if isinstance(written, dict) and written.get("art") == "line":
            return {"strength": "off", **written}
        return written


class DustParameters(Parameters):
    """What is repaired, in pixels of the scan; the first pixel's centre is (0.5, 0.5)."""

    spots: list[Spot] = Field(default_factory=list, description="x, y and radius of each speck.")
    hairs: list[list[float]] = Field(
        default_factory=list, description="Half the width of each hair, then x and y of the points along it."
    )
    columns: list[list[float]] = Field(
        default_factory=list,
        description="Streaks from top to bottom: the column's number, counted from 0, and a factor for each channel.",
    )
    rows: list[list[float]] = Field(default_factory=list, description="As columns, for streaks from left to right.")
    more: list[Spot] = Field(default_factory=list, description="For the ticket: further spots, as in spots.")
    keep: list[Spot] = Field(
        default_factory=list, description="For the ticket: circles; a speck or hair that meets one is left alone."
    )
    picture: bool = Field(default=False, description="Make the picture of each repair before and after.")


class Dust(Stage[DustSettings, DustParameters]):
    """Takes off dust."""

    name = "dust"
    version = 1
    mends = True
    per_print = False

    def measure(self, picture: Picture, settings: DustSettings, job: Job) -> DustParameters:
        """Find dust on what the picture shows."""
        if settings.strength == "off":
            job.notice("strength", "off")
            return DustParameters()
        found = find_dust(picture, _CARE[settings.strength])
        job.notice("specks", len(found.spots))
        job.notice("hairs", len(found.hairs))
        job.notice("streaks", len(found.columns) + len(found.rows))
        return DustParameters(**vars(found), picture=settings.picture)

    def apply(self, picture: Picture, parameters: DustParameters) -> Picture:
        """Mend the scan under the picture."""
        repairs = [circles for _name, circles in _repairs(parameters)]
        if not (repairs or parameters.columns or parameters.rows):
            return picture
        return picture.with_source(Mended(picture.open, repairs, parameters.columns, parameters.rows))

    def companions(self, before: Picture, after: Picture, parameters: DustParameters) -> Mapping[str, bytes]:
        """Each repair before and after."""
        repairs = _repairs(parameters)
        if not (parameters.picture and repairs):
            return {}
        return {"dust.jpg": before_and_after(before, after, repairs)}


def _repairs(parameters: DustParameters) -> list[tuple[str, list[Circle]]]:
    """Name and circles of all that is repaired: what was found but is to be kept is left out."""
    kept = [Circle.of(*spot) for spot in parameters.keep]
    named = [(f"spot {number}", [Circle.of(*spot)]) for number, spot in enumerate(parameters.spots, 1)]
    named += [(f"hair {number}", along(hair)) for number, hair in enumerate(parameters.hairs, 1)]
    found = [(name, circles) for name, circles in named if not any(c.meets(k) for c in circles for k in kept)]
    return found + [(f"more {number}", [Circle.of(*spot)]) for number, spot in enumerate(parameters.more, 1)]

"""Trial strip: pieces of the artwork itself, a grey ramp and a ring of small changes, on a part of a sheet.

What it shows is found by measuring: the palest wash, the darkest and the most colourful place, and the one that is most
like the whole. Printed before an edition, it says which small change brings the print closer to the original; the words
below each patch are the settings of the stage `adjust` that make it.
"""

import re
from typing import Annotated

import numpy as np
from pydantic import AfterValidator, Field

from platemark import Job, Parameters, Picture, Settings, Stage, paint, recoloured
from platemark_stages.page import Box, Line, Tone, blank, fill, letter
from platemark_stages.trial_strip.band import Band, laid_out
from platemark_stages.trial_strip.places import places_of

_PLACE = re.compile(r"([1-9])of([1-9])")


def _placed(text: str) -> str:
    found = _PLACE.fullmatch(text)
    if found is None or int(found[1]) > int(found[2]):
        raise ValueError('not a part of the sheet; write it like "2of4", the second of four parts from the top')
    return text


class TrialStripSettings(Settings):
    """Where the strip goes, and around which colours."""

    place: Annotated[str, AfterValidator(_placed)] = Field(
        "1of1", description="Part of the sheet, from the top: 2of4 is the second of four."
    )
    lightness: float = Field(0, ge=-8, le=8, description="The middle of the ring: units of CIELAB L*.")
    warmth: float = Field(0, ge=-8, le=8, description="The middle of the ring: units of CIELAB b*.")
    saturation: int = Field(0, ge=-35, le=35, description="The middle of the ring: per cent of chroma.")


class Patch(Box):
    """A piece of the artwork, on the page."""

    left: float = Field(description="Pixels of the cropped picture, where the piece begins.")
    top: float = Field(description="Pixels of the cropped picture, where the piece begins.")
    piece_width: float = Field(gt=0, description="Pixels of the cropped picture.")
    piece_height: float = Field(gt=0, description="Pixels of the cropped picture.")
    lightness: float = Field(0, description="Units of CIELAB L* that it is made lighter.")
    warmth: float = Field(0, description="Units of CIELAB b* that it is made warmer.")
    saturation: int = Field(0, description="Per cent of chroma that it is given.")


class TrialStripParameters(Parameters):
    """The page, in whole pixels."""

    width: int = Field(gt=0, description="Pixels of the page.")
    height: int = Field(gt=0, description="Pixels of the page.")
    ppi: float = Field(gt=0, description="Pixels per inch of the page.")
    patches: list[Patch] = Field(description="Pieces of the artwork.")
    tones: list[Tone] = Field(description="Steps of the grey ramp.")
    lines: list[Line] = Field(description="Lettering.")


class TrialStrip(Stage[TrialStripSettings, TrialStripParameters]):
    """Makes a test strip of the picture."""

    name = "trial_strip"
    version = 1

    def measure(self, picture: Picture, settings: TrialStripSettings, job: Job) -> TrialStripParameters:
        """Find the pieces that tell most, and lay out the strip."""
        number, count = map(int, settings.place.split("of"))
        layout = job.lay_out(picture.width, picture.height)
        band = Band.of(layout.sheet, layout.ppi, number, count)
        places = places_of(picture, band.piece_mm, band.ring_mm)
        for name, piece in places.items():
            job.notice(name, piece.where)
        centre = (settings.lightness, settings.warmth, settings.saturation)
        grey = picture.profile.colour_space == "GRAY"
        title = f"{job.work.title or job.work.name} on {job.paper.name or 'paper'}, strip {number} of {count}"
        shown = laid_out(band, places, centre, title, grey=grey)
        return TrialStripParameters(
            width=layout.file.width,
            height=layout.file.height,
            ppi=layout.ppi,
            patches=[Patch(**patch) for patch in shown.patches],
            tones=shown.tones,
            lines=shown.lines,
        )

    def apply(self, picture: Picture, parameters: TrialStripParameters) -> Picture:
        """Draw it."""
        page = blank(parameters.width, parameters.height, picture.profile)
        pieces: dict[tuple[float, ...], Picture] = {}
        for patch in parameters.patches:
            key = (patch.left, patch.top, patch.piece_width, patch.piece_height, patch.width, patch.height)
            if key not in pieces:
                pieces[key] = _piece(picture, patch)
            shown = recoloured(
                pieces[key], lightness=patch.lightness, warmth=patch.warmth, saturation=patch.saturation
            ).array()
            page[patch.y : patch.y + patch.height, patch.x : patch.x + patch.width] = shown
        fill(page, parameters.tones, picture.profile)
        letter(page, parameters.lines, paint((0, 0, 0), picture.profile))
        return picture.with_array(np.ascontiguousarray(page)).with_ppi(parameters.ppi)


def _piece(picture: Picture, patch: Patch) -> Picture:
    """The piece at the size of its patch, made once for all patches of it."""
    cut = picture.cropped(patch.left, patch.top, patch.piece_width, patch.piece_height)
    return cut.resampled(patch.width, patch.height).settled()

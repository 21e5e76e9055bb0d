"""Path page: a page that shows what becomes of a file on its way to the paper, and how to read it.

The picture it is made of carries a profile in which green and blue have changed places. Neutral things look the same
with it and without it, so rulers, greys and words are right either way; what is coloured tells whether it counts.
"""

import numpy as np
from pydantic import Field

from platemark import Held, Job, Parameters, Picture, Settings, Stage, paint
from platemark_stages.page import Line, Tone, blank, fill, letter
from platemark_stages.path_page.patterns import Pattern, Ruler, draw_patterns, draw_rulers
from platemark_stages.path_page.plan import Word, laid_out


class PathPageSettings(Settings):
    """There is nothing to choose: the page tries the way as it is."""


class PathPageParameters(Parameters):
    """The page, in whole pixels."""

    width: int = Field(gt=0, description="Pixels of the page.")
    height: int = Field(gt=0, description="Pixels of the page.")
    ppi: int = Field(gt=0, description="Pixels per inch of the page.")
    left: int = Field(ge=0, description="Pixels from the left edge of the page to the picture.")
    top: int = Field(ge=0, description="Pixels from the top edge of the page to the picture.")
    tones: list[Tone] = Field(description="Lines and greys.")
    rulers: list[Ruler] = Field(description="Scales of millimetres.")
    patterns: list[Pattern] = Field(description="Fine patterns of black and white.")
    words: list[Word] = Field(description="Lettering in colour, as numbers of the file.")
    lines: list[Line] = Field(description="Lettering in black.")


class PathPage(Stage[PathPageSettings, PathPageParameters]):
    """Draws the page that tests the way to the printer."""

    name = "path_page"
    version = 1

    def measure(self, picture: Picture, settings: PathPageSettings, job: Job) -> PathPageParameters:  # noqa: ARG002
        """Lay out the page.

        Raises:
            Held: the picture is not the one that the page is made of.
        """
        if picture.profile.colour_space != "RGB":
            raise Held(
                f"the page is made of its own small picture, not of one in {picture.profile.colour_space}",
                remedy="use the command that makes the page",
            )
        layout = job.lay_out(picture.width, picture.height)
        plan = laid_out(layout, picture.size, job.paper.name)
        return PathPageParameters(
            width=layout.file.width,
            height=layout.file.height,
            ppi=layout.ppi,
            left=plan.picture[0],
            top=plan.picture[1],
            tones=plan.tones,
            rulers=plan.rulers,
            patterns=plan.patterns,
            words=plan.words,
            lines=plan.lines,
        )

    def apply(self, picture: Picture, parameters: PathPageParameters) -> Picture:
        """Draw it."""
        page = blank(parameters.width, parameters.height, picture.profile)
        shown = picture.array()
        rows, columns = shown.shape[:2]
        page[parameters.top : parameters.top + rows, parameters.left : parameters.left + columns] = shown
        fill(page, parameters.tones, picture.profile)
        draw_rulers(page, parameters.rulers, parameters.ppi)
        draw_patterns(page, parameters.patterns)
        for word in parameters.words:
            letter(page, [word], word.colour)
        letter(page, parameters.lines, paint((0, 0, 0), picture.profile))
        return picture.with_array(np.ascontiguousarray(page)).with_ppi(parameters.ppi)

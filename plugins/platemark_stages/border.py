"""Border: the finished file, exactly the sheet to the pixel, with the picture in its place.

Paper white is no ink at all: in CMYK 0, in all else full light.
"""

from importlib.resources import as_file, files
from typing import Annotated

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont
from pydantic import AfterValidator, Field

from platemark import Box, Job, Layout, Length, Parameters, Picture, Settings, Stage, filled, laid_on, paint, stamped

_MM_PER_INCH = 25.4
# Cut marks: hairlines outside the sheet, far enough from it not to be on it after a slip of the knife (common practice).
_MARK_MM, _MARK_GAP_MM, _MARK_WIDTH_MM = 5.0, 3.0, 0.1
_FONT = ("font_source_serif_pro", "files/SourceSerifPro-Regular.ttf")


def _colour(text: str) -> str:
    low = text.lower()
    if len(low) != 7 or low[0] != "#" or any(digit not in "0123456789abcdef" for digit in low[1:]):  # noqa: PLR2004
        raise ValueError('not a colour; write six digits after #, such as "#ffffff" for paper white')
    return low


Colour = Annotated[str, AfterValidator(_colour)]


class BorderSettings(Settings):
    """What stands around the picture. How wide the border is stands in the print itself."""

    colour: Colour = Field("#ffffff", description="sRGB colour of the border; #ffffff is bare paper.")
    keyline: Length = Field(default=0.0, le=5, description="Width of a thin line around the picture; 0 for none.")
    keyline_gap: Length = Field(default=1.0, le=20, description="Distance of the line from the picture.")
    keyline_colour: Colour = Field("#8a8a8a", description="sRGB colour of the line.")
    lettering: str = Field(
        "", max_length=200, description="Line below the picture; {title}, {artist}, {year}, {medium}, {edition} are filled in."
    )
    lettering_height: Length = Field(default=3.0, ge=1, le=30, description="Height of the letters' line.")
    lettering_colour: Colour = Field("#4a4a4a", description="sRGB colour of the letters.")
    cut_marks: bool = Field(default=True, description="Cut marks where the sheet is put on a larger one.")


class BorderParameters(Parameters):
    """The finished file, in whole pixels."""

    width: int = Field(gt=0)
    height: int = Field(gt=0)
    left: int = Field(description="Where the picture's left upper corner lies.")
    top: int = Field(description="Where the picture's left upper corner lies.")
    colour: Colour = "#ffffff"
    keylines: list[tuple[int, int, int, int]] = []
    keyline_colour: Colour = "#8a8a8a"
    marks: list[tuple[int, int, int, int]] = []
    text: str = ""
    text_px: int = 0
    text_centre: int = 0
    text_top: int = 0
    text_colour: Colour = "#4a4a4a"


class Border(Stage[BorderSettings, BorderParameters]):
    """Puts the picture on its sheet."""

    name = "border"
    version = 1

    def measure(self, picture: Picture, settings: BorderSettings, job: Job) -> BorderParameters:
        """Lay out the sheet; the picture is centred in its area."""
        layout = job.lay_out(picture.width, picture.height)
        place = _centred(picture.size, layout.area)
        text, size, top = _lettering(settings, job, layout, place)
        keyline = _pixels(settings.keyline, layout.ppi)
        return BorderParameters(
            width=layout.file.width,
            height=layout.file.height,
            left=place.x,
            top=place.y,
            colour=settings.colour,
            keylines=_frame(place, _pixels(settings.keyline_gap, layout.ppi), keyline) if settings.keyline else [],
            keyline_colour=settings.keyline_colour,
            marks=_cut_marks(layout) if settings.cut_marks else [],
            text=text,
            text_px=size,
            text_centre=place.x + place.width // 2,
            text_top=top,
            text_colour=settings.lettering_colour,
        )

    def apply(self, picture: Picture, parameters: BorderParameters) -> Picture:
        """Sheet, picture, lines, letters."""
        profile = picture.profile
        ground = paint(_sixteen(parameters.colour), profile)
        size = (parameters.width, parameters.height)
        sheet = laid_on(picture, size, (parameters.left, parameters.top), ground)
        sheet = filled(sheet, parameters.keylines, paint(_sixteen(parameters.keyline_colour), profile))
        sheet = filled(sheet, parameters.marks, paint((0, 0, 0), profile))
        if not parameters.text:
            return sheet
        coverage = _written(parameters.text, parameters.text_px, parameters.width)
        at = (min(max(0, parameters.text_centre - coverage.shape[1] // 2), parameters.width - coverage.shape[1]), parameters.text_top)
        return stamped(sheet, coverage, at, paint(_sixteen(parameters.text_colour), profile))


def _centred(size: tuple[int, int], area: Box) -> Box:
    return Box(area.x + (area.width - size[0]) // 2, area.y + (area.height - size[1]) // 2, *size)


def _frame(place: Box, gap: int, line: int) -> list[tuple[int, int, int, int]]:
    """Four thin boxes around a place, at a distance."""
    line = max(1, line)
    x, y = place.x - gap - line, place.y - gap - line
    width, height = place.width + 2 * (gap + line), place.height + 2 * (gap + line)
    return [
        (x, y, width, line),
        (x, y + height - line, width, line),
        (x, y, line, height),
        (x + width - line, y, line, height),
    ]


def _cut_marks(layout: Layout) -> list[tuple[int, int, int, int]]:
    """Two hairlines at each corner of a sheet that is cut out of a larger one; none where there is no room."""
    sheet, file = layout.sheet, layout.file
    mark, gap = _pixels(_MARK_MM, layout.ppi), _pixels(_MARK_GAP_MM, layout.ppi)
    line = max(1, _pixels(_MARK_WIDTH_MM, layout.ppi))
    right, bottom = sheet.x + sheet.width, sheet.y + sheet.height
    if min(sheet.x, sheet.y, file.width - right, file.height - bottom) < gap + line:
        return []
    boxes = []
    for x in (sheet.x, right):
        left = x - line // 2
        boxes += [(left, max(0, sheet.y - gap - mark), line, min(mark, sheet.y - gap)), (left, bottom + gap, line, mark)]
    for y in (sheet.y, bottom):
        top = y - line // 2
        boxes += [(max(0, sheet.x - gap - mark), top, min(mark, sheet.x - gap), line), (right + gap, top, mark, line)]
    return boxes


def _lettering(settings: BorderSettings, job: Job, layout: Layout, place: Box) -> tuple[str, int, int]:
    """The line's text, its height in pixels and where it begins; nothing where there is no room for it."""
    work = job.work
    facts = {"title": work.title, "artist": work.artist, "year": work.year, "medium": work.medium, "edition": work.edition}
    text = settings.lettering
    for name, value in facts.items():
        text = text.replace(f"{{{name}}}", value)
    text = " ".join(text.split()).strip(" ,·-")
    if not text:
        return "", 0, 0
    size = _pixels(settings.lettering_height, layout.ppi)
    bottom = place.y + place.height
    room = layout.sheet.y + layout.sheet.height - bottom
    if room < 2 * size:
        job.notice("lettering", "left out", "there is no room for the lettering below the picture: widen the bottom border")
        return "", 0, 0
    return text, size, bottom + min(size, (room - size) // 2)


def _written(text: str, height: int, widest: int) -> NDArray[np.uint8]:
    """The text as coverage, 255 for full; made smaller where it would be wider than the sheet."""
    with as_file(files(_FONT[0]) / _FONT[1]) as path:
        font = ImageFont.truetype(str(path), height, layout_engine=ImageFont.Layout.BASIC)
        left, _top, right, _bottom = font.getbbox(text)
        if right - left > widest:
            return _written(text, max(1, height * widest // int(right - left + 1)), widest)
        image = Image.new("L", (int(right - left) + 2, height * 3 // 2))
        ImageDraw.Draw(image).text((1 - left, 0), text, fill=255, font=font)
    return np.asarray(image, dtype=np.uint8)


def _pixels(mm: float, ppi: int) -> int:
    return int(mm / _MM_PER_INCH * ppi + 0.5)


def _sixteen(colour: str | tuple[int, int, int]) -> tuple[int, int, int]:
    if isinstance(colour, tuple):
        return colour
    red, green, blue = (int(colour[place : place + 2], 16) * 257 for place in (1, 3, 5))
    return red, green, blue

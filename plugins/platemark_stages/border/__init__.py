"""Border: the finished file, exactly the sheet to the pixel, with the picture in its place.

Paper white is no ink at all: in CMYK 0, in all else full light.
"""

from typing import Annotated

from pydantic import AfterValidator, Field

from platemark import (
    Box,
    Held,
    Job,
    Layout,
    Length,
    Parameters,
    Picture,
    Settings,
    Stage,
    filled,
    laid_on,
    millimetres_to_pixels,
    paint,
    stamped,
)
from platemark_stages.border.lettering import fitting, missing_signs, worded, words_in, written

# Cut marks: hairlines outside the sheet, so far from it that a slip of the knife leaves none on it (common practice).
_MARK_MM, _MARK_GAP_MM, _MARK_WIDTH_MM = 5.0, 3.0, 0.1
# Smaller letters cannot be read on paper (common practice: no type below 3 point).
_SMALLEST_LETTERING_MM = 1.0
_FACTS = ("title", "artist", "year", "medium", "edition")

Rectangles = list[tuple[int, int, int, int]]
"""Each as x, y, width, height in pixels of the file."""


def _colour(text: str) -> str:
    low = text.lower()
    if len(low) != 7 or low[0] != "#" or any(digit not in "0123456789abcdef" for digit in low[1:]):
        raise ValueError('not a colour; write six digits after #, such as "#ffffff" for paper white')
    return low


def _known_words(pattern: str) -> str:
    if unknown := sorted(words_in(pattern) - set(_FACTS)):
        known = ", ".join(f"{{{fact}}}" for fact in _FACTS)
        raise ValueError(f"nothing is known that would be filled in for {{{unknown[0]}}}; there are {known}")
    return pattern


Colour = Annotated[str, AfterValidator(_colour)]


class BorderSettings(Settings):
    """What stands around the picture. How wide the border is stands in the print itself."""

    colour: Colour = Field("#ffffff", description="sRGB colour of the border; #ffffff is bare paper.")
    keyline: Length = Field(default=0.0, le=5, description="Width of a thin line around the picture; 0 for none.")
    keyline_gap: Length = Field(default=1.0, le=20, description="Distance of the line from the picture.")
    keyline_colour: Colour = Field("#8a8a8a", description="sRGB colour of the line.")
    lettering: Annotated[str, AfterValidator(_known_words)] = Field(
        "",
        max_length=200,
        description="Line below the picture; {title}, {artist}, {year}, {medium}, {edition} are filled in.",
    )
    lettering_height: Length = Field(
        default=3.0, ge=_SMALLEST_LETTERING_MM, le=30, description="Height of the letters' line."
    )
    lettering_colour: Colour = Field("#4a4a4a", description="sRGB colour of the letters.")
    cut_marks: bool = Field(default=True, description="Cut marks where the sheet is put on a larger one.")


class BorderParameters(Parameters):
    """The finished file, in whole pixels."""

    width: int = Field(gt=0, description="Pixels of the finished file.")
    height: int = Field(gt=0, description="Pixels of the finished file.")
    left: int = Field(description="Pixels from the left edge of the file to the picture.")
    top: int = Field(description="Pixels from the top edge of the file to the picture.")
    colour: Colour = Field("#ffffff", description="sRGB colour of the border.")
    keylines: Rectangles = Field([], description="Boxes of the line: x, y, width, height in pixels.")
    keyline_colour: Colour = Field("#8a8a8a", description="sRGB colour of the line.")
    marks: Rectangles = Field([], description="Boxes of the cut marks: x, y, width, height in pixels.")
    text: str = Field("", description="The letters.")
    text_px: int = Field(0, ge=0, description="Pixels, height of the letters' line.")
    text_centre: int = Field(0, description="Pixels from the left edge of the file to the middle of the letters.")
    text_top: int = Field(0, description="Pixels from the top edge of the file to the letters' line.")
    text_colour: Colour = Field("#4a4a4a", description="sRGB colour of the letters.")


class Border(Stage[BorderSettings, BorderParameters]):
    """Puts the picture on its sheet."""

    name = "border"
    version = 1

    def measure(self, picture: Picture, settings: BorderSettings, job: Job) -> BorderParameters:
        """Lay out the sheet; the picture is centred in its area."""
        layout = job.lay_out(picture.width, picture.height)
        place = _centred(picture.size, layout.area)
        keylines = _keylines(settings, job, layout, place)
        below = max([place.y + place.height, *(y + height for _x, y, _width, height in keylines)])
        text, size, top = _lettering(settings, job, layout, below)
        return BorderParameters(
            width=layout.file.width,
            height=layout.file.height,
            left=place.x,
            top=place.y,
            colour=settings.colour,
            keylines=keylines,
            keyline_colour=settings.keyline_colour,
            marks=_cut_marks(layout, job) if settings.cut_marks else [],
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
        coverage = written(parameters.text, parameters.text_px)
        at = (parameters.text_centre - coverage.shape[1] // 2, parameters.text_top)
        return stamped(sheet, coverage, at, paint(_sixteen(parameters.text_colour), profile))


def _keylines(settings: BorderSettings, job: Job, layout: Layout, place: Box) -> Rectangles:
    """The line around the picture; left out where it would leave the finished sheet."""
    if not settings.keyline:
        return []
    boxes = _frame(
        place,
        millimetres_to_pixels(settings.keyline_gap, layout.ppi),
        max(1, millimetres_to_pixels(settings.keyline, layout.ppi)),
    )
    sheet = layout.sheet
    right, bottom = sheet.x + sheet.width, sheet.y + sheet.height
    if all(x >= sheet.x and y >= sheet.y and x + w <= right and y + h <= bottom for x, y, w, h in boxes):
        return boxes
    job.notice(
        "keyline",
        "left out",
        "there is no room for the line around the picture: widen the border, or write a smaller keyline_gap",
    )
    return []


def _centred(size: tuple[int, int], area: Box) -> Box:
    """Where the picture goes.

    Raises:
        Held: it is larger than its place, and would lose its edges.
    """
    if size[0] > area.width or size[1] > area.height:
        raise Held(
            f"the picture has {size[0]} x {size[1]} pixels and its place on the sheet {area.width} x {area.height}",
            remedy="let a stage bring it to the size of the print before the border is added",
        )
    return Box(area.x + (area.width - size[0]) // 2, area.y + (area.height - size[1]) // 2, *size)


def _frame(place: Box, gap: int, line: int) -> Rectangles:
    """Four thin boxes around a place, at a distance."""
    x, y = place.x - gap - line, place.y - gap - line
    width, height = place.width + 2 * (gap + line), place.height + 2 * (gap + line)
    return [
        (x, y, width, line),
        (x, y + height - line, width, line),
        (x, y, line, height),
        (x + width - line, y, line, height),
    ]


def _cut_marks(layout: Layout, job: Job) -> Rectangles:
    """Two hairlines at each corner of a sheet that is cut out of a larger one, outside its bleed."""
    sheet, file = layout.sheet, layout.file
    bleed = max(0, sheet.x - layout.area.x)
    mark, gap = millimetres_to_pixels(_MARK_MM, layout.ppi), max(millimetres_to_pixels(_MARK_GAP_MM, layout.ppi), bleed)
    line = max(1, millimetres_to_pixels(_MARK_WIDTH_MM, layout.ppi))
    right, bottom = sheet.x + sheet.width, sheet.y + sheet.height
    margins = (sheet.x, sheet.y, file.width - right, file.height - bottom)
    room = min(margins)
    if room < gap + line:
        if max(margins) > bleed:  # it does lie on a larger sheet
            job.notice("cut_marks", "left out", "there is no room for cut marks: print it on a larger sheet")
        return []
    length = min(mark, room - gap)
    boxes = []
    for x in (sheet.x, right):
        left = x - line // 2
        boxes += [(left, sheet.y - gap - length, line, length), (left, bottom + gap, line, length)]
    for y in (sheet.y, bottom):
        top = y - line // 2
        boxes += [(sheet.x - gap - length, top, length, line), (right + gap, top, length, line)]
    return boxes


def _lettering(settings: BorderSettings, job: Job, layout: Layout, below: int) -> tuple[str, int, int]:
    """The line's text, its height in pixels and where it begins; nothing where it cannot be set, which is told."""
    text = worded(settings.lettering, {fact: getattr(job.work, fact) for fact in _FACTS})
    if not text:
        return "", 0, 0
    wanted = millimetres_to_pixels(settings.lettering_height, layout.ppi)
    room = layout.sheet.y + layout.sheet.height - below
    if signs := missing_signs(text):
        return _left_out(job, f"the lettering has no letters for {signs}: word it otherwise")
    if room < 2 * wanted:
        return _left_out(job, "there is no room for the lettering below the picture: widen the bottom border")
    size = fitting(text, wanted, min(layout.area.width, layout.sheet.width))
    if size < millimetres_to_pixels(_SMALLEST_LETTERING_MM, layout.ppi):
        return _left_out(job, "the lettering is too long to be read on this sheet: shorten it")
    if size < wanted:
        job.notice("lettering", "made smaller", "the lettering was made smaller, so that it fits: look at it")
    return text, size, below + min(size, (room - size) // 2)


def _left_out(job: Job, why: str) -> tuple[str, int, int]:
    job.notice("lettering", "left out", why)
    return "", 0, 0


def _sixteen(colour: str) -> tuple[int, int, int]:
    """Six digits widened by x257, so that ff is full light."""
    red, green, blue = (int(colour[place : place + 2], 16) * 257 for place in (1, 3, 5))
    return red, green, blue

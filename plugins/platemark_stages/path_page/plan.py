"""The plan of the page: what stands where, in millimetres from the left upper corner of what is printed on it."""

from dataclasses import dataclass, field

from pydantic import Field

from platemark import Held, Layout, millimetres_to_pixels
from platemark_stages.page import Line, Tone, grey_of_lightness, paragraph
from platemark_stages.path_page import wording
from platemark_stages.path_page.patterns import Pattern, Ruler

_MM_PER_INCH = 25.4
_WIDE_MM, _HIGH_MM = 186.0, 260.0
# Wider than what printers cannot print on (common practice: 3 to 5 mm), so that the frame shows whether all arrived.
_FRAME_MM = 6.0
_LINE_MM = 0.2
_TITLE_MM, _HEADING_MM, _TEXT_MM, _SMALL_MM, _WORD_MM = 6.5, 4.4, 3.1, 2.5, 15.0
_PICTURE_TOP, _WORDS_LEFT = 34.0, 80.0
_SQUARE_TOP, _SQUARE_MM, _BESIDE = 113.0, 100, 107.0
_PATCH_MM, _PATCH_STEP_MM = 22.0, 28.0
_GREY_TOP, _GREY_HIGH = 227.0, 9.0
_GREYS = (95, 90, 80, 70, 60, 50, 40, 30)  # L*: from where tints show first to where they hide
_STRIPES_PX = 16  # fine enough to run together at arm's length, coarse enough for any printer
# Lacking one channel of light only: to the eye a pale yellow if it is that of blue, a clear pink if that of green.
_LACK = 36000
_FULL = 65535


class Word(Line):
    """Lettering in a colour of its own."""

    colour: list[int] = Field(description="The numbers of the file, 0 to 65535 a channel.")


@dataclass
class Plan:
    """The page. Everything is laid out for the profile in which green and blue have changed places."""

    x: int
    y: int
    ppi: int
    picture: tuple[int, int] = (0, 0)
    tones: list[Tone] = field(default_factory=list)
    rulers: list[Ruler] = field(default_factory=list)
    patterns: list[Pattern] = field(default_factory=list)
    words: list[Word] = field(default_factory=list)
    lines: list[Line] = field(default_factory=list)

    def px(self, mm: float) -> int:
        """Pixels of a length."""
        return millimetres_to_pixels(mm, self.ppi)

    def at(self, x_mm: float, y_mm: float) -> tuple[int, int]:
        """A place on the page."""
        return self.x + self.px(x_mm), self.y + self.px(y_mm)

    def say(self, text: str, x_mm: float, y_mm: float, size_mm: float, wide_mm: float = _WIDE_MM) -> None:
        """Lettering, in as many lines as it takes."""
        self.lines += paragraph(text, self.at(x_mm, y_mm), self.px(size_mm), self.px(wide_mm))

    def frame(self, x: int, y: int, width: int, height: int) -> None:
        """A thin line whose outer edges are this box."""
        thin = max(1, self.px(_LINE_MM))
        for left, top, across, down in (
            (x, y, width, thin),
            (x, y + height - thin, width, thin),
            (x, y, thin, height),
            (x + width - thin, y, thin, height),
        ):
            self.tones.append(Tone(x=left, y=top, width=across, height=down))


def laid_out(layout: Layout, picture: tuple[int, int], paper: str) -> Plan:
    """Lay the page out.

    Args:
        layout: of the print.
        picture: width and height of the coloured picture in pixels.
        paper: what it is printed on, or nothing.

    Raises:
        Held: the sheet is too small.
    """
    sheet = layout.sheet
    width, height = (millimetres_to_pixels(mm, layout.ppi) for mm in (_WIDE_MM, _HIGH_MM))
    room = millimetres_to_pixels(_FRAME_MM + 1, layout.ppi)
    if sheet.width < width + 2 * room or sheet.height < height + 2 * room:
        raise Held(
            f"the page needs a sheet of {_WIDE_MM + 2 * _FRAME_MM + 2:g} x {_HIGH_MM + 2 * _FRAME_MM + 2:g} mm or more",
            remedy='print it on a larger sheet, such as "A4", upright',
        )
    plan = Plan(sheet.x + (sheet.width - width) // 2, sheet.y + (sheet.height - height) // 2, layout.ppi)
    inset = plan.px(_FRAME_MM)
    plan.frame(sheet.x + inset, sheet.y + inset, sheet.width - 2 * inset, sheet.height - 2 * inset)
    plan.say(wording.TITLE, 0, 0, _TITLE_MM)
    plan.say(wording.INTRODUCTION.format(paper=paper or "your paper", ppi=layout.ppi), 0, 10, _TEXT_MM)
    _profile(plan, picture)
    _size(plan)
    _pixels(plan)
    _greys(plan)
    return plan


def _profile(plan: Plan, picture: tuple[int, int]) -> None:
    plan.say(wording.PROFILE, 0, _PICTURE_TOP - 8, _HEADING_MM)
    plan.picture = plan.at(0, _PICTURE_TOP)
    for n, (word, lacking) in enumerate(((wording.HONOURED, 2), (wording.IGNORED, 1))):
        x, y = plan.at(_WORDS_LEFT, _PICTURE_TOP + n * 21)
        colour = [_LACK if channel == lacking else _FULL for channel in range(3)]
        plan.words.append(Word(text=word, x=x, y=y, px=plan.px(_WORD_MM), colour=colour))
    below = _PICTURE_TOP + picture[1] / plan.ppi * _MM_PER_INCH + 3
    plan.say(wording.READ_PROFILE, 0, below, _TEXT_MM)


def _size(plan: Plan) -> None:
    plan.say(wording.SIZE, 0, _SQUARE_TOP - 8, _HEADING_MM)
    x, y = plan.at(0, _SQUARE_TOP)
    side = plan.px(_SQUARE_MM)
    plan.frame(x, y, side, side)
    plan.rulers += [Ruler(x=x, y=y, length=_SQUARE_MM, down=down) for down in (False, True)]
    for mm in range(10, _SQUARE_MM, 10):
        plan.say(str(mm), mm - 1.4, _SQUARE_TOP + 4.2, _SMALL_MM)
        plan.say(str(mm), 4.6, _SQUARE_TOP + mm - 1.8, _SMALL_MM)
    plan.say(wording.READ_SIZE, _BESIDE, _SQUARE_TOP - 1, _TEXT_MM, _WIDE_MM - _BESIDE)


def _pixels(plan: Plan) -> None:
    """Patterns as fine as the file itself, inside the square."""
    drawn = (("down", 1), ("across", 1), ("checks", 1), ("down", 2), ("checks", 2))
    for n, ((kind, thick), words) in enumerate(zip(drawn, wording.PATTERNS, strict=True)):
        column, row = n % 3, n // 3
        x_mm, y_mm = 14 + column * _PATCH_STEP_MM, _SQUARE_TOP + 20 + row * (_PATCH_STEP_MM + 6)
        x, y = plan.at(x_mm, y_mm)
        side = plan.px(_PATCH_MM) // 4 * 4  # whole periods
        plan.patterns.append(Pattern(x=x, y=y, width=side, height=side, kind=kind, black=thick, period=2 * thick))
        plan.say(words, x_mm, y_mm + _PATCH_MM + 0.3, _SMALL_MM, _PATCH_STEP_MM)
    _edges(plan, 14 + 2 * _PATCH_STEP_MM, _SQUARE_TOP + 20 + _PATCH_STEP_MM + 6)
    plan.say(wording.PIXELS, _BESIDE, _SQUARE_TOP + 55, _HEADING_MM, _WIDE_MM - _BESIDE)
    plan.say(wording.READ_PIXELS, _BESIDE, _SQUARE_TOP + 63, _TEXT_MM, _WIDE_MM - _BESIDE)


def _edges(plan: Plan, x_mm: float, y_mm: float) -> None:
    """A dark grey in a light one: whoever sharpens draws a rim around it."""
    for inset, lightness in ((0.0, 70), (_PATCH_MM / 4, 40)):
        x, y = plan.at(x_mm + inset, y_mm + inset)
        side = plan.px(_PATCH_MM - 2 * inset)
        plan.tones.append(Tone(x=x, y=y, width=side, height=side, grey=grey_of_lightness(lightness)))
    plan.say(wording.EDGES, x_mm, y_mm + _PATCH_MM + 0.3, _SMALL_MM, _PATCH_STEP_MM)


def _greys(plan: Plan) -> None:
    """Each grey above stripes that hold none, of as much black as makes the same grey from afar."""
    plan.say(wording.GREYS, 0, _GREY_TOP - 8, _HEADING_MM)
    for n, lightness in enumerate(_GREYS):
        x, y = plan.at(n * _WIDE_MM / len(_GREYS), _GREY_TOP)
        right, below = plan.at((n + 1) * _WIDE_MM / len(_GREYS), _GREY_TOP + _GREY_HIGH)
        box = {"x": x, "width": right - x - plan.px(1)}
        plan.tones.append(Tone(y=y, height=below - y, grey=grey_of_lightness(lightness), **box))
        black = round(_STRIPES_PX * (1 - _light(lightness)))
        plan.patterns.append(Pattern(y=below, height=below - y, kind="across", black=black, period=_STRIPES_PX, **box))
    plan.say(wording.READ_GREYS, 0, _GREY_TOP + 2 * _GREY_HIGH + 2, _TEXT_MM)


def _light(lightness: float) -> float:
    """The share of light that a grey of this L*, 8 or more, sends back. Source: CIE 15."""
    share: float = ((lightness + 16) / 116) ** 3
    return share

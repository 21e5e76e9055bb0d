"""The strip on its part of the sheet: what stands where, in whole pixels."""

from dataclasses import dataclass, field
from typing import Any

from platemark import Box as Sheet
from platemark import Held
from platemark_stages.page import Line, Tone, broken, grey_of_lightness, paragraph
from platemark_stages.trial_strip.places import Piece

_MM_PER_INCH = 25.4
# Printers leave a margin white, and another strip is to find room above and below (common practice: 3 to 6 mm).
_SIDE_MM, _ABOVE_MM = 10.0, 6.0
_GAP_MM = 2.0
_TITLE_MM, _SMALL_MM = 3.4, 2.5  # 10 and 7 point
_LABEL_MM = 4.0
_RAMP_MM = 7.0
# Below these a patch is too small to judge a colour by, and its words do not fit.
_LEAST_WIDTH_MM, _LEAST_HEIGHT_MM = 22.0, 8.0
# Of its width: on a whole sheet the pieces would be towers.
_HIGHEST = 0.45
_STEPS = 11
# Half again as far as a difference that is seen without looking for it, so that one of the ring can be chosen.
_LIGHTER, _WARMER, _MORE = 4, 4, 15

Change = tuple[float, float, float]
"""Lightness, warmth, saturation: see the settings."""
# Column and row of the ring, the words, and the change from its middle.
_RING: tuple[tuple[int, int, str, Change], ...] = (
    (1, 1, "", (0, 0, 0)),
    (1, 0, "lighter", (_LIGHTER, 0, 0)),
    (1, 2, "darker", (-_LIGHTER, 0, 0)),
    (2, 1, "warmer", (0, _WARMER, 0)),
    (0, 1, "cooler", (0, -_WARMER, 0)),
    (2, 0, "stronger", (0, 0, _MORE)),
    (0, 2, "quieter", (0, 0, -_MORE)),
)
_NAMES = ("lightness", "warmth", "saturation")
_HOW = (
    "You like another patch of the ring better? Put the step adjust before proof in the list of stages, and write the "
    "line below that patch under [print.NAME.adjust]. Judge it dry, in the light the print will hang in. Feed this "
    "sheet again for the next strip, the same way round, if the printer's manual lets you."
)


_UNITS = "Lightness is L* and warmth b* of CIELAB; saturation is chroma, per cent."


@dataclass(frozen=True)
class Band:
    """The part of the sheet that the strip has, without its margins: pixels, and the pixels of a millimetre."""

    x: int
    y: int
    width: int
    height: int
    scale: float

    @classmethod
    def of(cls, sheet: Sheet, ppi: float, number: int, count: int) -> "Band":
        """The part of this number of so many.

        Raises:
            Held: the strip would be too small to judge.
        """
        scale = ppi / _MM_PER_INCH
        part = sheet.height / count
        band = cls(
            sheet.x + round(_SIDE_MM * scale),
            sheet.y + round((number - 1) * part + _ABOVE_MM * scale),
            sheet.width - round(2 * _SIDE_MM * scale),
            round(min(part - 2 * _ABOVE_MM * scale, _HIGHEST * (sheet.width - 2 * _SIDE_MM * scale))),
            scale,
        )
        width, height = band.ring_mm
        if width < _LEAST_WIDTH_MM or height < _LEAST_HEIGHT_MM:
            raise Held(
                f"a strip on {number}of{count} of this sheet has patches of {max(0.0, width):.0f} x "
                f"{max(0.0, height):.0f} mm, too small to judge colours by",
                remedy="take a larger sheet, or fewer parts of this one",
            )
        return band

    @property
    def middle_mm(self) -> float:
        """Height between the title and the words below."""
        return self.height / self.scale - _TITLE_MM * 1.7 - 2 * _SMALL_MM * 4 / 3 - _GAP_MM

    @property
    def cell_mm(self) -> tuple[float, float]:
        """Width and height of a cell of the ring: a patch, its label and the gaps."""
        return self.width / self.scale / 6.1, self.middle_mm / 3

    @property
    def ring_mm(self) -> tuple[float, float]:
        """Width and height of a patch of the ring."""
        return self.cell_mm[0] - _GAP_MM, self.cell_mm[1] - _LABEL_MM

    @property
    def piece_mm(self) -> tuple[float, float]:
        """Width and height of the three pieces that are shown as they are."""
        return self.cell_mm[0] - _GAP_MM, self.middle_mm - _RAMP_MM - 2 * _LABEL_MM - _GAP_MM

    def px(self, mm: float) -> int:
        """Pixels of a length."""
        return round(mm * self.scale)


@dataclass
class Shown:
    """What stands on the strip; patches as the fields of the stage's own model."""

    patches: list[dict[str, Any]] = field(default_factory=list)
    tones: list[Tone] = field(default_factory=list)
    lines: list[Line] = field(default_factory=list)


def laid_out(band: Band, places: dict[str, Piece], centre: Change, title: str, *, grey: bool) -> Shown:
    """Lay the strip out.

    Args:
        band: where.
        places: see `places_of`.
        centre: the middle of the ring.
        title: the line above.
        grey: the picture has no colours, so that only lighter and darker are of use.
    """
    shown = Shown()
    top = band.y + band.px(_TITLE_MM * 1.7)
    title_px, small = band.px(_TITLE_MM), band.px(_SMALL_MM)
    shown.lines.append(Line(text=broken(title, title_px, band.width)[0], x=band.x, y=band.y, px=title_px))
    _pieces(band, places, top, shown)
    _ramp(band, top + band.px(band.middle_mm - _RAMP_MM - _LABEL_MM), shown)
    _ring(band, places["typical"], centre, top, shown, grey=grey)
    below = top + band.px(band.middle_mm + _GAP_MM)
    shown.lines += paragraph(_HOW, (band.x, below), small, band.width)
    return shown


def _pieces(band: Band, places: dict[str, Piece], top: int, shown: Shown) -> None:
    size = tuple(band.px(mm) for mm in band.piece_mm)
    for n, (name, words) in enumerate((("palest", "palest"), ("darkest", "darkest"), ("colourful", "colourful"))):
        x = band.x + band.px(n * band.cell_mm[0])
        piece = places[name]
        shown.patches.append(_patch(piece, (x, top), (size[0], size[1]), (0, 0, 0)))
        _label(f"{words}, {piece.where}", (x, top + size[1]), band, shown)


def _ramp(band: Band, top: int, shown: Shown) -> None:
    """Steps of even lightness, from black to paper."""
    width = band.px(3 * band.cell_mm[0] - _GAP_MM)
    edges = [band.x + width * n // _STEPS for n in range(_STEPS + 1)]
    for n in range(_STEPS):
        lightness = 100 * n // (_STEPS - 1)
        box = {"x": edges[n], "y": top, "width": edges[n + 1] - edges[n], "height": band.px(_RAMP_MM)}
        shown.tones.append(Tone(grey=grey_of_lightness(lightness), **box))
        _label(f"{'L* ' if not n else ''}{lightness}", (edges[n], top + box["height"]), band, shown)


def _ring(band: Band, piece: Piece, centre: Change, top: int, shown: Shown, *, grey: bool) -> None:
    """The same piece with one small change each, around the one as it is."""
    left = band.x + band.width - band.px(3 * band.cell_mm[0] - _GAP_MM)
    width, height = (band.px(mm) for mm in band.ring_mm)
    for column, row, words, step in _RING:
        if grey and (step[1] or step[2]):
            continue
        change = (centre[0] + step[0], centre[1] + step[1], centre[2] + step[2])
        x, y = left + band.px(column * band.cell_mm[0]), top + band.px(row * band.cell_mm[1])
        shown.patches.append(_patch(piece, (x, y), (width, height), change))
        _label(_worded(words, change, step), (x, y + height), band, shown)
    small = band.px(_SMALL_MM)
    told = f"One piece, {piece.where}, and small changes of it."
    if any(centre):
        told = f"One piece, {piece.where}. To each line belongs what stands below the middle one."
    shown.lines += paragraph(told, (left, top), small, width)
    corner = (left + band.px(2 * band.cell_mm[0]), top + band.px(2 * band.cell_mm[1] + 1))
    shown.lines += paragraph(_UNITS, corner, small, width)


def _worded(words: str, change: Change, step: Change) -> str:
    """The words below a patch: the setting that is changed, or all of those of the middle."""
    told = [f"{name} = {value:g}" for name, value, by in zip(_NAMES, change, step, strict=True) if by]
    if words:
        return f"{words}: {told[0]}"
    around = [f"{name} = {value:g}" for name, value in zip(_NAMES, change, strict=True) if value]
    return ", ".join(around) or "as it is"


def _patch(piece: Piece, at: tuple[int, int], size: tuple[int, int], change: Change) -> dict[str, Any]:
    return {
        "x": at[0],
        "y": at[1],
        "width": size[0],
        "height": size[1],
        "left": piece.left,
        "top": piece.top,
        "piece_width": piece.width,
        "piece_height": piece.height,
        "lightness": change[0],
        "warmth": change[1],
        "saturation": round(change[2]),
    }


def _label(words: str, at: tuple[int, int], band: Band, shown: Shown) -> None:
    shown.lines.append(Line(text=words, x=at[0], y=at[1] + band.px(0.3), px=band.px(_SMALL_MM)))

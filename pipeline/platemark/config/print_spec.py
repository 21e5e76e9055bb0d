"""`[print.NAME]`: one thing that is made from a scan, such as an A4 sheet on matte paper with room for a signature.

The geometry of a print lives here and nowhere else; stages read it from the job as a `Layout`.
"""

from collections.abc import Mapping
from typing import Any, Final, Literal, Self

from pydantic import Field, SerializerFunctionWrapHandler, model_serializer, model_validator

from platemark.config.references import PaperName, StageName, Table
from platemark.config.sheet_size import SheetSizeField
from platemark.config.units import Length, Share, millimetres_to_pixels, show_length
from platemark.contract.layout import Edges

DEFAULT_BORDER_MM: Final = 12.0
"""Room for a pencil signature under the picture takes 12 mm (common practice)."""


class Border(Table):
    """White paper around the picture, as the print is looked at: the bottom stays below when the sheet is turned."""

    sides: Length = DEFAULT_BORDER_MM
    """Every side that is not named itself."""
    left: Length | None = None
    top: Length | None = None
    right: Length | None = None
    bottom: Length | None = None

    @model_validator(mode="before")
    @classmethod
    def _one_for_all(cls, written: object) -> object:
        """Take `border = "12 mm"` for all four sides."""
        return written if isinstance(written, dict | Border) else {"sides": written}

    @property
    def mm(self) -> Edges[float]:
        """Give the border of each side in millimetres."""
        own = (self.left, self.top, self.right, self.bottom)
        return Edges(*(self.sides if side is None else side for side in own))


def stage_tables(written: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
    """Pick from a `[print.NAME]` table, as written, the tables that hold the settings of a stage.

    The border is geometry and also the name of a stage: [print.NAME.border] may hold both, and is divided by key.
    """
    apart = {key: it for key, it in written.items() if key not in PrintSpec.model_fields and isinstance(it, dict)}
    border = written.get("border")
    if isinstance(border, dict):
        settings = {key: value for key, value in border.items() if key not in Border.model_fields}
        return apart | ({"border": settings} if settings else {})
    return apart


class PrintSpec(Table):
    """What one print looks like. A table in it that is no key of its own holds a stage's settings for this print."""

    sheet: SheetSizeField
    """The size of the finished sheet, such as "A4", "5x7 in" or "148 x 210 mm"."""
    orientation: Literal["auto", "portrait", "landscape"] = "auto"
    """With auto the sheet is turned as the picture lies."""
    border: Border = Field(default_factory=Border)
    ppi: int = Field(360, ge=72, le=1440, json_schema_extra={"remedy": "For this printer write 360"})
    """Pixels per inch of the finished file; best the printer's own resolution."""
    fit: Literal["inside", "fill"] = "inside"
    """Inside shows the whole picture; fill cuts it to the image area, at most by fill_limit."""
    fill_limit: Share = Field(0.05, lt=1)
    """How much of the picture's width or height may be cut away in all."""
    paper: PaperName | None = None
    bleed: Length = 0.0
    """How far the picture runs past every edge of a sheet without border."""
    on: SheetSizeField | None = None
    """A larger sheet in the middle of which this one is printed, for cutting out."""
    stages: list[StageName] | None = Field(None, min_length=1)
    """A chain of its own, instead of the one for all prints."""
    stage_settings: dict[StageName, dict[str, Any]] = Field(default_factory=dict)

    @model_validator(mode="before")
    @classmethod
    def _stages_apart(cls, written: object) -> object:
        """Gather the tables that hold the settings of a stage."""
        if not isinstance(written, dict):
            return written
        apart = stage_tables(written)
        kept = {key: value for key, value in written.items() if key in cls.model_fields or key not in apart}
        if "border" in apart:
            kept["border"] = {key: value for key, value in written["border"].items() if key not in apart["border"]}
        given = kept.get("stage_settings", {})
        return {**kept, "stage_settings": {**given, **apart} if isinstance(given, dict) else given}

    @model_validator(mode="before")
    @classmethod
    def _lie_as_the_sheet_says(cls, written: object) -> object:
        """Take "A4 landscape" at its word, as if orientation = "landscape" stood there too."""
        if not isinstance(written, dict) or not isinstance(written.get("sheet"), str):
            return written
        said = written["sheet"].strip().lower().rpartition(" ")[2]
        if said not in ("portrait", "landscape"):
            return written
        orientation = written.get("orientation", said)
        if orientation != said:
            raise ValueError(f'sheet says {said} and orientation says "{orientation}"; keep one of the two')
        return {**written, "orientation": said}

    @model_validator(mode="after")
    def _bleed_without_border(self) -> Self:
        if self.bleed and any(self.border.mm):
            raise ValueError(
                f'bleed = "{show_length(self.bleed)}" runs the picture past the edge of the sheet and border keeps it '
                "inside; write border = 0, or leave the bleed out"
            )
        return self

    @model_validator(mode="after")
    def _room_for_the_picture(self) -> Self:
        # With "auto" either way may come; each must leave at least one pixel.
        for landscape in self._ways_to_lie():
            width, height = self.sheet.lying(landscape=landscape)
            left, top, right, bottom = (millimetres_to_pixels(side, self.ppi) for side in self.border.mm)
            across = millimetres_to_pixels(width, self.ppi) - left - right
            down = millimetres_to_pixels(height, self.ppi) - top - bottom
            if min(across, down) < 1:
                raise ValueError(
                    f"the borders leave no room for a picture on a sheet {show_length(width)} wide and "
                    f"{show_length(height)} high; make the border narrower or the sheet larger"
                )
        return self

    @model_validator(mode="after")
    def _on_a_larger_sheet(self) -> Self:
        if self.on is None:
            return self
        bleed = 2 * millimetres_to_pixels(self.bleed, self.ppi)
        inner = [millimetres_to_pixels(side, self.ppi) + bleed for side in self.sheet.lying(landscape=False)]
        outer = [millimetres_to_pixels(side, self.ppi) for side in self.on.lying(landscape=False)]
        if outer[0] < inner[0] or outer[1] < inner[1] or outer == inner:
            with_bleed = " with its bleed" if self.bleed else ""
            raise ValueError(
                f'on = "{self.on.name}" is not larger than the sheet, "{self.sheet.name}"{with_bleed}; '
                "choose a larger sheet, or leave on out"
            )
        return self

    @model_serializer(mode="wrap")
    def _as_toml(self, handler: SerializerFunctionWrapHandler) -> dict[str, Any]:
        """Write the table as it is written in the config, the stages' tables among the keys."""
        table = {key: value for key, value in handler(self).items() if value is not None}
        for stage, settings in table.pop("stage_settings", {}).items():
            table[stage] = {**table.get(stage, {}), **settings}
        return table

    def _ways_to_lie(self) -> list[bool]:
        return {"auto": [False, True], "portrait": [False], "landscape": [True]}[self.orientation]

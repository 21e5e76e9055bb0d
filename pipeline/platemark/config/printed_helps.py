"""The prints that help to print: a test strip of a piece, and a page that tests the way to the printer.

Each is a print like any other, written as an artist would write it; it takes what she says of her own prints on that
paper: their resolution, and the limits of her print utility.
"""

import tomllib
from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import Any

from platemark.config.model import Config
from platemark.config.print_spec import PrintSpec
from platemark.config.sheet_size import SheetSize, parse_sheet_size
from platemark.errors import PlatemarkError

_ANY = """
sheet = "{sheet}"
orientation = "{lies}"
border = 0
ppi = {ppi}
"""
_STRIP = """
stages = ["deskew", "crop", {mending}"trial_strip", "proof", "jpeg"]
[trial_strip]
place = "{place}"
lightness = {lightness}
warmth = {warmth}
saturation = {saturation}
"""
_PAGE = """
stages = ["path_page", "jpeg"]
[jpeg]
space = "keep"
"""
_NARROW_MM = 170.0
_PPI = 360  # what home printers work in, or a half or a double of it (common practice)


@dataclass(frozen=True)
class StripAsked:
    """How a test strip is wanted.

    Attributes:
        sheet: that is fed, such as "A4".
        place: the part of it, such as "2of4".
        lightness: of the middle of the ring, as the stage has it; so the next two.
        warmth: see `lightness`.
        saturation: see `lightness`.
    """

    sheet: str = "A4"
    place: str = "1of4"
    lightness: float = 0.0
    warmth: float = 0.0
    saturation: int = 0


def strip_print(config: Config, paper: str, asked: StripAsked, mends: Callable[[str], bool]) -> PrintSpec:
    """The print of a test strip.

    Args:
        config: as loaded.
        paper: a paper of the config.
        asked: how it is wanted.
        mends: tells of a stage whether it mends the scan: those of the prints on this paper run for the strip too.

    Raises:
        PlatemarkError: there is no such paper, or no such sheet.
    """
    like = _print_on(config, paper)
    chain = (like.stages if like else None) or config.stages
    mending = "".join(f'"{stage}", ' for stage in chain if mends(stage))
    sheet = _sized(asked.sheet)
    # Two rows of patches want the width of an A4 sheet; a smaller one is taken broadside.
    broadside = min(sheet.sides_mm) < _NARROW_MM
    return _written(config, paper, sheet, _STRIP.format(mending=mending, **asdict(asked)), broadside=broadside)


def page_print(config: Config, paper: str, sheet: str) -> PrintSpec:
    """The print of the page that tests the way to the printer; see `strip_print`."""
    return _written(config, paper, _sized(sheet), _PAGE)


def _sized(sheet: str) -> SheetSize:
    try:
        return parse_sheet_size(sheet)
    except ValueError as fault:
        raise PlatemarkError(f'the sheet "{sheet}" cannot be used', remedy=str(fault)) from fault


def _written(config: Config, paper: str, sheet: SheetSize, own: str, *, broadside: bool = False) -> PrintSpec:
    if paper and paper not in config.paper:
        known = ", ".join(config.paper) or "none yet"
        raise PlatemarkError(f"no paper is called {paper}", remedy=f"name one that is described in the config: {known}")
    like = _print_on(config, paper)
    lies = "landscape" if broadside or sheet.width_mm > sheet.height_mm else "portrait"
    name = sheet.name.removesuffix(" landscape")
    table = tomllib.loads(_ANY.format(sheet=name, lies=lies, ppi=like.ppi if like else _PPI) + own)
    for stage, settings in (like.stage_settings if like else {}).items():
        table[stage] = {**settings, **_table(table, stage)}
    if paper:
        table["paper"] = paper
    return PrintSpec.model_validate(table)


def _print_on(config: Config, paper: str) -> PrintSpec | None:
    """The first print on this paper, or else the first of all."""
    on_it = [spec for spec in config.print.values() if spec.paper == paper]
    return next(iter([*on_it, *config.print.values()]), None)


def _table(table: dict[str, Any], stage: str) -> dict[str, Any]:
    below = table.get(stage)
    return below if isinstance(below, dict) else {}

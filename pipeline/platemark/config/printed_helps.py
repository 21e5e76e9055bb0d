"""The prints that help to print: a test strip of a piece, and a page that tests the way to the printer.

Each is a print like any other, written as an artist would write it; it takes what she says of her own prints on that
paper: their resolution, and the limits of her print utility.
"""

import tomllib
from typing import Any

from pydantic import ValidationError

from platemark.config.model import Config
from platemark.config.print_spec import PrintSpec
from platemark.errors import PlatemarkError

_ANY = """
sheet = "{sheet}"
orientation = "{lies}"
border = 0
ppi = {ppi}
"""
_STRIP = """
stages = ["deskew", "crop", "trial_strip", "proof", "jpeg"]
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
_PPI = 360  # what home printers work in, or a half or a double of it (common practice)


def strip_print(config: Config, paper: str, sheet: str, place: str, around: tuple[float, float, int]) -> PrintSpec:
    """The print of a test strip.

    Args:
        config: as loaded.
        paper: a paper of the config.
        sheet: the sheet that is fed, such as "A4".
        place: the part of it, such as "2of4".
        around: lightness, warmth and saturation of the middle of the ring.

    Raises:
        PlatemarkError: there is no such paper, or no such sheet.
    """
    words = dict(zip(("lightness", "warmth", "saturation"), around, strict=True))
    return _written(config, paper, sheet, _STRIP.format(place=place, **words))


def page_print(config: Config, paper: str, sheet: str) -> PrintSpec:
    """The print of the page that tests the way to the printer; see `strip_print`."""
    return _written(config, paper, sheet, _PAGE)


def _written(config: Config, paper: str, sheet: str, own: str) -> PrintSpec:
    if paper and paper not in config.paper:
        known = ", ".join(config.paper) or "none yet"
        raise PlatemarkError(f"no paper is called {paper}", remedy=f"name one that is described in the config: {known}")
    like = _print_on(config, paper)
    lies = "landscape" if sheet.lower().endswith("landscape") else "portrait"
    table = tomllib.loads(_ANY.format(sheet=sheet, lies=lies, ppi=like.ppi if like else _PPI) + own)
    for stage, settings in (like.stage_settings if like else {}).items():
        table[stage] = {**settings, **_table(table, stage)}
    if paper:
        table["paper"] = paper
    try:
        return PrintSpec.model_validate(table)
    except ValidationError as fault:
        why = str(fault.errors()[0]["msg"]).removeprefix("Value error, ")
        raise PlatemarkError(f'the sheet "{sheet}" cannot be used', remedy=why) from fault


def _print_on(config: Config, paper: str) -> PrintSpec | None:
    """The first print on this paper, or else the first of all."""
    on_it = [spec for spec in config.print.values() if spec.paper == paper]
    return next(iter([*on_it, *config.print.values()]), None)


def _table(table: dict[str, Any], stage: str) -> dict[str, Any]:
    below = table.get(stage)
    return below if isinstance(below, dict) else {}

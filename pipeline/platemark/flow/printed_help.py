"""Making the prints that help to print, through the same delivery as any print."""

import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from platemark.config.model import Printer
from platemark.config.print_spec import PrintSpec
from platemark.config.printed_helps import page_print, strip_print
from platemark.flow.delivery import Delivery, Outcome, held_outcome
from platemark.flow.intake import Incomplete
from platemark.flow.leaving import clear_up
from platemark.flow.path_original import path_original
from platemark.flow.studio import Studio
from platemark.records.store import write_whole

_PAGE = "pathtest"


def _silent(_print: str, _stage: str) -> None:
    """Progress that nobody watches."""


def make_strip(
    studio: Studio,
    scan: Path,
    paper: str,
    *,
    sheet: str = "A4",
    place: str = "1of1",
    around: tuple[float, float, int] = (0, 0, 0),
    progress: Callable[[str, str], None] = _silent,
) -> list[Outcome]:
    """Make a test strip of a scan, which stays where it is; see `strip_print`.

    To be called by who holds the studio, see `sole_worker`.

    Raises:
        PlatemarkError: there is no such paper, or no such sheet.
        StoreError: the disk refuses.
    """
    spec = strip_print(studio.config, paper, sheet, place, around)
    return _made(studio, scan, f"strip-{paper}-{place}", spec, progress)


def make_page(
    studio: Studio, paper: str, *, sheet: str = "A4", progress: Callable[[str, str], None] = _silent
) -> list[Outcome]:
    """Make the page that tests the way to the printer; see `page_print`.

    What is drawn in colour is its original, archived as a scan is. The page tries the way as it is, so it goes out in
    the profile that is being tried, whoever converts pictures.

    Raises:
        PlatemarkError: there is no such paper, or no such sheet.
        StoreError: the disk refuses.
    """
    spec = page_print(studio.config, paper, sheet)
    plain = replace(studio, config=studio.config.model_copy(update={"printer": Printer()}))
    with tempfile.TemporaryDirectory(prefix="platemark-") as folder:
        original = Path(folder) / f"{_PAGE}.tif"
        write_whole(original, path_original(spec.ppi), step="drawn")
        return _made(plain, original, paper or "paper", spec, progress)


def _made(
    studio: Studio, scan: Path, name: str, spec: PrintSpec, progress: Callable[[str, str], None]
) -> list[Outcome]:
    clear_up(studio)
    config = studio.config.model_copy(update={"print": {**studio.config.print, name: spec}})
    try:
        return Delivery(replace(studio, config=config), scan, progress, only=(name,), stays=True).run()
    except Incomplete as unfinished:
        return [held_outcome(scan, unfinished, name)]

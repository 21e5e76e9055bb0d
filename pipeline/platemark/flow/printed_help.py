"""Making the prints that help to print, through the same delivery as any print."""

import tempfile
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from platemark.config.model import Printer
from platemark.config.print_spec import PrintSpec
from platemark.config.printed_helps import StripAsked, page_print, strip_print
from platemark.errors import PlatemarkError
from platemark.flow.delivery import Delivery, Outcome, Progress, held_outcome
from platemark.flow.gathered import SetDelivery
from platemark.flow.grouping import grouped
from platemark.flow.intake import Incomplete
from platemark.flow.leaving import clear_up
from platemark.flow.path_original import path_original
from platemark.flow.studio import Studio
from platemark.records.store import write_whole

_PAGE = "pathtest"


def _silent(_print: str, _stage: str) -> None:
    """Progress that nobody watches."""


def make_strip(
    studio: Studio, scans: Sequence[Path], paper: str, asked: StripAsked, progress: Progress = _silent
) -> list[Outcome]:
    """Make a test strip of an original, whose scans stay where they are; see `strip_print`.

    To be called by who holds the studio, see `sole_worker`.

    Args:
        studio: where to.
        scans: one scan, or all of a set.
        paper: a paper of the config.
        asked: how the strip is wanted.
        progress: told the print and the stage that starts.

    Raises:
        PlatemarkError: there is no such paper or sheet, or the scans are not those of one original.
        StoreError: the disk refuses.
    """
    spec = strip_print(studio.config, paper, asked, lambda stage: studio.plugins.stage(stage).kind.mends)
    return _made(studio, scans, f"strip-{paper}-{asked.place.lower()}", spec, progress)


def make_page(studio: Studio, paper: str, *, sheet: str = "A4", progress: Progress = _silent) -> list[Outcome]:
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
        return _made(plain, [original], paper or "paper", spec, progress)


def _made(studio: Studio, scans: Sequence[Path], name: str, spec: PrintSpec, progress: Progress) -> list[Outcome]:
    clear_up(studio)
    config = studio.config.model_copy(update={"print": {**studio.config.print, name: spec}})
    delivery = _delivery(replace(studio, config=config), scans, progress)
    delivery.only, delivery.stays = (name,), True
    try:
        return delivery.run()
    except Incomplete as unfinished:
        return [held_outcome(delivery.scan, unfinished, name)]


def _delivery(studio: Studio, scans: Sequence[Path], progress: Progress) -> Delivery:
    """Of a scan, or of a set of them."""
    alone, bundles = grouped(scans, studio.plugins)
    if len(alone) + len(bundles) != 1:
        raise PlatemarkError("a strip is made of one original", remedy="name one scan, or all scans of one set")
    if alone:
        return Delivery(studio, alone[0], progress)
    (bundle,) = bundles
    if bundle.trouble:
        raise PlatemarkError(bundle.trouble.reason, remedy=bundle.trouble.remedy)
    if bundle.missing:
        raise PlatemarkError(bundle.says_missing(), remedy="name all scans of the set together")
    return SetDelivery(studio, bundle.scan, progress, bundle=bundle)

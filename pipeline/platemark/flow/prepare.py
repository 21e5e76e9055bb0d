"""Preparing: the work of the watcher once, now, for files that are named."""

from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path

from platemark.flow.delivery import Changing, Outcome, deliver, held_outcome, hold
from platemark.flow.intake import Incomplete
from platemark.flow.leaving import clear_up
from platemark.flow.studio import Studio
from platemark.records.names import shown


def _silent(_scan: str, _print: str, _stage: str) -> None:
    """Progress that nobody watches."""


def prepare(
    studio: Studio, files: Sequence[Path], progress: Callable[[str, str, str], None] = _silent
) -> Iterator[list[Outcome]]:
    """Make the prints of each file in turn; one that cannot be used is held and the next goes on.

    To be called by who holds the studio, see `sole_worker`: it begins by clearing up after a crash.

    Args:
        studio: where to.
        files: scans; those outside `scans/` stay where they are.
        progress: told scan, print and stage as each stage starts.

    Raises:
        StoreError: the disk refuses.
    """
    clear_up(studio)
    for scan in files:
        try:
            yield deliver(studio, scan, partial(progress, shown(scan.name)))
        except Changing as changing:  # still being written: it must not be moved from under the writer
            yield [held_outcome(scan, changing)]
        except Incomplete as unfinished:  # named by hand, so it is not waited for
            yield hold(studio, scan, unfinished)

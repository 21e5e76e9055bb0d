"""Preparing: the work of the watcher once, now, for files that are named."""

from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path

from platemark.errors import Held
from platemark.flow.delivery import Outcome, deliver, hold
from platemark.flow.studio import Studio


def _silent(_scan: str, _print: str, _stage: str) -> None:
    """Progress that nobody watches."""


def prepare(
    studio: Studio, files: Sequence[Path], progress: Callable[[str, str, str], None] = _silent
) -> Iterator[list[Outcome]]:
    """Make the prints of each file in turn; one that cannot be used is held and the next goes on.

    Args:
        studio: where to.
        files: scans; those outside `scans/` stay where they are.
        progress: told scan, print and stage as each stage starts.

    Raises:
        StoreError: the disk refuses.
    """
    for scan in files:
        try:
            yield deliver(studio, scan, partial(progress, scan.name))
        except Held as held:  # named by hand, so it is not waited for
            yield hold(studio, scan, held)

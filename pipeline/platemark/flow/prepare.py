"""Preparing: the work of the watcher once, now, for files that are named."""

from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path

from platemark.flow.delivery import Changing, Outcome, held_outcome
from platemark.flow.gathered import deliver_any, hold_any
from platemark.flow.grouping import Bundle, grouped
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
    for work in _in_order(files, studio):
        if isinstance(work, Bundle) and work.missing and not work.trouble:
            yield [_waiting(work)]
            continue
        scan = work.scan if isinstance(work, Bundle) else work
        try:
            yield deliver_any(studio, work, partial(progress, shown(scan.name)))
        except Changing as changing:  # still being written: it must not be moved from under the writer
            yield [held_outcome(scan, changing)]
        except Incomplete as unfinished:  # named by hand, so it is not waited for
            yield hold_any(studio, work, unfinished)


def _in_order(files: Sequence[Path], studio: Studio) -> list[Path | Bundle]:
    """Scans and sets, each set where its first scan was named."""
    _, bundles = grouped(files, studio.plugins)
    of_set = {file: bundle for bundle in bundles for file in bundle.files}
    work: list[Path | Bundle] = [of_set.get(path, path) for path in files]
    # Whoever names a scan twice gets it twice, as known; a set is named once by all its scans.
    return [one for n, one in enumerate(work) if not (isinstance(one, Bundle) and one in work[:n])]


def _waiting(bundle: Bundle) -> Outcome:
    """A set of which not all scans were named is left alone."""
    remedy = "name all scans of the set together, all in one folder; nothing was moved"
    return Outcome(shown(bundle.name), "", "waiting", reason=bundle.says_missing(), remedy=remedy)

"""Preparing: the work of the watcher once, now, for files that are named."""

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor
from pathlib import Path

from platemark.errors import Refusal
from platemark.flow.delivery import Changing, Outcome, held_outcome
from platemark.flow.gathered import hold_any
from platemark.flow.grouping import Bundle, grouped
from platemark.flow.intake import Incomplete
from platemark.flow.leaving import clear_up
from platemark.flow.studio import Studio
from platemark.flow.workers import order
from platemark.flow.workers.dispatch import Dispatcher, Work
from platemark.flow.workers.here import Here
from platemark.records.names import shown


def _silent(_scan: str, _print: str, _stage: str) -> None:
    """Progress that nobody watches."""


def prepare(
    studio: Studio,
    files: Sequence[Path],
    executor: Executor | None = None,
    workers: int | Callable[[], int] = 1,
    progress: Callable[[str, str, str], None] = _silent,
) -> Iterator[list[Outcome]]:
    """Make the prints of each file; one that cannot be used is held and the others go on.

    To be called by who holds the studio, see `sole_worker`: it begins by clearing up after a crash.

    Args:
        studio: where to.
        files: scans; those outside `scans/` stay where they are.
        executor: who does the work; without it, this thread.
        workers: how many scans it works on at once; where that may change, who tells.
        progress: told scan, print and stage as each stage starts.

    Yields:
        What became of each scan, in the order of `files`.

    Raises:
        StoreError: the disk refuses.
        NoWorkers: nobody is there any more to do the work.
    """
    clear_up(studio)
    order.listen(progress)
    works = _in_order(files, studio)
    told: dict[int, list[Outcome]] = {
        n: [_waiting(work)] for n, work in enumerate(works) if isinstance(work, Bundle) and _must_wait(work)
    }
    places: dict[Work, list[int]] = {}
    for n, work in enumerate(works):  # one that was named twice is told of in turn
        places.setdefault(work, []).append(n)
    begun = [n for n in range(len(works)) if n not in told]
    dispatcher = Dispatcher(studio, executor or Here(), workers)
    for n in range(len(works)):
        while n not in told:
            begun = _begin(dispatcher, works, begun)
            dispatcher.wait()
            for work, result in dispatcher.done():
                told[places[work].pop(0)] = _outcomes(studio, work, result)
        yield told[n]


def works_in(files: Sequence[Path], studio: Studio) -> int:
    """How many scans and sets there are to work on."""
    return sum(not (isinstance(work, Bundle) and _must_wait(work)) for work in _in_order(files, studio))


def _begin(dispatcher: Dispatcher, works: Sequence[Work], waiting: list[int]) -> list[int]:
    """Begin what may be begun, in order; returns what still waits."""
    left = list(waiting)
    for n in waiting:
        if dispatcher.is_full:
            break
        if not dispatcher.has(works[n]) and dispatcher.begin(works[n]):
            left.remove(n)
    return left


def _outcomes(studio: Studio, work: Work, result: list[Outcome] | Incomplete | Refusal) -> list[Outcome]:
    """What became of a scan.

    Raises:
        Refusal: the disk refuses, or nobody is there.
    """
    if isinstance(result, Refusal):
        raise result
    if isinstance(result, Changing):  # still being written: it must not be moved from under the writer
        return [held_outcome(work if isinstance(work, Path) else work.scan, result)]
    if isinstance(result, Incomplete):  # named by hand, so it is not waited for
        return hold_any(studio, work, result)
    return result


def _must_wait(bundle: Bundle) -> bool:
    """True for a set of which not all scans were named."""
    return bool(bundle.missing) and not bundle.trouble


def _in_order(files: Sequence[Path], studio: Studio) -> list[Path | Bundle]:
    """Scans and sets, each set where its first scan was named."""
    _, bundles = grouped(files, studio.plugins)
    of_set = {file: bundle for bundle in bundles for file in bundle.files}
    work: list[Path | Bundle] = [of_set.get(path, path) for path in files]
    # Whoever names a scan twice gets it twice, as known; a set is named once by all its scans.
    first = {one: n for n, one in reversed(list(enumerate(work)))}
    return [one for n, one in enumerate(work) if not isinstance(one, Bundle) or first[one] == n]


def _waiting(bundle: Bundle) -> Outcome:
    """A set of which not all scans were named is left alone."""
    remedy = "name all scans of the set together, all in one folder; nothing was moved"
    return Outcome(shown(bundle.name), "", "waiting", reason=bundle.says_missing(), remedy=remedy)

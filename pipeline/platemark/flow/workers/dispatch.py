"""Dispatch: which scans are worked on at the same time, and what becomes of one whose worker was lost.

Delivery finds free names and known contents by looking into folders, so two scans that could want the same name, or
have the same content, are never in work together. Nothing else needs a lock.
"""

import re
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future, wait
from dataclasses import dataclass, field
from pathlib import Path

import structlog

from platemark.errors import Held, Refusal
from platemark.flow.delivery import Outcome
from platemark.flow.gathered import files_of, hold_any
from platemark.flow.grouping import Bundle, names_of
from platemark.flow.intake import Incomplete
from platemark.flow.reasons import why_held
from platemark.flow.studio import Studio
from platemark.flow.workers.aftermath import Sample, sample_of, what_became_of
from platemark.flow.workers.order import carry_out, name_of, order_of
from platemark.flow.workers.processes import TookTooLong

log = structlog.get_logger("platemark")

Work = Path | Bundle
# heron-2 may be a second scan named heron, the second item of one, or a scan that is named so.
_NUMBER = re.compile(r"-\d+$")


@dataclass
class _Errand:
    """A scan or set that is worked on.

    Attributes:
        work: the scan or set.
        names: what it is called, as `name_key` has it.
        roots: its names, and these without the numbers at their ends.
        contents: what its files hold, as far as a sample tells.
        begun: how often it was begun.
    """

    work: Work
    names: frozenset[str] = frozenset()
    roots: frozenset[str] = frozenset()
    contents: frozenset[Sample] = frozenset()
    begun: int = 1

    def may_clash(self, other: "_Errand") -> bool:
        """True where both could want one name, as heron and heron-2 do, unlike heron-1 and heron-2; or are the same."""
        return bool(self.names & other.roots or other.names & self.roots or self.contents & other.contents)


@dataclass
class Dispatcher:
    """Gives work to an executor.

    Attributes:
        studio: whose scans.
        executor: who does it.
        most: how many scans are in work at once; where that may change, who tells.
        on_done: called, from any thread, when something is done.
    """

    studio: Studio
    executor: Executor
    most: int | Callable[[], int] = 1
    on_done: Callable[[], None] = lambda: None
    _in_work: dict[Future[list[Outcome]], _Errand] = field(default_factory=dict)

    @property
    def is_full(self) -> bool:
        """True when everybody has something to do."""
        return len(self._in_work) >= (self.most if isinstance(self.most, int) else self.most())

    @property
    def is_idle(self) -> bool:
        """True when nothing is in work."""
        return not self._in_work

    def has(self, work: Work) -> bool:
        """True when one of the files of this scan or set is in work."""
        busy = {file for errand in self._in_work.values() for file in files_of(errand.work)}
        return not busy.isdisjoint(files_of(work))

    def begin(self, work: Work) -> bool:
        """Give a scan or set to a worker; False where it must wait for one that is in work."""
        errand = self._marked(work)
        if any(errand.may_clash(other) for other in self._in_work.values()):
            return False
        self._submit(errand)
        return True

    def wait(self) -> None:
        """Wait until one is done."""
        wait(self._in_work, return_when="FIRST_COMPLETED")

    def done(self) -> Iterator[tuple[Work, list[Outcome] | Incomplete | Refusal]]:
        """What is done: the outcomes, or why nothing was done."""
        for future in [future for future in self._in_work if future.done()]:
            errand = self._in_work.pop(future)
            try:
                result = self._result(errand, future)
            except Refusal as fault:
                result = fault
            if result is not None:
                yield errand.work, result

    def _submit(self, errand: _Errand) -> None:
        future = self.executor.submit(carry_out, order_of(self.studio, files_of(errand.work)))
        self._in_work[future] = errand
        future.add_done_callback(lambda _future: self.on_done())

    def _result(self, errand: _Errand, future: Future[list[Outcome]]) -> list[Outcome] | Incomplete | Refusal | None:
        """What came of it; None where it was begun anew.

        Raises:
            StoreError: the disk refuses.
        """
        try:
            return future.result()
        except Refusal as fault:
            return fault
        except Incomplete as fault:
            return self._made_before(errand) or fault
        except Exception as fault:  # noqa: BLE001 - a worker that is lost, or a fault of ours, costs one scan
            return self._begin_anew_or_hold(errand, fault)

    def _begin_anew_or_hold(self, errand: _Errand, fault: Exception) -> list[Outcome] | None:
        """A worker may be lost for a reason that has nothing to do with the scan, so it is tried once more."""
        if isinstance(fault, TookTooLong) or errand.begun > 1:
            return hold_any(self.studio, errand.work, self._why(errand, fault))
        log.warning("a worker was lost; its scan is begun anew", scan=name_of(errand.work), fault=str(fault))
        errand.begun += 1
        self._submit(errand)
        return None

    def _made_before(self, errand: _Errand) -> list[Outcome]:
        """Dask gives the scan of a lost worker to another by itself; the first may have done all but say so."""
        if any(file.exists() for file in files_of(errand.work)):
            return []
        return what_became_of(self.studio, name_of(errand.work), _stems(errand.work), errand.contents)

    def _why(self, errand: _Errand, fault: Exception) -> Held:
        return why_held(fault, files_of(errand.work)[0])

    def _marked(self, work: Work) -> _Errand:
        """An errand with what no two that are in work may share."""
        files = files_of(work)
        names = {key for stem in _stems(work) for key in names_of(stem, self.studio.plugins)}
        roots = {root for name in names for root in _roots(name)}
        return _Errand(work, frozenset(names), frozenset(roots), frozenset(sample_of(file) for file in files))


def _stems(work: Work) -> set[str]:
    """What the files of a scan or set are called, and the set."""
    return {file.stem for file in files_of(work)} | ({work.name} if isinstance(work, Bundle) else set())


def _roots(name: str) -> Iterator[str]:
    """heron-2-1, heron-2, heron."""
    yield name
    while (shorter := _NUMBER.sub("", name)) != name:
        name = shorter
        yield name

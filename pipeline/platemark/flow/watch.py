"""The watcher: every scan in `scans/` is given to a worker once it is whole, in the order of arrival.

watchdog only wakes it up early. What counts is the listing, made after each wake and at every
sweep, so a lost event costs a minute at most and a doubled one nothing.
"""

import contextlib
import math
import queue
import time
from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass, field
from pathlib import Path

import structlog

from platemark.errors import PlatemarkError, Refusal, StoreError
from platemark.flow.delivery import Changing, Outcome
from platemark.flow.gathered import UnfinishedPart, files_of, hold_any
from platemark.flow.grouping import Bundle
from platemark.flow.inbox import Inbox
from platemark.flow.intake import Incomplete
from platemark.flow.leaving import clear_up
from platemark.flow.observing import Bell, Observing
from platemark.flow.same_folder import SameFolder
from platemark.flow.studio import Studio
from platemark.flow.waiting import Waiting
from platemark.flow.workers.dispatch import Dispatcher
from platemark.flow.workers.here import Here
from platemark.records.making import this_engine

log = structlog.get_logger("platemark")

# A scanner that pauses longer than ten settle times between two strips has stopped.
GRACE = 10
# While a file settles it is looked at so many times, and this often in seconds at least: its time begins when it is
# seen to stand still. Looking takes a tenth of the time at most, however many files lie there, also while there is
# something to work on.
_LOOKS = 8
_LONGEST_REST = 0.15
_REST_PER_LOOK = 9.0
# Seconds between two tries while the disk refuses: long enough to leave it alone, short enough to wait for.
_PAUSE = 5.0


@dataclass
class Watcher:
    """Watches the scans of one studio until it is told to stop.

    Attributes:
        studio: whose scans.
        on_outcome: told what became of each print.
        executor: who does the work.
        workers: how many scans it works on at once; where that may change, who tells.
        clock: seconds, never going back.
        stopping: it was told to stop.
    """

    studio: Studio
    on_outcome: Callable[[Outcome], None] = lambda _outcome: None
    executor: Executor = field(default_factory=Here)
    workers: int | Callable[[], int] = 1
    clock: Callable[[], float] = time.monotonic
    stopping: bool = False
    _bell: Bell = field(default_factory=queue.SimpleQueue)
    _trouble: str = ""
    _some_done: bool = False
    _works: list[Path | Bundle] = field(default_factory=list)
    _look_again: float = 0.0
    _least_rest: float = 0.0

    def __post_init__(self) -> None:
        """Set up the inbox by the config."""
        settle = self.studio.config.watch.settle
        self.inbox = Inbox(self.studio.scans, settle, settle * GRACE)
        self.waiting = Waiting(self.studio)
        self.observing = Observing(self.studio, self._bell)
        self.folder = SameFolder(self.studio)
        self.dispatcher = Dispatcher(self.studio, self.executor, self.workers, self._wake)

    def stop(self) -> None:
        """Finish the scans in hand, then end. May be called from a signal handler or another thread."""
        self.stopping = True
        self._bell.put(None)

    def run(self) -> None:
        """Watch until stopped. To be called by who holds the studio, see `sole_worker`.

        Raises:
            PlatemarkError: the disk that scans lie on is not there.
        """
        self.folder.check_at_start()
        clear_up(self.studio)
        this_engine()  # as it is loaded now, before another version is installed over it
        try:
            while not self.stopping:
                self._rest(self._turn())
            while not self.dispatcher.is_idle:
                self.dispatcher.wait()
                self._collect()
        finally:
            self.observing.end()

    def _wake(self) -> None:
        self._some_done = True
        self._bell.put(None)

    def _turn(self) -> float:
        """Look, work, and say how long to rest. The watch stands before the listing, so nothing falls between."""
        watch = self.studio.config.watch
        try:
            if not self._folder_is_there():
                return min(_PAUSE, watch.sweep)
            if self.observing.mend():
                self._go_on()
            self._look()
        except OSError as fault:
            self._pause(f"{self.studio.scans} cannot be watched ({fault.strerror})", "bring the folder back")
            return min(_PAUSE, watch.sweep)
        if not (self._collect() and self._hand_out()):
            return min(_PAUSE, watch.sweep)
        return min(watch.sweep, max(self._next_look(), self._least_rest))

    def _next_look(self) -> float:
        """Seconds until it may be known of another file that it stood still long enough."""
        settle = self.studio.config.watch.settle
        if self.inbox.is_settling:
            return min(settle / _LOOKS, _LONGEST_REST, self.inbox.settled_in)
        return settle / 2 if self.inbox.is_waiting else math.inf

    def _look(self) -> None:
        """List the folder, unless it was listed just now and not all that stood still then is begun.

        Raises:
            OSError: the folder cannot be listed.
        """
        begun = time.monotonic()
        if self._works and begun < self._look_again:
            return
        works = self._sorted_out(self.inbox.look(self.clock()))
        self._works = [work for work in works if not self.dispatcher.has(work)]
        ended = time.monotonic()
        self._least_rest = _REST_PER_LOOK * (ended - begun)
        self._look_again = ended + self._least_rest

    def _hand_out(self) -> bool:
        """Give to the workers what they can take; False where the disk refuses, or nobody is there."""
        for work in list(self._works):
            if self.stopping or self.dispatcher.is_full:
                break
            is_as_seen = all(self.inbox.is_as_seen(file) for file in files_of(work))
            if is_as_seen and not self.dispatcher.begin(work):
                continue
            self._works.remove(work)
            if is_as_seen and not self._collect():
                return False
        return True

    def _collect(self) -> bool:
        """Tell what is done; False where the disk refuses, or nobody is there."""
        self._some_done = False
        refused = False
        for work, result in self.dispatcher.done():
            try:
                if isinstance(result, Refusal):
                    raise result
                self._tell(work, result)
            except Refusal as fault:
                refused = True
                self._works.clear()  # what is refused lets all others go first
                self._pause(fault.what, fault.remedy)
                for path in files_of(work):
                    self.inbox.postpone(path, self.clock())
            else:
                self._go_on()
        return not refused

    def _rest(self, seconds: float) -> None:
        """Sleep until something happens in the folder or the time is over.

        While files settle, events wake nobody: nothing can be ready earlier. Otherwise one does, but not at once after
        a look: a program that writes a thousand strips a second must not make us look a thousand times.
        """
        begun = time.monotonic()
        until = begun + seconds
        while not self.stopping and (left := until - time.monotonic()) > 0:
            with contextlib.suppress(queue.Empty):
                self._bell.get(timeout=left)
                if self._some_done:
                    return
                if not self.inbox.is_settling:
                    until = min(until, begun + max(_LONGEST_REST, self._least_rest))

    def _sorted_out(self, ready: list[Path]) -> list[Path | Bundle]:
        """What to work on; sets that lack a scan wait, and what is to be said of them is said."""
        try:
            work, told = self.waiting.sort_out(ready, self.inbox.seen, self.clock())
        except StoreError as fault:
            self._pause(fault.what, fault.remedy)
            return []
        for outcome in told:
            self.on_outcome(outcome)
        return work

    def _tell(self, work: Path | Bundle, result: list[Outcome] | Incomplete) -> None:
        """Tell what became of a scan; one that is not whole waits, and is held when its time is over.

        Raises:
            StoreError: the disk refuses.
        """
        outcomes = self._unfinished(work, result) if isinstance(result, Incomplete) else result
        for outcome in outcomes:
            self.on_outcome(outcome)

    def _unfinished(self, work: Path | Bundle, unfinished: Incomplete) -> list[Outcome]:
        path = unfinished.file if isinstance(unfinished, UnfinishedPart) else files_of(work)[0]
        if not all(file.exists() for file in files_of(work)):
            log.info("gone before it was taken", scan=path.name)
            return []
        out_of_grace = self.inbox.not_whole(path, self.clock())
        if isinstance(unfinished, Changing) or not out_of_grace:
            log.info("waiting: not whole yet", scan=path.name)
            return []
        return hold_any(self.studio, work, unfinished)

    def _pause(self, trouble: str, remedy: str | None) -> None:
        """Say what stops the work, once; it goes on by itself."""
        if trouble != self._trouble:
            log.error("paused", fault=trouble, remedy=remedy)
        self._trouble = trouble

    def _go_on(self) -> None:
        if self._trouble:
            log.info("going on", after=self._trouble)
        self._trouble = ""

    def _folder_is_there(self) -> bool:
        """A folder that was taken away and made anew is another folder: watch that one."""
        scans = self.studio.scans
        try:
            is_another = self.folder.is_another()
        except OSError as fault:
            self._pause(f"the folder {scans} is gone ({fault.strerror})", "bring it back, or make it anew")
        except PlatemarkError as fault:
            self._pause(fault.what, fault.remedy)
        else:
            if is_another:
                log.warning("the folder for scans was replaced; watching the new one")
                self.observing.end()
            return True
        self.observing.end()
        return False

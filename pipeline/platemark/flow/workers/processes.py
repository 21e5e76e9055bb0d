"""Worker processes: what crashes, hangs or eats memory takes its own process down, and costs one scan.

Each worker is a new Python (never a fork: libvips has threads, and a forked copy of them hangs), started when it is
first needed and kept; a worker that is lost is replaced for the next scan.
"""

import os
import queue
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from concurrent.futures import Executor, Future
from functools import partial
from typing import Any, ParamSpec, TypeVar

import structlog

from platemark.errors import Held
from platemark.flow.reasons import MORE_MEMORY
from platemark.flow.workers import order
from platemark.flow.workers.messages import receive, send

log = structlog.get_logger("platemark")

Asked = ParamSpec("Asked")
Given = TypeVar("Given")

# What is loaded stays, so the garbage collector need not look through it again and again.
_COMMAND = "import gc; gc.disable(); from platemark.flow.workers.child import main; main()"
# Loading all libraries from a slow disk, at most; a worker that has not said a word by then never will.
_START = 120.0


class WorkerLost(Held):
    """The process that worked on a scan is gone."""


class TookTooLong(Held):
    """A scan was not done in time, and its worker was ended."""


class _Worker:
    """One process and the two pipes to it."""

    def __init__(self, memory: int, log_level: str, cores: int) -> None:
        environment = {
            **os.environ,
            "PYTHONPATH": os.pathsep.join(path for path in sys.path if path),
            "PLATEMARK_WORKER_MEMORY": str(memory),
            "PLATEMARK_WORKER_LOG": log_level,
            # Every new thread may get a heap of its own from glibc (mallopt(3)); what is free in one serves no other,
            # so that a worker would swell and shrink by tens of megabytes from scan to scan.
            "MALLOC_ARENA_MAX": os.environ.get("MALLOC_ARENA_MAX", "2"),
            # Workers share the processor; the bytes are the same with any number of threads.
            "VIPS_CONCURRENCY": os.environ.get("VIPS_CONCURRENCY", str(cores)),
        }
        self._process = subprocess.Popen(
            [sys.executable, "-c", _COMMAND], stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=environment
        )
        self._allowed = f"the {memory / 1e6:.0f} MB that it may have are" if memory else "memory is"
        self._heard: queue.SimpleQueue[tuple[str, Any]] = queue.SimpleQueue()
        threading.Thread(target=self._listen, daemon=True).start()
        self._is_there = False

    def call(self, call: tuple[Any, ...], seconds: float) -> Any:  # noqa: ANN401 - whatever the function gives
        """Have a function called there.

        Raises:
            WorkerLost: it went away meanwhile.
            TookTooLong: it had no answer in time.
            Exception: whatever the function raised.
        """
        self._wait_until_there()
        assert self._process.stdin  # noqa: S101 - asked for above
        try:
            send(self._process.stdin, call)
        except OSError:
            raise self._lost() from None
        until = time.monotonic() + seconds
        while True:
            kind, what = self._next(until - time.monotonic(), seconds)
            if kind == "done":
                return what
            if kind == "failed":
                raise what
            _pass_on(kind, what)

    def end(self) -> None:
        """End it, now."""
        self._process.kill()
        self._process.wait()
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe:
                pipe.close()

    def _wait_until_there(self) -> None:
        while not self._is_there:
            kind, what = self._next(_START, _START)
            self._is_there = kind == "there"
            _pass_on(kind, what)

    def _next(self, left: float, limit: float) -> tuple[str, Any]:
        try:
            heard = self._heard.get(timeout=max(left, 0.001))
        except queue.Empty:
            raise TookTooLong(
                f"it was not done within {limit:g} seconds",
                remedy="raise time_limit in [work] if it is very large; else look at its stages, or scan it again",
            ) from None
        if heard[0] == "gone":
            raise self._lost()
        return heard

    def _listen(self) -> None:
        assert self._process.stdout  # noqa: S101 - asked for above
        try:
            while True:
                self._heard.put(receive(self._process.stdout))
        except (EOFError, OSError, ValueError):
            self._heard.put(("gone", None))
        except Exception as fault:  # noqa: BLE001 - what cannot be read is an answer too
            self._heard.put(("failed", RuntimeError(f"the worker's answer cannot be read: {fault}")))

    def _lost(self) -> WorkerLost:
        self._process.kill()
        code = self._process.wait()
        how = f"by signal {-code}" if code < 0 else f"with code {code}"
        return WorkerLost(
            f"the process that worked on it ended by itself ({how}), as it does over a broken file, a faulty stage, "
            f"or where {self._allowed} not enough",
            remedy=f"{MORE_MEMORY}; if it comes back, the file or a stage of yours is at fault",
        )


class Processes(Executor):
    """Worker processes, each with one call at a time.

    Args:
        workers: how many at most.
        time_limit: seconds for one call.
        memory: bytes a worker may have, 0 for any number.
        log_level: what workers tell: debug, info, warning or error.
    """

    def __init__(self, workers: int, *, time_limit: float = 600.0, memory: int = 0, log_level: str = "info") -> None:
        self._most = workers
        self._time_limit = time_limit
        self._hire = partial(_Worker, memory, log_level, max(1, (os.cpu_count() or 1) // workers))
        self._calls: queue.SimpleQueue[tuple[Future[Any], tuple[Any, ...]] | None] = queue.SimpleQueue()
        self._threads: list[threading.Thread] = []
        self._idle = threading.Semaphore(0)

    def submit(self, fn: Callable[Asked, Given], /, *args: Asked.args, **kwargs: Asked.kwargs) -> Future[Given]:
        """Have it called by the next worker that is free."""
        future: Future[Given] = Future()
        self._calls.put((future, (fn, args, kwargs)))
        if not self._idle.acquire(blocking=False) and len(self._threads) < self._most:
            self._start()
        return future

    def start_one(self) -> None:
        """Start a worker before it is needed, so that the first scan need not wait for it."""
        self._start()
        self._idle.release()

    def _start(self) -> None:
        thread = threading.Thread(target=self._serve, daemon=True)
        self._threads.append(thread)
        thread.start()

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:  # noqa: FBT001, FBT002 - as in Executor
        """End the workers, once they have done what they were asked."""
        if cancel_futures:
            self._cancel_waiting()
        for _ in self._threads:
            self._calls.put(None)
        if wait:
            for thread in self._threads:
                thread.join()
        self._threads.clear()

    def _cancel_waiting(self) -> None:
        while not self._calls.empty():
            waiting = self._calls.get()
            if waiting:
                waiting[0].cancel()

    def _serve(self) -> None:
        """Keep one worker busy; a new one for each that was lost."""
        worker: _Worker | None = self._hire()
        while True:
            waiting = self._calls.get()
            if waiting is None:
                break
            future, call = waiting
            if future.set_running_or_notify_cancel():
                worker = worker or self._hire()
                worker = self._do(worker, future, call)
            self._idle.release()
        if worker:
            worker.end()

    def _do(self, worker: _Worker, future: Future[Any], call: tuple[Any, ...]) -> _Worker | None:
        """Have one call done; returns the worker, if it is still there."""
        try:
            result = worker.call(call, self._time_limit)
        except (WorkerLost, TookTooLong) as fault:
            worker.end()
            future.set_exception(fault)
            return None
        except BaseException as fault:  # noqa: BLE001 - whoever asked gets it
            future.set_exception(fault)
        else:
            future.set_result(result)
        return worker


def _pass_on(kind: str, what: Any) -> None:  # noqa: ANN401 - as the worker says
    """What a worker tells on its way."""
    if kind == "log":
        method, event = what
        getattr(log, method)(event.pop("event"), **event)
    elif kind == "progress":
        order.told(*what)

"""Dask: workers on other machines, through the executor of its own client (`distributed.Client.get_executor`).

Dask gives the scan of a worker that dies to another. What Dask itself fails at is told as what it is: nobody is there
(`NoWorkers`, the work pauses and nothing is held for it), or the machine that had the scan is gone (`MachineLost`).
"""

import contextlib
import logging
import threading
import time
from collections.abc import Callable
from concurrent.futures import CancelledError, Executor, Future
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

import structlog

from platemark.config.model import Config
from platemark.errors import NoWorkers, PlatemarkError
from platemark.flow.workers.carrying import Carried
from platemark.flow.workers.cluster_troubles import MachineLost, in_our_words, machine_lost, no_answer, nobody
from platemark.flow.workers.guarded import Told, call_guarded, terms_of
from platemark.flow.workers.parcel import Parcel, check_can_be_carried
from platemark.flow.workers.processes import Processes

log = structlog.get_logger("platemark")

Asked = ParamSpec("Asked")
Given = TypeVar("Given")

# Seconds that a scheduler has to answer, and its first worker to come; then until one comes back.
_PATIENCE = 10.0
# Seconds between two counts of the workers.
_PAUSE = 1.0


class Cluster(Executor):
    """The workers of a Dask scheduler.

    Args:
        config: its [work] names the scheduler and the limits.

    Raises:
        NoWorkers: the scheduler does not answer, or has no worker.
        PlatemarkError: Dask is not installed.
    """

    def __init__(self, config: Config) -> None:
        self._address = config.work.scheduler
        self._terms = terms_of(config)
        self._client = _connected(self._address)
        self._executor: Executor = self._client.get_executor(pure=False)
        self._one_at_a_time = threading.Lock()
        self._asked: set[Future[Any]] = set()
        self._over = threading.Event()
        try:
            self._client.wait_for_workers(1, timeout=_PATIENCE)
        except TimeoutError as fault:
            self._client.close()
            raise nobody(self._address) from fault
        self._slots = 0
        self._slots = self._count()
        threading.Thread(target=self._look_after, daemon=True).start()

    def slots(self) -> int:
        """How many scans the workers take at once, as last counted; at least 1."""
        return max(1, self._slots)

    def submit(self, fn: Callable[Asked, Given], /, *args: Asked.args, **kwargs: Asked.kwargs) -> Future[Given]:
        """Have it called on one of the machines.

        The future may raise NoWorkers or MachineLost, besides what the function raises.
        """
        told: Future[Any] = Future()
        told.set_running_or_notify_cancel()
        try:
            asked = self._ask(fn, args, kwargs)
        except (NoWorkers, MachineLost) as fault:
            told.set_exception(fault)
            return told
        self._asked.add(asked)
        asked.add_done_callback(lambda done: self._hand_on(done, told))
        return told

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:  # noqa: FBT001, FBT002 - as in Executor
        """Leave the scheduler and its workers to whoever comes next."""
        self._executor.shutdown(wait=wait and not cancel_futures)
        self._over.set()
        self._client.close()

    def _ask(self, fn: Callable[..., Any], args: tuple[Any, ...], kwargs: dict[str, Any]) -> Future[Any]:
        """Ask Dask.

        Raises:
            NoWorkers: the scheduler is not there.
            MachineLost: the worker went away meanwhile.
        """
        with self._one_at_a_time:
            if self._client.status == "closed":
                self._client = _connected(self._address)
                # A result depends on folders, not on the arguments alone, so an equal call is another call.
                self._executor = self._client.get_executor(pure=False)
            client, executor = self._client, self._executor
        if client.status != "running":
            raise no_answer(self._address)
        try:
            # What is large goes to a worker ahead: in the call itself the scheduler would hold it, several times over.
            sent = tuple(client.scatter(arg, hash=False) if isinstance(arg, Parcel) else arg for arg in args)
            return executor.submit(call_guarded, self._terms, fn, sent, kwargs)
        except (OSError, TimeoutError, CancelledError) as fault:  # a worker may die while it is being sent to
            raise self._why_lost() from fault

    def _hand_on(self, asked: Future[Any], told: Future[Any]) -> None:
        """Tell what came of it in our words."""
        self._asked.discard(asked)
        try:
            answer: Told = asked.result()
        except CancelledError:
            told.set_exception(self._why_lost())
        except NoWorkers as fault:
            told.set_exception(fault)
        except Exception as fault:  # noqa: BLE001 - whatever Dask itself fails at
            told.set_exception(in_our_words(fault))
        else:
            if answer.fault:
                told.set_exception(answer.fault)
            else:
                told.set_result(answer.result)

    def _why_lost(self) -> NoWorkers | MachineLost:
        if self._client.status != "running":
            return no_answer(self._address)
        if not self._slots:
            return nobody(self._address)
        return machine_lost("is gone, and what was sent to it")

    def _look_after(self) -> None:
        """Count the workers; when all have been gone for long, nothing waits for them any longer."""
        there = time.monotonic()
        while not self._over.wait(_PAUSE):
            self._slots = self._count()
            if self._slots:
                there = time.monotonic()
            elif time.monotonic() - there > _PATIENCE:
                for asked in list(self._asked):
                    asked.cancel()

    def _count(self) -> int:
        """Calls that the workers take at once; as before, where the scheduler does not say."""
        with contextlib.suppress(OSError, TimeoutError, CancelledError):
            if self._client.status == "running":
                cores: dict[str, int] = self._client.ncores()
                return sum(cores.values())
        return self._slots


def connect(studio_file: Path, config: Config) -> tuple[Executor, Callable[[], int]]:
    """The cluster that [work] names, and who tells how many scans it takes at once.

    Raises:
        NoWorkers: it cannot be reached, or nobody works there.
        PlatemarkError: Dask is not installed, or the studio's folders cannot be carried.
    """
    if config.work.folders == "carried":
        check_can_be_carried(studio_file, config)
    cluster = Cluster(config)
    if config.work.folders == "shared":
        return cluster, cluster.slots
    here = Processes(1, time_limit=config.work.time_limit, memory=config.work.memory, log_level=config.log.level)
    return Carried(cluster, here), cluster.slots


def _connected(address: str) -> Any:  # noqa: ANN401 - Dask has no types
    """A client of the scheduler.

    Raises:
        NoWorkers: it does not answer.
        PlatemarkError: Dask is not installed.
    """
    try:
        from distributed import Client  # noqa: PLC0415 - an extra that few have
    except ImportError as fault:
        raise PlatemarkError(
            'where = "dask" needs Dask, which is not installed',
            remedy='install it: pip install "platemark[cluster]"',
        ) from fault
    # What it says of a lost connection is for those who work on Dask; we say it in a sentence.
    logging.getLogger("distributed").setLevel(logging.CRITICAL)
    try:
        return Client(address, timeout=_PATIENCE, set_as_default=False)
    except (OSError, ValueError) as fault:
        raise no_answer(address) from fault

"""Dask: workers on other machines, through the executor of its own client (`distributed.Client.get_executor`)."""

import os
from collections.abc import Callable
from concurrent.futures import Executor, Future
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

from platemark.config.model import Config
from platemark.errors import PlatemarkError
from platemark.flow.workers.carrying import Carried, check_can_be_carried
from platemark.flow.workers.processes import Processes

Asked = ParamSpec("Asked")
Given = TypeVar("Given")

_PATIENCE = "10s"
_guards: dict[tuple[float, int, str], Processes] = {}


class Cluster(Executor):
    """The workers of a Dask scheduler; each works through a process of its own with the limits of the config.

    Args:
        config: its [work] names the scheduler and the limits.

    Raises:
        PlatemarkError: Dask is not installed, or the scheduler does not answer.
    """

    def __init__(self, config: Config) -> None:
        try:
            from distributed import Client  # noqa: PLC0415 - an extra that few have
        except ImportError as fault:
            raise PlatemarkError(
                'where = "dask" needs Dask, which is not installed',
                remedy='install it: pip install "platemark[cluster]"',
            ) from fault
        try:
            self._client = Client(config.work.scheduler, timeout=_PATIENCE, set_as_default=False)
        except (OSError, ValueError) as fault:
            raise PlatemarkError(
                f"no Dask scheduler answers at {config.work.scheduler}",
                remedy="start it (dask scheduler) and its workers (dask worker), or put the address right in [work]",
            ) from fault
        # A result depends on folders, not on the arguments alone, so an equal call is another call.
        self._executor: Executor = self._client.get_executor(pure=False)
        self._limits = (config.work.time_limit, config.work.memory, config.log.level)

    @property
    def slots(self) -> int:
        """How many scans the workers take at once; 1 while none is there yet."""
        cores: dict[str, int] = self._client.ncores()
        return max(1, sum(cores.values()))

    def submit(self, fn: Callable[Asked, Given], /, *args: Asked.args, **kwargs: Asked.kwargs) -> Future[Given]:
        """Have it called on one of the machines."""
        return self._executor.submit(_guarded, self._limits, fn, args, kwargs)

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:  # noqa: FBT001, FBT002 - as in Executor
        """Leave the scheduler and its workers to whoever comes next."""
        self._executor.shutdown(wait=wait or not cancel_futures)
        self._client.close()


def connect(studio_file: Path, config: Config) -> tuple[Executor, int]:
    """The cluster that [work] names, and how many scans it takes at once.

    Raises:
        PlatemarkError: it cannot be reached, or the studio's folders cannot be carried.
    """
    if config.work.folders == "carried":
        check_can_be_carried(studio_file, config)
    cluster = Cluster(config)
    slots = cluster.slots
    if config.work.folders == "shared":
        return cluster, slots
    here = Processes(1, time_limit=config.work.time_limit, memory=config.work.memory, log_level=config.log.level)
    return Carried(cluster, here, slots), slots


def _guarded(limits: tuple[float, int, str], fn: Callable[..., Any], args: Any, kwargs: Any) -> Any:  # noqa: ANN401
    """What a Dask worker does: have a process of its own do it, so that a crash there does not take it down too."""
    if limits not in _guards:
        time_limit, memory, log_level = limits
        _guards[limits] = Processes(os.cpu_count() or 1, time_limit=time_limit, memory=memory, log_level=log_level)
    return _guards[limits].submit(fn, *args, **kwargs).result()

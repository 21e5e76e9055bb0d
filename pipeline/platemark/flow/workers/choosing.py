"""Choosing the executor: one line of the config."""

import contextlib
from collections.abc import Callable, Iterator
from concurrent.futures import Executor

from platemark.config.model import Config
from platemark.flow.workers.here import Here
from platemark.flow.workers.processes import Processes


@contextlib.contextmanager
def workers_of(config: Config, *, alone: bool = False) -> Iterator[tuple[Executor, int]]:
    """Who does the work as [work] says, and how many scans at once; they go home when the block ends.

    Args:
        config: whose [work] counts.
        alone: there is only one scan, and nothing after it that a crash could stop: no process is started for it.

    Raises:
        PlatemarkError: the scheduler cannot be reached.
    """
    where = "here" if alone and config.work.where == "processes" else config.work.where
    executor, most = _KINDS[where](config)
    try:
        yield executor, most
    finally:
        executor.shutdown()


def _here(_config: Config) -> tuple[Executor, int]:
    return Here(), 1


def _processes(config: Config) -> tuple[Executor, int]:
    work = config.work
    executor = Processes(work.workers, time_limit=work.time_limit, memory=work.memory, log_level=config.log.level)
    executor.start_one()
    return executor, work.workers


def _dask(config: Config) -> tuple[Executor, int]:
    from platemark.flow.workers.cluster import connect  # noqa: PLC0415 - an extra that few have

    return connect(config)


_KINDS: dict[str, Callable[[Config], tuple[Executor, int]]] = {"here": _here, "processes": _processes, "dask": _dask}

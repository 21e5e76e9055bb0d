"""Choosing the executor: one line of the config."""

import contextlib
from collections.abc import Callable, Iterator
from concurrent.futures import Executor

from platemark.flow.studio import Studio
from platemark.flow.workers.here import Here
from platemark.flow.workers.processes import Processes


@contextlib.contextmanager
def workers_of(studio: Studio, *, alone: bool = False) -> Iterator[tuple[Executor, int | Callable[[], int]]]:
    """Who does the work as [work] says, and how many scans at once, which may change; they go home when the block ends.

    Args:
        studio: whose [work] counts.
        alone: there is only one scan, and nothing after it that a crash could stop: no process is started for it,
            unless a stage of somebody else could take the program down without a word.

    Raises:
        NoWorkers: the scheduler cannot be reached, or has no worker.
        PlatemarkError: Dask is not installed, or the studio's folders cannot be carried.
    """
    config = studio.config
    is_ours = all(found.distribution == "platemark" for found in studio.plugins.stages.values())
    where = "here" if alone and is_ours and config.work.where == "processes" else config.work.where
    executor, most = _KINDS[where](studio)
    try:
        yield executor, most
    finally:
        executor.shutdown()


def _here(_studio: Studio) -> tuple[Executor, int]:
    return Here(), 1


def _processes(studio: Studio) -> tuple[Executor, int]:
    config = studio.config
    work = config.work
    executor = Processes(work.workers, time_limit=work.time_limit, memory=work.memory, log_level=config.log.level)
    executor.start_one()
    return executor, work.workers


def _dask(studio: Studio) -> tuple[Executor, Callable[[], int]]:
    from platemark.flow.workers.cluster import connect  # noqa: PLC0415 - an extra that few have

    return connect(studio.file, studio.config)


_KINDS: dict[str, Callable[[Studio], tuple[Executor, int | Callable[[], int]]]] = {
    "here": _here,
    "processes": _processes,
    "dask": _dask,
}

"""Guarded: what a Dask worker does when it is asked; a process of its own does the work, with limits.

A crash there does not take the Dask worker down too. And what is wrong with the machine is told apart from what is
wrong with the scan: a machine that works with other libraries, or does not see the studio, holds no scan.
"""

import functools
import os
import socket
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from platemark.config.model import Config
from platemark.errors import NoWorkers
from platemark.flow.workers.order import Order
from platemark.flow.workers.processes import Processes
from platemark.records.libraries import library_versions
from platemark.records.making import this_engine


@dataclass(frozen=True)
class Terms:
    """What is agreed with a worker.

    Attributes:
        time_limit: seconds for one scan.
        memory: bytes for one scan.
        log_level: what is told.
        versions: of all that the bytes of an export depend on.
    """

    time_limit: float
    memory: int
    log_level: str
    versions: Mapping[str, str]


@dataclass(frozen=True)
class Told:
    """What came of a call: a result, or a fault that has to do with the scan."""

    result: Any = None
    fault: Exception | None = None


def terms_of(config: Config) -> Terms:
    """As the config and the libraries here have it."""
    return Terms(config.work.time_limit, config.work.memory, config.log.level, _versions())


def call_guarded(terms: Terms, fn: Callable[..., Any], args: tuple[Any, ...], kwargs: dict[str, Any]) -> Told:
    """Have a process of its own call it.

    Raises:
        NoWorkers: this machine would make other bytes, or does not see the studio.
    """
    _check_versions(terms.versions)
    for order in (arg for arg in args if isinstance(arg, Order)):
        _check_is_seen(order)
    try:
        return Told(_process(terms.time_limit, terms.memory, terms.log_level).submit(fn, *args, **kwargs).result())
    except Exception as fault:  # noqa: BLE001 - whoever asked gets it
        return Told(fault=fault)


def _check_versions(wanted: Mapping[str, str]) -> None:
    ours = _versions()
    unlike = [name for name in sorted(wanted.keys() | ours.keys()) if wanted.get(name) != ours.get(name)]
    if unlike:
        told = ", ".join(f"{name} {ours.get(name, 'none')} (wanted: {wanted.get(name, 'none')})" for name in unlike)
        raise NoWorkers(
            f"the machine {socket.gethostname()} would make other bytes: it works with {told}",
            remedy="install the same versions there, or end its worker",
        )


def _check_is_seen(order: Order) -> None:
    if not order.studio.is_file():
        raise NoWorkers(
            f"the machine {socket.gethostname()} does not see {order.studio}",
            remedy='share the folder with it under the same path, or write folders = "carried" in [work]',
        )


@functools.cache
def _versions() -> dict[str, str]:
    """Of the libraries, and of platemark and plugins, which are named by their content too."""
    own = {one.name: f"{one.version} {one.sha256[:8]}" for one in this_engine().making.wheels}
    return library_versions() | own


_one_at_a_time = threading.Lock()
_processes: dict[tuple[float, int, str], Processes] = {}


def _process(*limits: Any) -> Processes:  # noqa: ANN401 - as `Processes` takes them
    """Processes with these limits; as many as are asked at once, at most one a core."""
    with _one_at_a_time:
        if limits not in _processes:
            time_limit, memory, log_level = limits
            _processes[limits] = Processes(
                os.cpu_count() or 1, time_limit=time_limit, memory=memory, log_level=log_level
            )
        return _processes[limits]

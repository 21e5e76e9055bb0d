"""An order: what a worker is told, whole, so that it can stand anywhere; and carrying it out."""

import contextlib
import locale
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from platemark.config.model import Config
from platemark.contract.plugins import load_plugins
from platemark.flow.delivery import Outcome
from platemark.flow.gathered import deliver_any
from platemark.flow.grouping import Bundle, grouped
from platemark.flow.intake import Incomplete
from platemark.flow.studio import Studio
from platemark.records.names import shown

Listener = Callable[[str, str, str], None]
"""Told the scan, the print and the stage that starts."""


def _nobody(_scan: str, _print: str, _stage: str) -> None:
    """Progress that nobody watches."""


_listener: Listener = _nobody
_studio: Studio | None = None


@dataclass(frozen=True)
class Order:
    """One scan, or the scans of one set, to be delivered in a studio.

    Attributes:
        studio: the config file, which gives the studio its place.
        config: as it was read when the work began, so that all workers go by the same.
        files: the scans.
    """

    studio: Path
    config: Config
    files: tuple[Path, ...]


def order_of(studio: Studio, files: tuple[Path, ...]) -> Order:
    """The order for a scan or a set; where this process carries it out itself, it has the studio open already."""
    global _studio  # noqa: PLW0603
    _studio = replace(studio, file=studio.file.absolute())
    return Order(_studio.file, studio.config, tuple(file.absolute() for file in files))


def carry_out(order: Order) -> list[Outcome]:
    """Make all prints; see `Delivery.run`.

    Raises:
        Incomplete: a scan is not whole (yet); nothing was done.
        StoreError: the disk refuses; the scans are where they were.
    """
    studio = studio_of(order)
    work = work_of(order, studio)
    with _left_as_found():
        return deliver_any(studio, work, lambda print_name, stage: told(name_of(work), print_name, stage))


@contextlib.contextmanager
def _left_as_found() -> Iterator[None]:
    """What a stage may change for the whole process is put back before the next scan."""
    umask = os.umask(0o077)
    os.umask(umask)
    folder, language, surroundings = os.getcwd(), locale.setlocale(locale.LC_ALL), dict(os.environ)  # noqa: PTH109
    try:
        yield
    finally:
        os.umask(umask)
        os.chdir(folder)
        locale.setlocale(locale.LC_ALL, language)
        for name in os.environ.keys() - surroundings.keys():
            del os.environ[name]
        os.environ.update(surroundings)


def name_of(work: Path | Bundle) -> str:
    """What a scan or a set is called, for people."""
    return shown((work if isinstance(work, Path) else work.scan).name)


def listen(listener: Listener) -> None:
    """Have somebody told how the work in this process goes on."""
    global _listener  # noqa: PLW0603 - a worker does one thing at a time, and tells one
    _listener = listener


def told(scan: str, print_name: str, stage: str) -> None:
    """Tell whoever listens, here or by way of the program that this process works for."""
    _listener(scan, print_name, stage)


def studio_of(order: Order) -> Studio:
    """The studio, opened once a process: loading the stages takes longer than a small scan."""
    global _studio  # noqa: PLW0603
    if _studio is None or (_studio.file, _studio.config) != (order.studio, order.config):
        _studio = Studio(order.studio, order.config, load_plugins(order.config.stages_dir))
    return _studio


def work_of(order: Order, studio: Studio) -> Path | Bundle:
    """The scan or set of an order.

    Raises:
        Incomplete: the files are no longer one set.
    """
    alone, bundles = grouped(order.files, studio.plugins)
    work: list[Path | Bundle] = [*alone, *bundles]
    if len(work) != 1:
        raise Incomplete("the scans of this set are no longer one set", remedy="drop all of them in again")
    return work[0]

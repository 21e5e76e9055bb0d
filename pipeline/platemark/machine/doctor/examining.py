"""All checks, one after the other. Whatever goes wrong in one is told by it, and stops no other."""

from collections.abc import Callable, Iterator
from functools import partial
from importlib import import_module
from pathlib import Path

from platemark.machine.doctor.check import Check
from platemark.machine.doctor.libraries import libraries

# The check of each name, and where it lives: loaded when the libraries were found sound.
_OF_STUDIO = {
    "folders": "folders",
    "same_disk": "folders",
    "room": "room",
    "events": "events",
    "profiles": "colours",
    "clock": "moment",
    "lock": "moment",
}


def examine(file: Path) -> Iterator[Check]:
    """Look at everything. Writes nothing but probes, which it takes away.

    Args:
        file: the config of the studio, which may be broken or missing.
    """
    found = list(libraries())
    yield from found
    if any(check.state == "bad" for check in found):
        return  # nothing else can be loaded
    yield from _carefully("lettering font", lambda: _check("colours", "font"))
    yield from _carefully("config", lambda: _check("config", "config", file))
    if not file.is_file():
        return
    for name, home in _OF_STUDIO.items():
        yield from _carefully(name, partial(_check_of_studio, home, name, file))


def _check_of_studio(home: str, name: str, file: Path) -> Iterator[Check]:
    subject = import_module("platemark.machine.subject").subject_of(file)
    return _check(home, name, subject)


def _check(home: str, name: str, *about: object) -> Iterator[Check]:
    found: Iterator[Check] = getattr(import_module(f"platemark.machine.doctor.{home}"), name)(*about)
    return found


def _carefully(name: str, check: Callable[[], Iterator[Check]]) -> Iterator[Check]:
    try:
        yield from check()
    except Exception as fault:  # noqa: BLE001  what the checks did not think of must be told as well
        told = f"this could not be looked at ({type(fault).__name__}: {fault})"
        yield Check(name, "bad", told, "please report this line; the other checks stand")

"""What a making stood on, as the table `[made]` of a manifest tells it: Python, machine, distributions, engine."""

import functools
import hashlib
import platform
import re
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from platemark.errors import ManifestError
from platemark.records.disk import errors_named
from platemark.records.distributions import Pinned, needed_by, normal_name, offering_stages, pinned_of
from platemark.records.wheel import packed

# The folder beside the originals where each version of platemark that worked there lies.
WHEELS = "wheels"
# No more than the values that Python gives: the version becomes part of a command's name.
_WORDS = re.compile(r"[A-Za-z0-9][A-Za-z0-9._+-]*")


@dataclass(frozen=True)
class Making:
    """A Python with what is installed in it.

    Attributes:
        python: its version, such as "3.11.7".
        system: "linux", "darwin" or "win32", as Python names it.
        machine: the kind of processor.
        distributions: to be had from a package index, with the hash of their content.
        wheels: archived beside the originals, with the hash of the file: platemark, and plugins.
    """

    python: str
    system: str
    machine: str
    distributions: tuple[Pinned, ...]
    wheels: tuple[Pinned, ...]

    @property
    def minor(self) -> str:
        """Which Python it takes: compiled distributions fit one minor release only."""
        return ".".join(self.python.split(".")[:2])

    @property
    def key(self) -> str:
        """The same for all makings that one environment serves. 16 digits: Windows has short paths."""
        lines = [self.minor, self.system, self.machine, *(one.line() for one in (*self.distributions, *self.wheels))]
        return hashlib.sha256("\n".join(lines).encode()).hexdigest()[:16]

    def told(self) -> dict[str, Any]:
        """For the table `[made]`."""
        return {
            "machine": self.machine,
            "system": self.system,
            "python": self.python,
            "distributions": [one.line() for one in self.distributions],
            "wheels": [one.line() for one in self.wheels],
        }


def making_of(made: Mapping[str, Any], name: str) -> Making | None:
    """What a manifest tells; None where it was written before manifests told it.

    Args:
        made: its table `[made]`.
        name: of the manifest, for the sentence.

    Raises:
        ManifestError: what it tells cannot be meant.
    """
    if not {"python", "distributions", "wheels"} & made.keys():
        return None
    words = {key: made.get(key) for key in ("python", "system", "machine")}
    for key, value in words.items():
        if not isinstance(value, str) or not _WORDS.fullmatch(value):
            raise _unsound(name, key, value)
    distributions, wheels = (_lines(made, key, name) for key in ("distributions", "wheels"))
    return Making(str(words["python"]), str(words["system"]), str(words["machine"]), distributions, wheels)


def _lines(made: Mapping[str, Any], key: str, name: str) -> tuple[Pinned, ...]:
    lines = made.get(key)
    if not isinstance(lines, list):
        raise _unsound(name, key, lines)
    found = []
    for line in lines:
        one = pinned_of(line) if isinstance(line, str) else None
        if one is None or (key == "wheels" and one.sha256 == "none"):
            raise _unsound(name, key, line)
        found.append(one)
    return tuple(found)


def _unsound(name: str, key: str, value: object) -> ManifestError:
    return ManifestError(
        f"{name}, [made], {key}: {value!r} was not written by platemark", remedy="take the manifest from a backup"
    )


@dataclass(frozen=True)
class Engine:
    """What works now, and its own code to archive: a wheel each of platemark and of plugins."""

    making: Making
    wheels: tuple[bytes, ...]


@functools.cache
def this_engine() -> Engine:
    """Looked up once a process: what is imported does not change while it runs.

    Raises:
        StoreError: its own code cannot be read.
    """
    offering = offering_stages()
    with errors_named(Path(__file__).parents[1], "read"):
        wheels = tuple(packed(one) for one in offering)
    own = [
        Pinned(normal_name(one.name), one.version, hashlib.sha256(wheel).hexdigest())
        for one, wheel in zip(offering, wheels, strict=True)
    ]
    making = Making(platform.python_version(), sys.platform, platform.machine(), tuple(needed_by(offering)), tuple(own))
    return Engine(making, wheels)

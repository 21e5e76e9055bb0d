"""What can go wrong, in three kinds that are never mixed.

    PlatemarkError      the user can act
      ConfigError       the config or a ticket says something that cannot be meant
      PluginError       a stage breaks its contract
      ManifestError     a manifest cannot be read or does not belong to its file
      Refusal           not now: all is where it was, and the same may be tried again
        StoreError      the disk refuses
        NoWorkers       nobody is there to do the work
    Held                one scan waits for a person: an outcome, not a fault

Anything else that is raised is our bug: it keeps its traceback and goes to the log.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable


@dataclass(frozen=True)
class Problem:
    """One thing that is wrong in a TOML file, with its address.

    Attributes:
        file: the file's name as the user knows it.
        table: dotted path of the table without brackets, empty at the top of the file.
        key: the key, or "line 7" where no key could be read; empty when the whole table is meant.
        found: the value as the user wrote it, empty when nothing was written.
        remedy: what is wrong with it and what to write instead.
    """

    file: str
    table: str
    key: str
    found: str
    remedy: str

    def sentence(self) -> str:
        """Say where, what was found, and what to do.

        >>> Problem("platemark.toml", "print.a4", "ppi", "36", "below 72. Write 360").sentence()
        'platemark.toml, [print.a4], ppi = 36: below 72. Write 360.'
        """
        key = f"{self.key} = {self.found}" if self.key and self.found else self.key
        places = [self.file, f"[{self.table}]" if self.table else "", key]
        return f"{', '.join(place for place in places if place)}: {_full_stop(self.remedy)}"


class PlatemarkError(Exception):
    """Something the user can put right.

    Args:
        what: what was found, with the value at fault.
        remedy: what to do about it, if that is known.
    """

    remedy: str | None

    def __init__(self, what: str, remedy: str | None = None) -> None:
        super().__init__(what, remedy)
        self.what = what
        self.remedy = remedy

    def __str__(self) -> str:
        """Say what was found, and what to do."""
        return _full_stop(f"{self.what}: {self.remedy}" if self.remedy else self.what)


class ConfigError(PlatemarkError):
    """The config or a ticket is wrong; all of its problems are told at once."""

    problems: tuple[Problem, ...]

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(problem.sentence() for problem in self.problems))
        # Exceptions travel between processes by pickle, which calls the class with `args`.
        self.args = (self.problems,)

    def __str__(self) -> str:
        """One line a problem."""
        return self.what


class PluginError(PlatemarkError):
    """A plugin breaks its contract; it is left out, the others work on."""


class ManifestError(PlatemarkError):
    """A manifest cannot be read, or does not belong to the file beside it."""


class Refusal(PlatemarkError):  # noqa: N818  as NoWorkers: a state of things, not a fault
    """It cannot be done now; all is where it was, and when what is wrong has been put right it may be tried again."""


class StoreError(Refusal):
    """A file could not be kept safely."""


class NoWorkers(Refusal):
    """Nobody is there to do the work."""


class Held(Exception):  # noqa: N818  an outcome, not a fault, so not named Error
    """One scan waits for a person.

    Args:
        reason: what the program is not sure about, in the artist's words.
        remedy: what she can do about it.
    """

    def __init__(self, reason: str, *, remedy: str) -> None:
        # A colon follows the reason wherever it is shown.
        reason = reason.rstrip(".")
        super().__init__(reason, remedy)
        self.reason = reason
        self.remedy = remedy

    def __reduce__(self) -> tuple[object, ...]:
        """Pickle by rebuilding: it travels between processes, and pickle knows nothing of keyword arguments."""
        return _held_again, (type(self), self.args, self.__dict__)

    def __str__(self) -> str:
        """Say why, and what to do."""
        return _full_stop(f"{self.reason}: {self.remedy}")


def _held_again(kind: type[Held], args: tuple[object, ...], facts: dict[str, object]) -> Held:
    held = kind.__new__(kind, *args)
    held.__dict__.update(facts)
    return held


def _full_stop(text: str) -> str:
    return text if text.endswith((".", "?")) else f"{text}."

"""What every manager of services has in common, and the one seam through which it is called."""

import os
import subprocess
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from platemark.errors import PlatemarkError
from platemark.machine.service.description import Service

# Managers answer within a second; one that hangs must not hang us.
_LONGEST = 60

Words = list[str]


@dataclass(frozen=True)
class Answer:
    """What a manager's command ended with and said."""

    code: int
    said: str

    @property
    def line(self) -> str:
        """What it said, as one line."""
        return " ".join(self.said.split())


Run = Callable[[Sequence[str]], Answer]
"""Runs a command of the manager. Raises FileNotFoundError where there is no such command."""


@dataclass(frozen=True)
class System:
    """A manager of services.

    Attributes:
        name: what the user knows it as.
        place: the file that describes a service, given the user's home.
        text: what is in that file.
        ask: the command that succeeds where the manager can be reached.
        start: the commands that make it known and start it, given the file.
        end: the commands that end it; one that fails has nothing to end.
        forget: the commands after its file is gone.
        query: the command that tells how it is.
        state: whether the answer to that is a good one, and the manager's word for it.
        links: further files to take away, where the manager could not be asked to.
        missing: what to do where the manager cannot be reached.
    """

    name: str
    place: Callable[[Service, Path], Path]
    text: Callable[[Service], bytes]
    ask: Callable[[], Words]
    start: Callable[[Service, Path], list[Words]]
    end: Callable[[Service], list[Words]]
    forget: list[Words]
    query: Callable[[Service], Words]
    state: Callable[[Answer], tuple[bool, str]]
    links: Callable[[Service, Path], list[Path]]
    missing: str


def run(command: Sequence[str]) -> Answer:
    """Call the manager.

    Raises:
        FileNotFoundError: there is no such command.
        PlatemarkError: it does not answer.
    """
    try:
        done = subprocess.run(
            command,
            capture_output=True,
            text=True,
            errors="replace",
            timeout=_LONGEST,
            check=False,
            stdin=subprocess.DEVNULL,
            env={**os.environ, "LC_ALL": "C"},
        )
    except subprocess.TimeoutExpired as fault:
        raise PlatemarkError(f"{command[0]} does not answer", remedy="try again, or log in anew") from fault
    return Answer(done.returncode, done.stdout + done.stderr)

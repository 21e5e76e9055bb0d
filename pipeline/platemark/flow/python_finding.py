"""Finding a Python of one minor release on this machine, with which the versions of then can be installed."""

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

from platemark.errors import PlatemarkError

_ASK = "import sys; print(sys.executable); print(*sys.version_info[:2], sep='.')"


def python_of(minor: str) -> Path:
    """The interpreter of a minor release, such as "3.11": the one that runs now, or one on the PATH.

    Raises:
        PlatemarkError: there is none; says what to install.
    """
    if f"{sys.version_info.major}.{sys.version_info.minor}" == minor:
        return Path(sys.executable)
    for command in _candidates(minor):
        found = _answer(command)
        if found and found[1] == minor:
            return Path(found[0])
    raise PlatemarkError(
        f"this export was made with Python {minor}, and there is no python{minor} on this machine",
        remedy=f"install Python {minor} beside the one you have (nothing else changes) and try again",
    )


def _candidates(minor: str) -> Iterator[list[str]]:
    """All of that name: the first on the PATH may be a stand-in that starts nothing."""
    for folder in os.get_exec_path():
        found = shutil.which(f"python{minor}", path=folder)
        if found:
            yield [found]
    launcher = shutil.which("py")  # how Windows finds its Pythons
    if launcher:
        yield [launcher, f"-{minor}"]


def _answer(command: list[str]) -> list[str] | None:
    try:
        said = subprocess.run([*command, "-I", "-c", _ASK], capture_output=True, text=True, check=True, timeout=60)
    except (OSError, subprocess.SubprocessError):
        return None
    lines = said.stdout.splitlines()
    return lines if len(lines) == 2 else None

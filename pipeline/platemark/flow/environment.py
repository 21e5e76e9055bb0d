"""A private environment with the versions of then: built once, kept in the user's cache folder, used again.

It is built aside and takes its name when it is whole, so that one whose building was interrupted is never used; a lock
keeps two from building at once. What lies there is held against its own records before each use.
"""

import contextlib
import importlib.util
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from filelock import FileLock, Timeout

from platemark.errors import PlatemarkError
from platemark.flow.python_finding import python_of
from platemark.records.disk import errors_named
from platemark.records.distributions import Pinned, damaged_files, installed_in, pinned
from platemark.records.making import Making
from platemark.records.wheel import file_name

# Seconds to wait for another who builds the same: some 60 MB to fetch over a slow line.
_PATIENCE = 900
# Words of pip where no index answers. Source: what pip 23 and 26 print without a network, and with a wrong proxy.
_NO_ANSWER = ("retrying (", "could not fetch url", "failed to establish", "name resolution", "proxyerror")


@dataclass(frozen=True)
class Environment:
    """An environment that is whole.

    Attributes:
        python: its interpreter.
        unlike: distributions of the same version, but with other content than then.
    """

    python: Path
    unlike: tuple[str, ...]


def environment_for(making: Making, archive: Path, cache: Path, tell: Callable[[str], None]) -> Environment:
    """The environment of a making, from the cache or built now.

    Args:
        making: what the manifest tells.
        archive: the folder of wheels beside the originals.
        cache: the user's cache folder of platemark.
        tell: told before something is built that takes a while.

    Raises:
        PlatemarkError: it cannot be built; says what is missing.
        StoreError: the cache folder cannot be written.
    """
    home = cache / "environments"
    folder = home / making.key
    with errors_named(folder):
        home.mkdir(parents=True, exist_ok=True)
        with _alone(folder):
            if not _is_whole(folder, making):
                python = python_of(making.minor)
                shutil.rmtree(folder, ignore_errors=True)
                tell(f"bringing the versions of then together in {folder}; this is done once and may take a minute")
                _build(folder, python, making, archive)
    return Environment(_interpreter(folder), tuple(_unlike(folder, making)))


def _unlike(folder: Path, making: Making) -> Iterator[str]:
    found = installed_in(_packages(folder))
    for then in making.distributions:
        if then.sha256 not in {"none", pinned(found[then.name]).sha256}:
            yield f"{then.name} {then.version}"


def run_in(environment: Environment, words: list[str]) -> subprocess.CompletedProcess[str]:
    """A platemark command in it, with nothing of this one's Python to be seen from there."""
    return subprocess.run(
        [str(environment.python), "-I", "-X", "utf8", "-m", "platemark", *words],
        capture_output=True,
        text=True,
        encoding="utf-8",
        errors="replace",
        check=False,
    )


@contextlib.contextmanager
def _alone(folder: Path) -> Iterator[None]:
    lock = FileLock(folder.with_suffix(".lock"))
    try:
        lock.acquire(timeout=_PATIENCE)
    except Timeout as fault:
        raise PlatemarkError(
            f"another platemark has been building {folder} for {_PATIENCE // 60} minutes",
            remedy="wait for it, or end it",
        ) from fault
    try:
        yield
    finally:
        lock.release()


def _build(folder: Path, python: Path, making: Making, archive: Path) -> None:
    part = folder.with_suffix(".part")
    shutil.rmtree(part, ignore_errors=True)  # of a building that was interrupted
    with tempfile.TemporaryDirectory(prefix="platemark-") as aside:
        wheels = [_named(one, archive, Path(aside)) for one in making.wheels]
        made = _run([str(python), "-I", "-m", "venv", "--without-pip", str(part)])
        if made.returncode:
            raise PlatemarkError(
                f"{python} cannot make an environment ({_last_line(made.stderr or made.stdout)})",
                remedy="install its module venv (a package of its own on some systems) and try again",
            )
        wanted = [f"{one.name}=={one.version}" for one in making.distributions]
        _install([*wanted, *map(str, wheels)], part)
    if not _is_whole(part, making):
        raise PlatemarkError(
            f"what was installed in {part} is not what was asked for", remedy="see to the disk, then try again"
        )
    part.rename(folder)


def _install(what: list[str], part: Path) -> None:
    """All at once and nothing more: every distribution is named, so none is looked for."""
    options = ["--no-deps", "--no-input", "--disable-pip-version-check", "--quiet", "--retries", "1"]
    done = _run([*_pip(part), "install", *options, *what])
    if done.returncode:
        raise _not_installed(done.stderr)


def _pip(part: Path) -> list[str]:
    """The pip that installed this platemark, or the one that comes with Python where there is none."""
    if importlib.util.find_spec("pip"):
        return [sys.executable, "-I", "-m", "pip", "--python", str(_interpreter(part))]
    python = str(_interpreter(part))
    _run([python, "-I", "-m", "ensurepip"])
    return [python, "-I", "-m", "pip"]


def _not_installed(said: str) -> PlatemarkError:
    """Why pip gave up, as a sentence."""
    line = next((line for line in said.splitlines() if line.startswith("ERROR: No matching")), _last_line(said))
    missing = line.removeprefix("ERROR: ").removeprefix("No matching distribution found for ").replace("==", " ")
    if any(words in said.lower() for words in _NO_ANSWER):
        return PlatemarkError(
            "the versions of then are not on this machine, and no package index can be reached to fetch them from",
            remedy="connect this machine to the internet and try again; once fetched, they stay",
        )
    if "No matching distribution" in said:
        return PlatemarkError(
            f"{missing}, which this export was made with, is not offered for this machine and its Python",
            remedy="try on a machine like that of then, or put its wheel into a folder that PIP_FIND_LINKS names",
        )
    return PlatemarkError(f"the versions of then cannot be installed ({missing})", remedy="see what pip says there")


def _named(one: Pinned, archive: Path, aside: Path) -> Path:
    """An archived wheel under the name that pip wants it to have."""
    kept = archive / f"{one.sha256}.whl"
    target = aside / file_name(kept.read_bytes())
    shutil.copyfile(kept, target)
    return target


def _is_whole(folder: Path, making: Making) -> bool:
    """Everything is there in its version, and every file is what was installed."""
    if not _interpreter(folder).exists():  # also when the Python that it stands on was taken away
        return False
    found = installed_in(_packages(folder))
    return all(
        one.name in found and found[one.name].version == one.version and not any(damaged_files(found[one.name]))
        for one in (*making.distributions, *making.wheels)
    )


def _packages(folder: Path) -> Path:
    """Where its packages lie, whichever Python it is of."""
    if os.name == "nt":
        return folder / "Lib" / "site-packages"
    return next(iter(sorted(folder.glob("lib/python*/site-packages"))), folder / "lib")


def _interpreter(folder: Path) -> Path:
    return folder / "Scripts" / "python.exe" if os.name == "nt" else folder / "bin" / "python"


def _run(command: list[str]) -> subprocess.CompletedProcess[str]:
    # Who has told pip to install for the user does not mean here.
    around = {**os.environ, "PIP_USER": "0"}
    return subprocess.run(command, capture_output=True, text=True, errors="replace", env=around, check=False)


def _last_line(said: str) -> str:
    return " ".join((said.strip().splitlines() or ["it says nothing"])[-1].split())

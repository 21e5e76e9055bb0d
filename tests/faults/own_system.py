"""Scenes that need a system of their own: one where they may mount disks and set limits, or where they are not root.

A scene is a plain function of a folder, in a test module. It runs in a process of its own, and fails there with a
traceback. Where the system does not allow it, the test is skipped, and says so.
"""

import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest

Scene = Callable[[Path], None]
TESTS = Path(__file__).parents[1]


def in_own_system(scene: Scene, place: Path) -> None:
    """Run it where it is root of its own mounts and limits, and nobody else sees them (user_namespaces(7))."""
    words = ["unshare", "-Urm"]
    may = shutil.which("unshare") and subprocess.run([*words, "true"], capture_output=True, check=False)
    if not may or may.returncode:
        pytest.skip("NOT TESTED: this system gives nobody mounts of their own (unshare -Urm)")
    _run(words, scene, place)


def without_power(scene: Scene, place: Path) -> None:
    """Run it as somebody to whom rights of files apply; root would just read them."""
    if os.name == "nt" or os.geteuid() != 0:
        _run([], scene, place)
        return
    words = ["setpriv", "--bounding-set=-all", "--inh-caps=-all"]
    may = shutil.which("setpriv") and subprocess.run([*words, "true"], capture_output=True, check=False)
    if not may or may.returncode:
        pytest.skip("NOT TESTED: root cannot lay down its power here (setpriv)")
    _run(words, scene, place)


def mount(*words: object) -> None:
    """Mount a disk."""
    subprocess.run(["mount", *map(str, words)], check=True)


def unmount(place: Path) -> None:
    """Take a disk away, whoever still has it open."""
    subprocess.run(["umount", "-l", str(place)], check=True)


def strace() -> str:
    """The program that looks at system calls and makes them fail."""
    found = shutil.which("strace")
    may = found and subprocess.run([found, "-o", os.devnull, "true"], capture_output=True, check=False)
    if not may or may.returncode:
        pytest.skip("NOT TESTED: strace is not installed, or may not look at programs here")
    return str(found)


def platemark(*words: object, under: Sequence[object] = (), **around: str) -> subprocess.CompletedProcess[str]:
    """Run the command in a process of its own."""
    program = [sys.executable, "-c", "from platemark.face.cli import main; main()"]
    order = [str(word) for word in [*under, *program, *words]]
    return subprocess.run(order, capture_output=True, text=True, check=False, env={**os.environ, **around})


def _run(words: list[str], scene: Scene, place: Path) -> None:
    module = Path(scene.__code__.co_filename)
    path = [str(TESTS), str(module.parent)]
    code = f"import sys; sys.path[:0] = {path}; from pathlib import Path; from {module.stem} import {scene.__name__}\n"
    code += f"{scene.__name__}(Path(sys.argv[1]))"
    order = [*words, sys.executable, "-c", code, str(place)]
    done = subprocess.run(order, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr

"""Killing the watcher at a moment, starting it again, and looking at what it left."""

import contextlib
import hashlib
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from PIL import Image

from conftest import CONFIG, Bench, sheet_scan

DEADLINE = 60.0
QUICK = CONFIG[: CONFIG.index("[print.mini]")] + CONFIG[CONFIG.index("[watch]") :]
QUICK = QUICK.replace('"50 ms"', '"20 ms"').replace('"500 ms"', '"100 ms"')
SCANS = {"heron.tif": 0}
SET = ("egret_1of2.tif", "egret_2of2.tif")
# By number, because that is what kill(2) takes.
_KILL = getattr(signal, "SIGKILL", signal.SIGTERM)


@dataclass(frozen=True)
class Moment:
    """When to kill.

    Attributes:
        step: a named step, or "" for a time.
        nth: which time it is reached.
        seconds: after the watcher said that it watches.
        whom: "program" with all its workers, "watcher" alone, or one "worker".
    """

    step: str = ""
    nth: int = 1
    seconds: float = 0.0
    whom: str = "program"

    def __str__(self) -> str:
        """Say which, so that one that fails can be asked for again."""
        return f"{self.step} {self.nth}" if self.step else f"{self.whom} after {self.seconds:.3f} s"


@dataclass(frozen=True)
class Trial:
    """Scans to drop, and what an undisturbed watcher makes of them.

    Attributes:
        template: a studio with the scans dropped in, to be copied for each moment.
        originals: sha256 of what was dropped, scans and tickets.
        right: sha256 of all that must lie in ready/ at the end, manifests without where and when.
        steps: every step that was reached, in order.
    """

    template: Path
    originals: dict[str, str]
    right: dict[str, str]
    steps: list[str]

    def moments(self) -> list[Moment]:
        """Every step, each time it is reached."""
        counts: Counter[str] = Counter()
        found = []
        for step in self.steps:
            counts[step] += 1
            found.append(Moment(step, counts[step]))
        return found


def set_up(folder: Path) -> Trial:
    """Draw the scans, and see what becomes of them when nobody is killed."""
    bench = Bench(folder / "template", QUICK)
    for name, seed in SCANS.items():
        bench.drop(name, sheet_scan(seed=seed))
    (bench.root / "scans" / "heron.toml").write_text('title = "Heron, first light"\n', encoding="utf-8")
    whole = sheet_scan(seed=5)
    for name, part in zip(SET, (whole[:, :300], whole[:, 84:]), strict=True):
        bench.drop(name, part)
    studio, noted = folder / "undisturbed", folder / "steps"
    shutil.copytree(bench.root, studio)
    with watching(studio, "here", f"*:note={noted}"):
        wait_until(lambda: is_done(studio))
    originals = {path.name: sha256(path.read_bytes()) for path in (bench.root / "scans").iterdir()}
    return Trial(bench.root, originals, exports(studio), noted.read_text(encoding="utf-8").split("\n")[:-1])


def kill_and_restart(trial: Trial, moment: Moment, studio: Path) -> list[str]:
    """What is wrong after a watcher was killed at this moment and another was left in peace; empty if nothing is."""
    shutil.copytree(trial.template, studio)
    where, failpoint = ("here", f"{moment.step}:{moment.nth}:kill") if moment.step else ("processes", "")
    with watching(studio, where, failpoint) as process:
        if moment.step:
            wait_until(lambda: process.poll() is not None)
        else:
            kill(process, moment)
    with watching(studio, where):
        wait_until(lambda: is_done(studio))
    return wrong(trial, studio)


def kill(process: "subprocess.Popen[str]", moment: Moment) -> None:
    """Kill the program, the watcher alone or one of its workers, when the time has come."""
    time.sleep(moment.seconds)
    workers = children_of(process.pid)
    if moment.whom == "worker" and workers:
        with contextlib.suppress(ProcessLookupError):
            os.kill(random.Random(str(moment)).choice(workers), _KILL)  # noqa: S311 - any will do
        time.sleep(0.05)
    with contextlib.suppress(ProcessLookupError):
        if moment.whom == "program":
            os.killpg(process.pid, _KILL)
        else:
            process.kill()


@contextlib.contextmanager
def watching(studio: Path, where: str, failpoint: str = "") -> Iterator["subprocess.Popen[str]"]:
    """A watcher in a process group of its own, ended when the block ends."""
    config = studio / "platemark.toml"
    text = re.sub(r"\n\[work\]\n.*\n", "", config.read_text(encoding="utf-8"))
    config.write_text(f'{text}\n[work]\nwhere = "{where}"\n', encoding="utf-8")
    order = [sys.executable, "-c", "from platemark.face.cli import main; main()", "watch", "--config", str(config)]
    environment = {**os.environ, "PLATEMARK_FAILPOINT": failpoint}
    with (studio / "said.txt").open("a", encoding="utf-8") as said:
        process = subprocess.Popen(
            order, env=environment, stdout=subprocess.PIPE, stderr=said, text=True, start_new_session=True
        )
    assert process.stdout
    try:
        process.stdout.readline()  # it says that it watches
        yield process
    finally:
        process.terminate()
        process.wait(DEADLINE)
        process.stdout.close()


def children_of(process: int) -> list[int]:
    """The workers of a watcher (Linux)."""
    found = []
    for status in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):
            fields = status.read_text().rpartition(")")[2].split()
            if int(fields[1]) == process:
                found.append(int(status.parent.name))
    return found


def wait_until(happened: Callable[[], bool]) -> None:
    """Wait, but not for ever."""
    until = time.monotonic() + DEADLINE
    while not happened():
        assert time.monotonic() < until, "it did not happen in time"
        time.sleep(0.01)


def is_done(studio: Path) -> bool:
    """True when nothing waits any more: a ticket leaves after its scan."""
    return not [path for path in (studio / "scans").iterdir() if not path.name.startswith(".")]


def wrong(trial: Trial, studio: Path) -> list[str]:
    """Everything that is not as it must be."""
    found = []
    made, right = exports(studio), trial.right
    found += [f"not as it should be in ready/: {name}" for name in sorted(made.keys() ^ right.keys())]
    found += [f"other bytes: {name}" for name in sorted(made.keys() & right.keys()) if made[name] != right[name]]
    kept = [sha256(path.read_bytes()) for path in (studio / "originals").iterdir() if path.is_file()]
    times = {name: kept.count(content) for name, content in trial.originals.items()}
    found += [f"{name} is kept {count} times" for name, count in times.items() if count != 1]
    found += [f"left over: {path.name}" for path in studio.rglob(".platemark-part-*")]
    found += [f"left over: {path.name}" for path in (studio / "originals").glob(".platemark.leaving*")]
    found += [f"held: {path.name}" for path in (studio / "held").iterdir() if not path.name.startswith(".")]
    for export in (studio / "ready").glob("*.jpg"):
        with Image.open(export) as picture:
            picture.load()
    return found


def exports(studio: Path) -> dict[str, str]:
    """What lies in ready/; of a manifest what does not tell when and where it was made."""
    return {
        path.name: sha256(path.read_bytes().partition(b"\n[made]")[0])
        for path in (studio / "ready").iterdir()
        if not path.name.startswith(".platemark-probe")
    }


def sha256(data: bytes) -> str:
    """Its hash."""
    return hashlib.sha256(data).hexdigest()

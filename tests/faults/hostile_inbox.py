"""Hostile files among good scans in the folder that a watcher watches, and what became of each."""

import contextlib
import os
import threading
import time
import tomllib
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, Future
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from hostile import Hostile, whole_scans
from killing import sha256
from numpy.typing import NDArray
from PIL import Image
from structlog.testing import capture_logs

from conftest import PLAIN, Bench
from platemark.flow.delivery import Outcome
from platemark.flow.inbox import is_candidate
from platemark.flow.watch import Watcher
from platemark.flow.workers.processes import Processes

CONFIG = PLAIN.partition("[print.mini]")[0] + '[watch]\nsettle = "30 ms"\nsweep = "100 ms"\n'
# What is said where the fault is ours, or a worker had to be given up.
OURS, CRASHED, LATE = "a fault of platemark itself", "ended by itself", "it was not done within"


class Timed(Executor):
    """Notes how long each scan was in work."""

    def __init__(self, executor: Executor) -> None:
        self._executor = executor
        self.seconds: dict[str, list[float]] = {}

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Have it done."""
        begun, tries = time.monotonic(), self.seconds.setdefault(args[0].files[0].name, [])
        future = self._executor.submit(fn, *args, **kwargs)
        future.add_done_callback(lambda _: tries.append(time.monotonic() - begun))
        return future


@dataclass
class Report:
    """What became of hostile files.

    Attributes:
        outcomes: by the name of the file.
        seconds: for which each was in work, of each time that it was tried.
        took: seconds for all.
        as_whole: names of those whose print is that of the whole scan.
        wrong: everything that is not as it must be.
    """

    outcomes: dict[str, Outcome] = field(default_factory=dict)
    seconds: dict[str, list[float]] = field(default_factory=dict)
    took: float = 0.0
    as_whole: set[str] = field(default_factory=set)
    wrong: list[str] = field(default_factory=list)


def watch_over(
    folder: Path, files: Sequence[Hostile], kinds: Sequence[str], *, config: str = CONFIG, deadline: float = 60.0
) -> Report:
    """Drop hostile files and whole scans of these kinds, all at once, and watch until nothing is left to be done."""
    whole = {f"good-{name}": data for name, data in whole_scans().items() if name in kinds}
    right = _undisturbed(Bench(folder / "undisturbed", config), whole)
    bench, report = Bench(folder / "studio", config), Report()
    dropped = whole | {one.name: one.data for one in files}
    for name in sorted(dropped, key=lambda name: sha256(name.encode())):  # good and bad mixed, the same way each time
        (bench.root / "scans" / name).write_bytes(dropped[name])
    with _said_into(bench.root / "said.txt"), capture_logs() as log:
        _watch(bench, report, deadline)
    report.wrong += [f"in the log: {line}" for line in log if line["log_level"] in {"error", "critical"}]
    said = (bench.root / "said.txt").read_text(encoding="utf-8", errors="replace")
    report.wrong += [f"on the terminal: {said}"] if "Traceback" in said else []
    report.wrong += [f"lost or changed: {name}" for name in _lost(bench, dropped)]
    report.wrong += [f"left over: {path.name}" for path in bench.root.rglob(".platemark-part-*")]
    for one in [*(Hostile(name, "", "whole", data, name[5:]) for name, data in whole.items()), *files]:
        fault = _fault(bench, one, report, right)
        report.wrong += [f"{one.name}: {fault}"] if fault else []
    return report


def _watch(bench: Bench, report: Report, deadline: float) -> None:
    with Processes(2) as processes:
        timed, scans = Timed(processes), bench.root / "scans"
        watcher = Watcher(bench.studio, lambda one: report.outcomes.update({one.scan: one}), timed, workers=2)
        thread = threading.Thread(target=watcher.run)
        began = time.monotonic()
        thread.start()
        while (
            any(is_candidate(path.name) for path in scans.iterdir())
            and time.monotonic() - began < deadline
            and thread.is_alive()
        ):
            time.sleep(0.02)
        report.took, report.seconds = time.monotonic() - began, timed.seconds
        watcher.stop()
        thread.join(deadline)


def _undisturbed(bench: Bench, whole: dict[str, bytes]) -> dict[str, NDArray[np.uint8]]:
    """The print of each whole scan, made alone."""
    for name, data in whole.items():
        (bench.root / "scans" / name).write_bytes(data)
    return {one.scan.removeprefix("good-"): _printed(one) for one in bench.run()}


def _printed(outcome: Outcome) -> NDArray[np.uint8]:
    assert outcome.export, outcome
    with Image.open(outcome.export) as image:
        return np.asarray(image)


def _lost(bench: Bench, dropped: dict[str, bytes]) -> list[str]:
    """What lies neither among the held nor the originals, as it was dropped."""
    folders = [bench.root / "held", bench.root / "originals"]
    kept = {sha256(path.read_bytes()) for folder in folders for path in folder.iterdir() if path.is_file()}
    return [name for name, data in dropped.items() if sha256(data) not in kept]


def _fault(bench: Bench, one: Hostile, report: Report, right: dict[str, NDArray[np.uint8]]) -> str:
    """What is wrong with what became of a file; "" if nothing is."""
    outcome = report.outcomes.get(one.name)
    if outcome is None:
        return "nothing became of it"
    if outcome.status == "held":
        return _badly_held(bench, one, outcome)
    if one.must == "held":
        return "printed"
    printed = _printed(outcome)
    if one.like in right and np.array_equal(printed, right[one.like]):
        report.as_whole.add(one.name)
    elif one.like in right and "whole" in one.must:
        return "printed otherwise than the whole scan"
    return ""


def _badly_held(bench: Bench, one: Hostile, outcome: Outcome) -> str:
    if one.must == "whole":
        return f"held: {outcome.reason}"
    if OURS in outcome.reason or CRASHED in outcome.reason or LATE in outcome.reason:
        return f"held: {outcome.reason}"
    notes = [path for path in (bench.root / "held").glob("*.held.toml") if one.name in path.read_text(encoding="utf-8")]
    told = [entry for path in notes for entry in tomllib.loads(path.read_text(encoding="utf-8"))["held"]]
    return "" if told and all(entry["reason"] and entry["remedy"] for entry in told) else "held without a note"


@contextlib.contextmanager
def _said_into(path: Path) -> Iterator[None]:
    """What this process and its workers write to the terminal goes into a file."""
    kept = os.dup(2)
    with path.open("ab") as file:
        os.dup2(file.fileno(), 2)
    try:
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)

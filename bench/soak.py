"""A soak: thousands of small scans in bursts through the real watcher, while exports are read and files are moved.

    python bench/soak.py [--scans 2000] [--burst 40] [--already 0] [--minutes 60] [--keep FOLDER]

`platemark watch` runs as a user has it, with two workers. Scans of 0.18 megapixels come as TIFF, PNG and JPEG; written
at once, slowly, or renamed; with tickets, in two parts, broken, under a name or with a content that was there before.
Meanwhile a person looks at exports, takes them away, brings them back and drops held scans again. Each process is
looked at every half second. `--already` lays so many older exports and originals there first. Linux; ends by itself,
with status 1 where something was lost, grew or got slower.
"""

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple, Self

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))
sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "faults"))

from killing import children_of
from person import Person
from soaking import SCANS_A_CYCLE, Account, arrivals, drop, wait_until, waiting

SETTLE = 0.2
CONFIG = f"""\
[print.card]
sheet = "60 x 80 mm"
border = "5 mm"
ppi = 150

[watch]
settle = "{SETTLE * 1000:.0f} ms"
sweep = "10 s"

[work]
workers = 2
"""
TICK = os.sysconf("SC_CLK_TCK")
# How much more the last quarter may take than the second.
MEMORY, TIME = 1.05, 1.10


class Sample(NamedTuple):
    """One process at one moment, `done` scans after the start; megabytes and processor seconds."""

    process: str
    done: int
    memory: float
    files: int
    threads: int
    seconds: float


@dataclass
class Watch:
    """The watcher, what it says, and how it and its workers fare."""

    studio: Path
    said: list[str] = field(default_factory=list)
    samples: list[Sample] = field(default_factory=list)
    spent: list[tuple[int, float]] = field(default_factory=list)
    over: threading.Event = field(default_factory=threading.Event)

    def __enter__(self) -> Self:
        """Begin."""
        command = [sys.executable, "-m", "platemark", "watch"]
        with (self.studio / "said.txt").open("w") as errors:
            self.process = subprocess.Popen(command, cwd=self.studio, stdout=subprocess.PIPE, stderr=errors, text=True)
        assert self.process.stdout
        self.process.stdout.readline()  # it says that it watches
        self.threads = [threading.Thread(target=target) for target in (self._listen, self._sample)]
        for thread in self.threads:
            thread.start()
        return self

    def __exit__(self, *_fault: object) -> None:
        """End it after the scans in hand."""
        self.over.set()
        self.process.terminate()
        self.process.wait(60)
        for thread in self.threads:
            thread.join()

    def count(self, word: str = "") -> int:
        """How often something became of a scan: ready, made before, held."""
        return sum(line.startswith(word) for line in self.said)

    def _listen(self) -> None:
        assert self.process.stdout
        for line in self.process.stdout:
            if line.startswith(("ready", "made before", "held", "waiting")):
                self.said.append(line)

    def _sample(self) -> None:
        while not self.over.wait(0.5):
            workers = sorted(children_of(self.process.pid))
            names = {self.process.pid: "watcher", **{pid: f"worker {n}" for n, pid in enumerate(workers, start=1)}}
            try:
                now = [sample(pid, name, len(self.said)) for pid, name in names.items()]
            except OSError:
                continue  # one has just ended
            self.samples += now
            self.spent.append((len(self.said), sum(one.seconds for one in now)))


def sample(pid: int, name: str, done: int) -> Sample:
    """Look at one process."""
    proc = Path(f"/proc/{pid}")
    told = dict(line.split(":", 1) for line in (proc / "status").read_text().splitlines())
    fields = (proc / "stat").read_text().rpartition(")")[2].split()
    seconds = (int(fields[11]) + int(fields[12])) / TICK
    memory = int(told["VmRSS"].split()[0]) / 1024
    return Sample(name, done, memory, len(list((proc / "fd").iterdir())), int(told["Threads"]), seconds)


def main() -> None:
    """Soak, and tell the figures and what went wrong."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--scans", type=int, default=2000)
    parser.add_argument("--burst", type=int, default=40)
    parser.add_argument("--already", type=int, default=0)
    parser.add_argument("--minutes", type=float, default=60)
    parser.add_argument("--keep", type=Path, help="leave the studio there")
    words = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="platemark-soak-") as name:
        studio = words.keep or Path(name)
        studio.mkdir(exist_ok=True)
        (studio / "platemark.toml").write_text(CONFIG)
        lay_older(studio, words.already)
        began = time.monotonic()
        watch, account, person = soak(studio, words, began + 60 * words.minutes)
        wrong = [*figures(watch), *lost(watch, account, person, studio)]
        print(f"\n{time.monotonic() - began:.0f} s; {len(account.made)} made, {account.copies} known, "
              f"{len(account.held)} held; {person.told()}")  # fmt: skip
        for fault in wrong[:20]:
            print(f"WRONG: {fault}")
    raise SystemExit(bool(wrong))


def soak(studio: Path, words: argparse.Namespace, until: float) -> tuple[Watch, Account, Person]:
    """Drop all scans; ends when all are done, or the time is over."""
    account = Account()
    with Watch(studio) as watch:
        with Person(studio, rest=0.1) as person:
            in_burst = 0
            for arrival in arrivals(-(-words.scans // SCANS_A_CYCLE)):
                account.enter(arrival)
                drop(arrival, studio / "scans", SETTLE)
                in_burst += len(arrival.files)
                if in_burst >= words.burst:
                    wait_until(lambda: waiting(studio) <= words.burst // 8, until - time.monotonic())
                    in_burst = 0
        wait_until(lambda: waiting(studio) == 0, until - time.monotonic())
        time.sleep(1)
    return watch, account, person


def figures(watch: Watch) -> list[str]:
    """The table, quarter by quarter; returns what grew."""
    total, grew = len(watch.said), []
    print("| process | quarter | MB (median) | open files | threads |\n|---|---|---|---|---|")
    for name in sorted({one.process for one in watch.samples}):
        rows = [[one for one in watch.samples if one.process == name and part(one.done, total) == n] for n in range(4)]
        medians = [
            [statistics.median(column) for column in zip(*(one[2:5] for one in row), strict=True)] for row in rows
        ]
        for n, (memory, files, threads) in enumerate(medians, start=1):
            print(f"| {name} | {n} | {memory:.1f} | {files:.0f} | {threads:.0f} |")
        if medians[3][0] > MEMORY * medians[1][0]:
            grew.append(
                f"{name} holds {medians[3][0] / medians[1][0] - 1:.1%} more in the last quarter than in the second"
            )
        grew += [
            f"{name} holds ever more of {what}"
            for n, what in ((1, "files"), (2, "threads"))
            if medians[3][n] > medians[1][n] + 1
        ]
    costs = [cost(watch.spent, total, n) for n in range(4)]
    print("processor seconds a scan, by quarter: " + ", ".join(f"{one:.3f}" for one in costs))
    if costs[3] > TIME * costs[1]:
        grew.append(f"a scan takes {costs[3] / costs[1] - 1:.1%} more in the last quarter than in the second")
    return grew


def part(done: int, total: int) -> int:
    """Which quarter, from 0."""
    return min(3, 4 * done // total)


def cost(spent: Sequence[tuple[int, float]], total: int, quarter: int) -> float:
    """Processor seconds of all processes for each scan of a quarter."""
    inside = [one for one in spent if part(one[0], total) == quarter and one[0] < total]
    return (inside[-1][1] - inside[0][1]) / max(1, inside[-1][0] - inside[0][0])


def lost(watch: Watch, account: Account, person: Person, studio: Path) -> list[str]:
    """Everything that was lost, made twice, or told wrongly."""
    for path in studio.rglob("older-*"):
        path.unlink()
    told = {"ready": len(account.made), "made before": account.copies, "held": len(account.held) + person.again}
    wrong = [f"{watch.count(word)} times {word!r} was told, not {times}" for word, times in told.items()
             if watch.count(word) != times]  # fmt: skip
    check = subprocess.run(
        [sys.executable, "-m", "platemark", "verify", "."], cwd=studio, capture_output=True, text=True, check=False
    )
    wrong += [f"verify: {line}" for line in check.stdout.splitlines()[:5] if check.returncode]
    return [*wrong, *account.wrong(studio), *person.troubles]


def lay_older(studio: Path, count: int) -> None:
    """Names of older work; nothing is in the files, for only the names are looked at."""
    for folder in ("ready", "originals"):
        (studio / folder).mkdir(exist_ok=True)
    for n in range(count):
        (studio / "ready" / f"older-{n:06}.card.jpg").touch()
        (studio / "ready" / f"older-{n:06}.card.toml").touch()
        (studio / "originals" / f"older-{n:06}-{n:012x}.tif").touch()


if __name__ == "__main__":
    main()

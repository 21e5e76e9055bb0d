"""What a command costs before it does anything: medians of ten runs, whole process.

python bench/start_up.py
"""

import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from as_installed import keep_compiled

RUNS = 10
COMMANDS = {
    "python -c pass": ["-c", "pass"],
    "platemark --help": ["-m", "platemark", "--help"],
    "platemark --version": ["-m", "platemark", "--version"],
    "platemark prepare --help": ["-m", "platemark", "prepare", "--help"],
    "from platemark import Stage": ["-c", "from platemark import Stage"],
    "from platemark import Picture": ["-c", "from platemark import Picture"],
}


def main() -> None:
    """Run each in turn, so that a busy moment falls on all, and print a table."""
    taken: dict[str, list[tuple[float, float]]] = {name: [] for name in COMMANDS}
    with tempfile.TemporaryDirectory(prefix="platemark-start-") as folder:
        keep_compiled(Path(folder))
        for _ in range(RUNS + 1):
            for name, words in COMMANDS.items():
                taken[name].append(once([sys.executable, *words]))
    print("| command | seconds | processor seconds |\n|---|---|---|")
    for name, runs in taken.items():
        wall, processor = zip(*runs[1:], strict=True)  # the first run fills the caches
        print(f"| `{name}` | {statistics.median(wall):.3f} | {statistics.median(processor):.3f} |")


def once(command: list[str]) -> tuple[float, float]:
    """Seconds by the clock and of the processor."""
    begun, before = time.perf_counter(), processor_seconds()
    subprocess.run(command, stdout=subprocess.DEVNULL, check=True)
    return time.perf_counter() - begun, processor_seconds() - before


def processor_seconds() -> float:
    """Of all children that have ended."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


if __name__ == "__main__":
    main()

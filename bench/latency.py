"""From a settled file to the first bytes of work: how long a whole scan lies before a worker reads it. Linux only.

    python bench/latency.py [--scans 20]

A scan is written into `scans/` in pieces, at any moment against the watcher's looks. It has settled when the settle
time of the config is over since its last byte; the time from there to the first reading by a worker is taken, as the
system tells of openings (inotify). The workers are warm. The aim is 0.3 seconds at any settle time.
"""

import argparse
import ctypes
import os
import random
import select
import statistics
import struct
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from as_installed import keep_compiled
from pace import reduce
from whole import make_scan

CONFIG = """\
[print.a6]
sheet = "A6"
border = "10 mm"
ppi = 360

[watch]
settle = "{settle}"
"""
SETTLE = (0.5, 2.0, 8.0)
PIECES = 5
_IN_OPEN = 0x20  # Source: inotify(7), linux/inotify.h
_LIBC = ctypes.CDLL(None, use_errno=True)


def main() -> None:
    """Measure and print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--scans", type=int, default=20)
    asked = parser.parse_args()
    print("| settle time, s | scans | median, s | worst, s |\n|---|---|---|---|")
    with tempfile.TemporaryDirectory(prefix="platemark-latency-") as name:
        folder = Path(name)
        keep_compiled(folder / "compiled")
        small = folder / "small.tif"
        reduce(make_scan(folder / "large.tif", 8), small, 0.17)
        for settle in SETTLE:
            # With a long settle time fewer, so that the bench ends.
            count = asked.scans if settle < max(SETTLE) else max(1, asked.scans // 4)
            taken = latencies(folder / f"studio-{settle}", small.read_bytes(), settle, count)
            row = f"| {settle:g} | {count} | {statistics.median(taken):.3f} | {max(taken):.3f} |"
            print(row, flush=True)


def latencies(studio: Path, scan: bytes, settle: float, count: int) -> list[float]:
    """Seconds for each of so many scans, one after the other."""
    studio.mkdir()
    (studio / "platemark.toml").write_text(CONFIG.format(settle=f"{settle} s"))
    command = [sys.executable, "-u", "-m", "platemark", "watch"]
    watcher = subprocess.Popen(command, cwd=studio, stdout=subprocess.PIPE, text=True)
    assert watcher.stdout is not None
    try:
        watcher.stdout.readline()  # it watches
        taken = []
        for number in range(count + 2):  # the first two warm the workers up
            taken.append(latency(studio / "scans" / f"scan-{number}.tif", scan + bytes([number]), settle))
            while "scan-" not in (line := watcher.stdout.readline()):
                assert line, "the watcher ended"
        return taken[2:]
    finally:
        watcher.terminate()
        watcher.wait()


def latency(path: Path, scan: bytes, settle: float) -> float:
    """Write a scan, wait for who reads it, and tell how long after it had settled that was."""
    with path.open("wb") as file:
        for piece in range(PIECES):
            file.write(scan[piece * len(scan) // PIECES : (piece + 1) * len(scan) // PIECES])
            file.flush()
            time.sleep(random.uniform(0, 0.1))  # noqa: S311 - any moment will do
    written = path.stat().st_mtime
    opened = openings(path, 2, settle + 30)
    # The first is a sample that the watcher takes, so that no two workers get the same; the second is a worker's.
    return opened[1] - written - settle


def openings(path: Path, count: int, patience: float) -> list[float]:
    """When a file is opened so many times, by the clock on the wall."""
    descriptor = _LIBC.inotify_init()
    try:
        _LIBC.inotify_add_watch(descriptor, os.fsencode(path), _IN_OPEN)
        times: list[float] = []
        while len(times) < count:
            ready, _, _ = select.select([descriptor], [], [], patience)
            assert ready, f"{path.name} was not taken"
            data, now, at = os.read(descriptor, 4096), time.time(), 0
            while at < len(data):
                *_, length = struct.unpack_from("iIII", data, at)
                at += 16 + length
                times.append(now)
        return times[:count]
    finally:
        os.close(descriptor)


if __name__ == "__main__":
    if sys.platform != "linux":
        raise SystemExit("needs inotify, which only Linux has")
    main()

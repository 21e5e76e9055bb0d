"""How work goes on: a small scan, prints of one scan, and a queue with one and with two workers. Whole processes.

    python bench/pace.py [--runs 3]

Aims: a scan of one megapixel in 1.0 s; three prints in at most 2.0 times one; ten scans at least 1.7 times faster with
two workers than with one.
"""

import argparse
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from as_installed import keep_compiled
from whole import make_scan

PRINT = """\
[print.{name}]
sheet = "{sheet}"
border = "10 mm"
ppi = 360
"""
SIZES = {"a4": "A4", "a5": "A5", "a6": "A6"}


def main() -> None:
    """Measure and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=3)
    runs = parser.parse_args().runs
    with tempfile.TemporaryDirectory(prefix="platemark-pace-") as name:
        folder = Path(name)
        keep_compiled(folder / "compiled")
        large = make_scan(folder / "large.tif", 8)
        small = folder / "small.tif"
        reduce(large, small, 0.17)
        one, three = ["a4"], list(SIZES)
        queue = [folder / f"queue-{n}.tif" for n in range(10)]
        for n, path in enumerate(queue):
            reduce(large, path, 0.5 + 0.002 * n)
        rows = {
            "one megapixel, one small print": lambda: prepared(folder, ["a6"], [small]),
            "A4 at 600 ppi, one print": lambda: prepared(folder, one, [large]),
            "A4 at 600 ppi, three prints": lambda: prepared(folder, three, [large]),
            "ten scans of 9 megapixels, one worker": lambda: prepared(folder, ["a5"], queue, workers=1),
            "ten scans of 9 megapixels, two workers": lambda: prepared(folder, ["a5"], queue, workers=2),
        }
        prepared(folder, ["a6"], [small], workers=2)  # fills the caches
        print("| what | s (median) |\n|---|---|")
        for what, measure in rows.items():
            print(f"| {what} | {statistics.median(measure() for _ in range(runs)):.2f} |", flush=True)


def reduce(scan: Path, to: Path, scale: float) -> None:
    """A smaller scan of the same sheet, at a lower resolution."""
    import pyvips

    image = pyvips.Image.new_from_file(str(scan)).resize(scale)
    image.copy(xres=600 * scale / 25.4, yres=600 * scale / 25.4).tiffsave(str(to), resunit="inch")


def prepared(folder: Path, prints: list[str], scans: list[Path], workers: int = 2) -> float:
    """Seconds of the whole command, in a new studio."""
    studio = folder / "studio"
    shutil.rmtree(studio, ignore_errors=True)
    studio.mkdir()
    tables = "".join(PRINT.format(name=name, sheet=SIZES[name]) for name in prints)
    (studio / "platemark.toml").write_text(f"{tables}\n[work]\nworkers = {workers}\n")
    began = time.perf_counter()
    subprocess.run(
        [sys.executable, "-m", "platemark", "prepare", *map(str, scans)], cwd=studio, check=True, capture_output=True
    )
    return time.perf_counter() - began


if __name__ == "__main__":
    main()

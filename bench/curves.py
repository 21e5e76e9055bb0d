"""How cost grows: time and memory against megapixels of the scan and prints of one scan, beside the floor.

    python bench/curves.py [--runs 2] [--plot bench/curves.svg]

Whole processes: `prepare` of 8-bit scans of A4, prints on A4 at 360 ppi. The floor decodes the same scan and encodes
as many JPEGs of the same sizes with libvips, and does nothing else. Takes a minute or two; prints the table and draws
the plot. Linux and macOS.
"""

import argparse
import shutil
import statistics
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from as_installed import keep_compiled
from pace import PRINT, reduce
from plot import Curve, Panel, draw
from whole import make_scan, measured

MEGAPIXELS = (9, 35, 70, 140)
PRINTS = (1, 2, 3, 5)
SHEETS = ("A4", "A5", "A6", "5x7 in", "A4")
FULL = 34.8  # megapixels of the scan that the others are made from
FLOOR = """\
import sys, pyvips
scan, *widths = sys.argv[1:]
for width in widths:
    image = pyvips.Image.new_from_file(scan, access="sequential")
    image.resize(min(1.0, int(width) / image.width), kernel="nearest").jpegsave(f"{scan}-{width}.jpg", Q=95)
"""
WIDTHS = {"A4": 2976, "A5": 2098, "A6": 1488, "5x7 in": 1800}

Row = tuple[float, float, float, float]
"""Seconds of the clock and of the processor, peak megabytes; seconds of the floor."""


def main() -> None:
    """Measure, print the table, draw the plot."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=2)
    parser.add_argument("--plot", type=Path, default=Path(__file__).with_name("curves.svg"))
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="platemark-curves-") as name:
        folder = Path(name)
        keep_compiled(folder / "compiled")
        scans = {size: scan_of(folder, size) for size in MEGAPIXELS}
        cost(folder, scans[MEGAPIXELS[0]], 1, 1)  # fills the caches
        print("| scan, megapixels | prints | s | processor s | peak MB | floor, s | times the floor |")
        print("|---|---|---|---|---|---|---|")
        by_size = {size: cost(folder, scan, 1, asked.runs, size) for size, scan in scans.items()}
        by_prints = {1: by_size[35]} | {n: cost(folder, scans[35], n, asked.runs, 35) for n in PRINTS[1:]}
    draw(asked.plot, panels(by_size, by_prints))
    print(f"\n{asked.plot}")


def scan_of(folder: Path, megapixels: int) -> Path:
    """The same sheet, scanned more or less finely."""
    full, path = folder / "full.tif", folder / f"scan-{megapixels}.tif"
    if not full.exists():
        make_scan(full, 8)
    reduce(full, path, (megapixels / FULL) ** 0.5)
    return path


def cost(folder: Path, scan: Path, prints: int, runs: int, megapixels: int = 0) -> Row:
    """The medians of some runs, in turn with the floor's; a line of the table."""
    taken = []
    for _ in range(runs):
        studio = folder / "studio"
        shutil.rmtree(studio, ignore_errors=True)
        studio.mkdir()
        tables = (PRINT.format(name=f"p{n}", sheet=sheet) for n, sheet in enumerate(SHEETS[:prints]))
        (studio / "platemark.toml").write_text("".join(tables))
        ours = measured([sys.executable, "-m", "platemark", "prepare", str(scan)], studio)
        widths = [str(WIDTHS[sheet]) for sheet in SHEETS[:prints]]
        floor, _, _ = measured([sys.executable, "-c", FLOOR, str(scan), *widths], studio)
        taken.append((*ours, floor))
    wall, cpu, memory, floor = (statistics.median(column) for column in zip(*taken, strict=True))
    if megapixels:
        cells = [str(megapixels), str(prints), f"{wall:.2f}", f"{cpu:.2f}", f"{memory:.0f}", f"{floor:.2f}"]
        print(f"| {' | '.join([*cells, f'{wall / floor:.1f}'])} |", flush=True)
    return wall, cpu, memory, floor


def panels(by_size: dict[int, Row], by_prints: dict[int, Row]) -> list[Panel]:
    """Time and memory, against either."""
    found = []
    for rows, label in ((by_size, "megapixels of the scan"), (by_prints, "prints of one scan of 35 megapixels")):
        columns = [[(float(x), row[k]) for x, row in rows.items()] for k in range(4)]
        time = [Curve("platemark", columns[0]), Curve("its processor time", columns[1]), Curve("floor", columns[3])]
        found += [
            Panel("seconds", label, time),
            Panel("megabytes at the peak", label, [Curve("platemark", columns[2])]),
        ]
    return found


if __name__ == "__main__":
    if sys.platform == "win32":
        raise SystemExit("needs wait4, which Windows has not")
    main()

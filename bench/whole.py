"""One 600 ppi A4 scan to one A4 print, whole process: time and peak memory beside the peers, in one run.

    python bench/whole.py --profile PRINTER.icc [--runs 5] [--peers OTHER/plain.py]
    python bench/whole.py --profile PRINTER.icc --parts [--runs 5]

Ours finds the sheet, straightens, crops, resamples, proofs there and back, sharpens, searches the quality under 8 MB,
hashes, archives with fsync and writes the manifest. The peers get angle and box given. Runs alternate, so that a
machine that slows down slows all alike; the ratio is of medians.
"""

import argparse
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pyvips
from as_installed import keep_compiled

HERE = Path(__file__).parent
UNSHARPENED = "platemark, not sharpened"
WIDTH, HEIGHT, TILT = 4961, 7016, 1.37
CONFIG = """\
[print.a4]
sheet = "A4"
border = "10.583 mm"
ppi = 360
paper = "p"

[paper.p]
profile = '{profile}'

[stage.proof]
effect = "simulate"

[stage.jpeg]
max_size = "8 MB"

[stage.sharpen]
strength = {strength}
"""


def main() -> None:
    """Make the scans, run all in turn, print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--profile", required=True, type=Path, help="a printer profile (class prtr)")
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--peers", type=Path, default=HERE / "peers.py")
    parser.add_argument("--parts", action="store_true", help="where the time of ours goes instead")
    words = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="platemark-bench-") as name:
        folder = Path(name)
        keep_compiled(folder / "compiled")
        if words.parts:
            show_parts(folder, words)
            return
        print("| scan | what | wall s (median) | cpu s | peak MB | against libvips |")
        print("|---|---|---|---|---|---|")
        for bits in (8, 16):
            compare(folder, bits, words)


def compare(folder: Path, bits: int, words: argparse.Namespace) -> None:
    """A row for each program."""
    scan = make_scan(folder / f"scan-{bits}.tif", bits)
    prepare = [sys.executable, "-m", "platemark", "prepare", str(scan)]
    commands = {
        "platemark": prepare,
        UNSHARPENED: prepare,
        "plain libvips": plain(words, "vips", scan, folder),
        "plain Pillow": plain(words, "pillow", scan, folder),
    }
    taken = {name: [] for name in commands}
    for run in range(words.runs + 1):
        for name, command in commands.items():
            figures = measured(command, studio(folder / "studio", words.profile, 0 if name == UNSHARPENED else 1))
            if run:  # the first is the warm-up
                taken[name].append(figures)
    medians = {name: [statistics.median(column) for column in zip(*rows, strict=True)] for name, rows in taken.items()}
    for name, (wall, cpu, memory) in medians.items():
        ratio = wall / medians["plain libvips"][0]
        print(f"| {bits} bit | {name} | {wall:.2f} | {cpu:.2f} | {memory:.0f} | {ratio:.2f} |", flush=True)


def show_parts(folder: Path, words: argparse.Namespace) -> None:
    """A row for each part, medians; what takes less than a hundredth of a second is left out."""
    print("| part | 8 bit: wall s | cpu s | 16 bit: wall s | cpu s |\n|---|---|---|---|---|")
    taken: dict[str, list[list[float]]] = {}
    for bits in (8, 16):
        scan = make_scan(folder / f"scan-{bits}.tif", bits)
        command = [sys.executable, str(HERE.resolve() / "whole_parts.py"), str(scan)]
        runs = [
            subprocess.run(command, cwd=studio(folder / "studio", words.profile, 1), check=True, stdout=subprocess.PIPE)
            for _ in range(words.runs + 1)
        ][1:]  # the first is the warm-up
        rows = [[line.split("\t") for line in run.stdout.decode().splitlines()] for run in runs]
        for lines in zip(*rows, strict=True):
            figures = [statistics.median(float(line[column]) for line in lines) for column in (1, 2)]
            taken.setdefault(lines[0][0], []).append(figures)
    for part, columns in taken.items():
        if max(wall for wall, _ in columns) >= 0.01:
            print(f"| {part} |", " | ".join(f"{wall:.2f} | {cpu:.2f}" for wall, cpu in columns), "|")


def plain(words: argparse.Namespace, library: str, scan: Path, folder: Path) -> list[str]:
    """The peer's command."""
    given = ["--angle", str(TILT), "--box", "150", "200", "4600", "6700", "--size", "2650", "3860"]
    out = str(folder / "plain.jpg")
    return [sys.executable, str(words.peers), library, str(scan), out, *given, "--profile", str(words.profile)]


def studio(folder: Path, profile: Path, strength: int) -> Path:
    """A fresh studio, so that nothing is found done."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    (folder / "platemark.toml").write_text(
        CONFIG.format(profile=profile.resolve(), strength=strength), encoding="utf-8"
    )
    return folder


def measured(command: list[str], folder: Path) -> tuple[float, float, float]:
    """Wall seconds, processor seconds and peak megabytes of a whole process."""
    start = time.perf_counter()
    process = subprocess.Popen(command, cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
    said = process.stdout.read() if process.stdout else b""
    _pid, status, usage = os.wait4(process.pid, 0)
    wall = time.perf_counter() - start
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise SystemExit(f"{' '.join(command)} ended with {process.returncode}: {said.decode()}")
    return wall, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024


def make_scan(path: Path, bits: int) -> Path:
    """A sheet with washes on a dark-edged bed, turned by TILT, with sensor noise: nothing in it is smooth."""
    small = 8
    rows, columns = HEIGHT // small, WIDTH // small
    noise = np.random.Generator(np.random.PCG64(7))
    washes = noise.normal(0, 1, (rows // 12 + 2, columns // 12 + 2, 3)).cumsum(0).cumsum(1)
    washes = (washes - washes.min()) / np.ptp(washes) * 200 + 40
    art = pyvips.Image.new_from_array(washes.astype(np.float32)).resize(12 * small, kernel="cubic")
    paper, lid = [244, 242, 236], [180, 181, 182]
    sheet = art.crop(0, 0, 4400, 6500).embed(60, 80, 4520, 6660, extend="background", background=paper)
    bed = sheet.similarity(angle=-TILT, background=lid)
    left, top = (WIDTH - bed.width) // 2, (HEIGHT - bed.height) // 2
    bed = bed.embed(left, top, WIDTH, HEIGHT, extend="background", background=lid)
    grain = pyvips.Image.gaussnoise(WIDTH, HEIGHT, sigma=2.0, mean=0, seed=5)
    out = (bed + grain) * (257 if bits == 16 else 1)
    out = out.cast("ushort" if bits == 16 else "uchar").copy(interpretation="rgb16" if bits == 16 else "srgb")
    out.copy(xres=600 / 25.4, yres=600 / 25.4).tiffsave(str(path), resunit="inch")
    return path


if __name__ == "__main__":
    if sys.platform == "win32":
        raise SystemExit("needs wait4, which Windows has not")
    main()

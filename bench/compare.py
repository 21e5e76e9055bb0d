"""How exactly two scans of one picture are laid on each other, and how quick CIEDE2000 is.

    python bench/compare.py FOLDER     # pairs made of the sheets on the scans in FOLDER
    python bench/compare.py --speed    # 12 megapixels, beside libvips' own operator

Each pair is the sheet of a scan and the same sheet as another scanner might see its print: scaled, turned, stretched
along the carriage, at another resolution, blurred, paler, with noise. The error is the distance between where the
found and the true placement put a position, median and worst over a grid of 9 x 9 on the sheet, in pixels of the
coarser of the two.
"""

import argparse
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyvips

from platemark import Affine, Held, Picture, colour_difference
from platemark.config.model import Scanner
from platemark.contract.plugins import load_plugins
from platemark.flow.comparing.laying import framed, size_mm
from platemark.flow.comparing.registering import register
from platemark.flow.comparing.sheets import one_sheet


@dataclass(frozen=True)
class Print:
    """How the second of a pair differs: its size, its lie, its density, its tone."""

    name: str
    scale: float
    turn: float
    density: float
    stretch: float = 1.0
    blur: float = 0.8
    noise: float = 600.0


PRINTS = (
    Print("same size, 0.4 degrees", 1.0, 0.4, 1.0),
    Print("0.886 of it, 1.3 degrees", 0.886, -1.3, 1.0, 1.003),
    Print("1.414 of it, half the ppi", 1.414, 0.8, 0.5, 0.998),
    Print("0.7 of it, twice the ppi", 0.7, 2.2, 2.0, 1.002, 1.5, 1500.0),
    Print("turned by 90 degrees", 0.95, 90.6, 1.0),
)


def second_of(first: Picture, how: Print, seed: int) -> tuple[Picture, Affine]:
    """The other scan, and the true placement of it: its millimetres to those of the first."""
    width, height = size_mm(first)
    away = Affine.scaling(how.scale, how.scale * how.stretch).then(Affine.rotation(how.turn))
    corners = away.apply([(0, 0), (width, 0), (width, height), (0, height)])
    border = 8.0
    low, high = corners.min(axis=0) - border, corners.max(axis=0) + border
    away = away.then(Affine.translation(*(-low).tolist()))
    frame = (float(high[0] - low[0]), float(high[1] - low[1]))
    ppi = first.ppi * how.density
    image = framed(first, away, frame, ppi).pixels().gaussblur(how.blur)
    noise = pyvips.Image.gaussnoise(image.width, image.height, sigma=how.noise, mean=0, seed=seed)
    image = (image * 0.93 + 1500 + noise).cast("ushort").copy_memory()
    return Picture.of(image.copy(interpretation="rgb16"), first.profile, ppi), away.inverse()


def errors(found: Affine, true: Affine, second: Picture, unit: float) -> np.ndarray:
    """Distances over a grid on the second sheet, in units of millimetres."""
    width, height = size_mm(second)
    grid = [(x * width, y * height) for x in np.linspace(0.1, 0.9, 9) for y in np.linspace(0.1, 0.9, 9)]
    return np.hypot(*(found.apply(grid) - true.apply(grid)).T) / unit


def row_of(path: Path, first: Picture) -> list[float]:
    """One scan's pairs, as a line; gives the medians."""
    said, medians = [], []
    for seed, how in enumerate(PRINTS):
        second, true = second_of(first, how, seed)
        coarser = 25.4 / min(first.ppi, second.ppi * how.scale)
        begin = time.perf_counter()
        try:
            found = register(first, second)
        except Held:
            said.append(f"{'held':>20}")
            continue
        off = errors(found.placement, true, second, coarser)
        medians.append(float(np.median(off)))
        seconds = time.perf_counter() - begin
        said.append(f"{medians[-1]:7.3f}{off.max():7.3f}{seconds:6.1f}")
    print(f"{path.name:<32}{''.join(said)}", flush=True)
    return medians


def speed() -> None:
    """Both operators on the same 12 megapixels, three times each, the best of them."""
    rows, columns = 3000, 4000
    random = np.random.Generator(np.random.PCG64(0))
    one = (random.random((rows, columns, 3)) * (100, 100, 100) - (0, 50, 50)).astype(np.float32)
    other = (one + random.normal(0, 4, one.shape)).astype(np.float32)
    images = [
        pyvips.Image.new_from_memory(lab.data, columns, rows, 3, "float").copy(interpretation="lab")
        for lab in (one, other)
    ]
    ours = best_of(lambda: colour_difference(one, other))
    theirs = best_of(lambda: images[0].dE00(images[1]).write_to_memory())
    print(f"CIEDE2000 of 12 megapixels: ours {ours:.2f} s, libvips {theirs:.2f} s, ratio {ours / theirs:.2f}")


def best_of(work) -> float:
    """Seconds."""
    took = []
    for _ in range(3):
        begin = time.perf_counter()
        work()
        took.append(time.perf_counter() - begin)
    return min(took)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path, nargs="?")
    parser.add_argument("--only", default="")
    parser.add_argument("--speed", action="store_true")
    asked = parser.parse_args()
    if asked.speed:
        return speed()
    plugins, all_medians = load_plugins(), []
    print("; ".join(how.name for how in PRINTS), "each: median px, worst px, s", sep="\n")
    for path in sorted(asked.folder.iterdir()):
        if path.suffix in {".jpg", ".tif", ".png"} and asked.only in path.name:
            try:
                sheet = one_sheet(path, Scanner(), plugins)
            except Held as held:
                print(f"{path.name:<32}{held.reason[:60]}")
                continue
            all_medians += row_of(path, sheet.picture)
    if not all_medians:
        return None
    print(f"median of {len(all_medians)} pairs: {np.median(all_medians):.3f} px, worst pair {max(all_medians):.3f}")
    return None


if __name__ == "__main__":
    main()

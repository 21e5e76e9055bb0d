"""How well two scans of one sheet, the second upside down, are laid on each other and averaged.

    python bench/turned.py
    python bench/turned.py --large

Scans are formulas (tests/stages/flatbed.py): textured paper lit from one side, a carriage that stretches and wanders,
another time otherwise, a lamp darker to one side, noise, sheets laid askew. `--large` measures time and memory with two
A4 scans at 600 ppi, 16 bits, made here.

What the columns say: how far off the true position the turned scan is laid, in pixels; how much of the spatial
frequency response of four slanted edges is lost at a quarter of a cycle per pixel, per cent, the mean and the worst,
found with scans of the same geometry without grain and noise, which would blur the figure and not the picture; how
strong the grain is against that of the upright scan alone, in dB, where the sheet is plain (noise alone: -3 dB); and
how much of its tone the mean is off the truth, in per cent of full scale, at worst over 5 mm.
"""

import argparse
import multiprocessing
import resource
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyvips

from platemark import Affine, Bend, Picture, srgb
from platemark_stages.turned import Laid, average, register

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "stages"))
from flatbed import EDGE_MM, EDGES, Flatbed, Sheet, response

CASES = {
    "300 ppi": (Sheet(60, 80, relief=0.02), 300.0, 0.7),
    "300 ppi, rough": (Sheet(60, 80, relief=0.05), 300.0, 0.7),
    "300 ppi, pale": (Sheet(60, 80, relief=0.03, contrast=0.3), 300.0, 0.7),
    "300 ppi, 3 deg": (Sheet(60, 80, relief=0.02), 300.0, 3.0),
    "600 ppi": (Sheet(50, 60, relief=0.02), 600.0, 0.7),
    "600 ppi, rough": (Sheet(50, 60, relief=0.05), 600.0, 0.7),
}


def errors(found: Laid, upright: Flatbed, turned: Flatbed, sheet: Sheet):
    """Pixels, at 2000 places of the upright scan that the turned one shows."""
    width, height = upright.size(sheet)
    rim = 1.5 / 25.4 * upright.ppi
    x, y = (side.ravel() for side in np.meshgrid(np.linspace(rim, width - rim, 40), np.linspace(rim, height - rim, 50)))
    true_x, true_y = turned.in_scan(sheet, *upright.on_sheet(sheet, x, y))
    inside = (true_x > rim) & (true_x < found.size[0] - rim) & (true_y > rim) & (true_y < found.size[1] - rim)
    even = found.affine.inverse().apply(np.stack([x, y], axis=1))
    down = even[:, 1] + found.unbent().at(even[:, 0], even[:, 1])
    return np.hypot(even[:, 0] - true_x, down - true_y)[inside]


def losses(sheet: Sheet, bed: Flatbed, one: Picture, mean: Picture):
    """Per cent of the response at half the limit that is lost, of each edge."""
    half = round(EDGE_MM / 25.4 * bed.ppi * 0.75)
    found = []
    for (across, down), degrees in EDGES:
        middle = bed.in_scan(sheet, np.array(across * sheet.width), np.array(down * sheet.height))
        kept = [np.interp(0.25, *response(picture.array()[:, :, 1], middle, degrees, half)) for picture in (one, mean)]
        found.append(100 * (1 - kept[1] / kept[0]))
    return np.array(found)


def grain(sheet: Sheet, bed: Flatbed, one: Picture, mean: Picture, clean: Picture, clean_mean: Picture) -> float:
    """The grain of the mean against that of one scan, dB, beside the slanted edges."""
    size = round(EDGE_MM / 25.4 * bed.ppi / 2)
    power = np.zeros(2)
    for (across, down), degrees in EDGES:
        x, y = bed.in_scan(sheet, np.array(across * sheet.width), np.array(down * sheet.height))
        # From 1 mm off the edge to the end of the plain paper.
        off = (EDGE_MM / 2 + 0.4) / 25.4 * bed.ppi
        x, y = x + np.cos(np.radians(degrees)) * off, y + np.sin(np.radians(degrees)) * off
        box = np.s_[round(float(y)) - size // 2 : round(float(y)) + size // 2, round(float(x)) - size // 2 :][0:2]
        rows, columns = box[0], slice(box[1].start, box[1].start + size)
        for k, (own, flat) in enumerate(((one, clean), (mean, clean_mean))):
            rest = (own.array()[rows, columns, 1].astype(float) - flat.array()[rows, columns, 1]) / 65535
            power[k] += (rest - rest.mean()).var()
    return float(10 * np.log10(power[1] / power[0]))


def row_of(name: str) -> str:
    sheet, ppi, askew = CASES[name]
    sheet = replace(sheet, blur=0.6 * 25.4 / ppi)
    upright = Flatbed(turn=askew / 2, shift=(0.3, -0.2), ppi=ppi)
    turned = Flatbed(turn=180 - askew / 2, shift=(-1.1, 0.8), ppi=ppi, phase=2.0)
    first, second = upright.scan(sheet), turned.scan(sheet)
    clean = [bed.scan(sheet, relief=False, noise=False) for bed in (upright, turned)]
    begin = time.perf_counter()
    found = register(first, second)
    middle = time.perf_counter()
    mean = average(first, second, found)
    end = time.perf_counter()
    clean_mean = average(*clean, found)
    apart = errors(found, upright, turned, sheet)
    lost = losses(sheet, upright, clean[0], clean_mean)
    return (
        f"{name:<16}{np.median(apart):8.3f}{np.percentile(apart, 95):8.3f}{found.residual:10.3f}{found.largest:8.3f}"
        f"{found.drift:7.2f}{lost.mean():8.2f}{lost.max():7.2f}"
        f"{grain(sheet, upright, first, mean, clean[0], clean_mean):9.1f}{middle - begin:8.2f}{end - middle:7.2f}"
    )


def large() -> None:
    """Two A4 scans at 600 ppi in 16 bits, in a process of its own, so that its memory is that of averaging."""
    with tempfile.TemporaryDirectory() as folder:
        for task in (make_large, average_large):
            process = multiprocessing.get_context("spawn").Process(target=task, args=(folder,))
            process.start()
            process.join()


def make_large(folder: str) -> None:
    """The second is turned by 179.6 degrees and bent by some pixels."""
    width, height = 4960, 7016
    noise = pyvips.Image.gaussnoise(width + 400, height + 400, sigma=4000, mean=0, seed=3)
    blots = pyvips.Image.gaussnoise(noise.width // 40, noise.height // 40, sigma=9000, mean=36000, seed=5)
    art = (noise.gaussblur(2) * 6 + blots.resize(41).crop(0, 0, noise.width, noise.height)).cast("ushort")
    art = art.bandjoin([art * 0.9, art * 0.8]).cast("ushort").copy(interpretation="rgb16").copy_memory()
    source = Picture.of(art, srgb(), 600)
    source.cropped(200, 200, width, height).pixels().write_to_file(f"{folder}/upright.tif")
    wave = [(7 * np.sin(k / 3), 7 * np.sin(k / 3 + 0.1)) for k in range(30)]
    turned = replace(source, placement=Affine.rotation(179.6, (noise.width / 2, noise.height / 2)))
    bent = Bend(noise.width, noise.height, tuple(wave))
    image = turned.pixels(bent).crop(190, 215, width, height)
    image.write_to_file(f"{folder}/turned.tif")


def average_large(folder: str) -> None:
    """Read from their files as the pipeline reads scans, and say time and memory."""

    def scan(name: str) -> Picture:
        def opened() -> pyvips.Image:
            return pyvips.Image.new_from_file(f"{folder}/{name}.tif", access="sequential")

        return Picture.from_source(opened, opened().width, opened().height, srgb(), 600)

    pictures = scan("upright"), scan("turned")
    begin = time.perf_counter()
    found = register(*pictures)
    middle = time.perf_counter()
    mean = average(*pictures, found)
    end = time.perf_counter()
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{mean.width:.0f} x {mean.height:.0f} pixels: register {middle - begin:.1f} s, average {end - middle:.1f} s")
    print(f"{peak:.0f} MB at most; residual {found.residual:.3f}, {found.largest:.3f} px, drift {found.drift:.2f} px")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--large", action="store_true")
    if parser.parse_args().large:
        return large()
    print(f"{'':<16}{'off px':>8}{'p95':>8}{'residual':>10}{'p95':>8}{'drift':>7}{'SFR -%':>8}{'worst':>7}"
          f"{'grain dB':>9}{'reg. s':>8}{'av. s':>7}")  # fmt: skip
    for name in CASES:
        print(row_of(name), flush=True)
    return None


if __name__ == "__main__":
    main()

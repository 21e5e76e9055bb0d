"""Quality and cost of the one resampling, side by side with what general libraries do, as Markdown tables.

    python bench/quality.py

The test pictures are sums of cosines, so the exact answer is known at every position. Takes about a minute.
"""

import math
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pyvips
from numpy.typing import NDArray
from PIL import Image

from platemark.pixels.affine import Affine
from platemark.pixels.render import render

Floats = NDArray[np.float64]
Pattern = Callable[[Floats, Floats], Floats]  # x, y in source pixels -> 0 to 65535
Renderer = Callable[[NDArray[np.uint16], Affine, float], Floats]

OUT = 512  # output pixels a side
REDUCTIONS = (0.3, 0.45, 0.6, 0.647, 0.8, 1.0)
ENLARGEMENTS = (1.25, 1.5, 2.0, 2.5)
ANGLES = (0, 0.3, 1.37, 5, 10)
GRATINGS = (0.75, 0.8, 0.9, 1.0, 1.1, 1.25, 1.5)  # cycles per output pixel
A4_SCALE = 2650 / 4700  # 600 ppi to a little over 338 ppi, a border cut off


def cosines(scale: float, limit: float = 0.35, count: int = 40) -> Pattern:
    """Sum cosines spread over the frequencies below `limit` cycles per pixel of source or output, the coarser."""
    random = np.random.default_rng(7)
    radius = limit * np.sqrt(random.random(count)) * min(scale, 1.0)
    direction, phase = random.random(count) * 2 * math.pi, random.random(count) * 2 * math.pi
    u, v = radius * np.cos(direction), radius * np.sin(direction)

    def pattern(x: Floats, y: Floats) -> Floats:
        total = np.zeros(np.broadcast(x, y).shape)
        for wave in range(count):
            total += np.cos(2 * math.pi * (u[wave] * x + v[wave] * y) + phase[wave])
        # The sum of 40 passes 22 about once in a million pixels.
        return 32767.5 + total * (32767.5 / 22)

    return pattern


def grating(u: float, v: float) -> Pattern:
    """Return one cosine of u, v cycles per source pixel, from 10 % to 90 %."""
    return lambda x, y: 32767.5 + 26214 * np.cos(2 * math.pi * (u * x + v * y) + 0.4)


def sampled(pattern: Pattern, size: int) -> NDArray[np.uint16]:
    """Scan a pattern: a square of pixels, by the values at their centres."""
    at = np.arange(size) + 0.5
    return np.rint(np.clip(pattern(at[None, :], at[:, None]), 0, 65535)).astype(np.uint16)


def exact(pattern: Pattern, placement: Affine) -> Floats:
    """Return what the output should be."""
    back, at = placement.inverse(), np.arange(OUT) + 0.5
    x, y = at[None, :], at[:, None]
    return pattern(back.a * x + back.b * y + back.tx, back.c * x + back.d * y + back.ty)


def placed(size: int, angle: float) -> Affine:
    """Turn a square source about its middle and bring it to the size of the output."""
    return Affine.rotation(angle, about=(size / 2, size / 2)).then(Affine.scaling(OUT / size))


def middle(image: Floats) -> Floats:
    """Cut off what a turn of up to 10 degrees brings in from outside the source."""
    return image[80:-80, 80:-80]


def ours(source: NDArray[np.uint16], placement: Affine, angle: float) -> Floats:  # noqa: ARG001
    image = pyvips.Image.new_from_memory(source.data, source.shape[1], source.shape[0], 1, "ushort")
    return render(image, placement, OUT, OUT, (0,)).numpy().astype(float)


def pillow(source: NDArray[np.uint16], placement: Affine, angle: float) -> Floats:  # noqa: ARG001
    # In float, so that the comparison is of the kernels and not of 8 bits.
    image = Image.fromarray(source.astype(np.float32))
    image = image.rotate(angle, resample=Image.Resampling.BICUBIC)
    return np.asarray(image.resize((OUT, OUT), Image.Resampling.LANCZOS), dtype=float)


def libvips(source: NDArray[np.uint16], placement: Affine, angle: float) -> Floats:
    size = len(source)
    image = pyvips.Image.new_from_memory(source.data, size, size, 1, "ushort")
    # What similarity() does, with the middle held fast; an enlargement needs no second step.
    enlarged = size < OUT
    turn = placement if enlarged else Affine.rotation(angle, about=(size / 2, size / 2))
    if angle or enlarged:
        index, side = between_centres(turn), OUT if enlarged else size
        image = image.affine(
            [index.a, index.b, index.c, index.d],
            oarea=[0, 0, side, side],
            odx=index.tx,
            ody=index.ty,
            interpolate=pyvips.Interpolate.new("bicubic"),
        )
    if enlarged:
        return image.numpy().astype(float)
    return image.resize(OUT / size, kernel="lanczos3").numpy().astype(float)


def between_centres(placement: Affine) -> Affine:
    """Count positions from the centre of the first pixel, as these libraries do."""
    half = Affine.translation(0.5, 0.5)
    return half.then(placement).then(half.inverse())


def opencv(flag: int) -> Renderer:
    def warp(source: NDArray[np.uint16], placement: Affine, angle: float) -> Floats:  # noqa: ARG001
        index = between_centres(placement)
        matrix = np.array([[index.a, index.b, index.tx], [index.c, index.d, index.ty]])
        return cv2.warpAffine(source, matrix, (OUT, OUT), flags=flag).astype(float)

    return warp


PEERS: dict[str, Renderer] = {
    "ours": ours,
    "Pillow bicubic, Lanczos": pillow,
    "libvips bicubic, Lanczos-3": libvips,
    "OpenCV Lanczos-4": opencv(cv2.INTER_LANCZOS4),
    "OpenCV cubic": opencv(cv2.INTER_CUBIC),
}


def psnr(result: Floats, wanted: Floats) -> float:
    """Return the peak signal-to-noise ratio in dB, peak 65535."""
    error = middle(result) - middle(wanted)
    return 10 * math.log10(65535**2 / np.mean(error**2))


def table(head: list[str], rows: list[list[str]]) -> None:
    """Print a Markdown table."""
    for row in [head, ["---"] * len(head), *rows]:
        print("| " + " | ".join(row) + " |")
    print()


def fidelity() -> None:
    """Print the PSNR of the band-limited pattern, for each scale the least over the angles, and ours at each angle."""
    rows, ours_rows = [], []
    for scale in (*REDUCTIONS, *ENLARGEMENTS):
        size = round(OUT / scale)
        pattern = cosines(OUT / size)
        source = sampled(pattern, size)
        places = {angle: placed(size, angle) for angle in ANGLES}
        answers = {angle: exact(pattern, place) for angle, place in places.items()}
        found = {
            name: [psnr(peer(source, place, angle), answers[angle]) for angle, place in places.items()]
            for name, peer in PEERS.items()
        }
        still = f"{found['libvips bicubic, Lanczos-3'][0]:.1f}" if scale < 1 else ""
        rows.append([f"{scale:g}", *(f"{min(values):.1f}" for values in found.values()), still])
        ours_rows.append([f"{scale:g}", *(f"{value:.1f}" for value in found["ours"])])
    print("PSNR, dB, the least of all angles:\n")
    table(["scale", *PEERS, "Lanczos-3, not turned"], rows)
    print("Ours at each angle:\n")
    table(["scale", *(f"{angle:g} deg" for angle in ANGLES)], ours_rows)


def left_over(result: Floats) -> float:
    """Return what is left of a grating: amplitude in percent of the input's."""
    return 100 * middle(result).std() * math.sqrt(2) / 26214


def gratings() -> None:
    """Print what is left of gratings too fine for the output: the worst of four directions; ours, of all angles."""
    rows = []
    for scale in (0.3, 0.45, 0.6, 0.647):
        size = round(OUT / scale)
        for cycles in GRATINGS:
            if cycles * scale > 0.5:  # the source could not hold it either
                continue
            worst: dict[str, float] = {"ours": 0.0, "Lanczos-3": 0.0}
            for direction in (0, 0.4, math.pi / 4, math.pi / 2):
                u, v = (cycles * OUT / size * f(direction) for f in (math.cos, math.sin))
                source = sampled(grating(u, v), size)
                worst["Lanczos-3"] = max(worst["Lanczos-3"], left_over(libvips(source, placed(size, 0), 0)))
                for angle in (0, 1.37, 10):
                    worst["ours"] = max(worst["ours"], left_over(ours(source, placed(size, angle), angle)))
            rows.append([f"{scale:g}", f"{cycles:g}", *(f"{value:.2f}" for value in worst.values())])
    print("Left over of a grating, % of its amplitude (Lanczos-3: libvips, not turned):\n")
    table(["scale", "cycles per output pixel", "ours", "Lanczos-3"], rows)


def misplaced(renderer: Renderer, size: int, angle: float) -> float:
    """Measure how far off a slow wave lies, in output pixels, the worse of across and down."""
    worst = 0.0
    for u, v in ((0.02, 0.0), (0.0, 0.02)):
        pattern, place = grating(u * OUT / size, v * OUT / size), placed(size, angle)
        quarter = 0.25 / (0.02 * OUT / size)  # source pixels
        shifted = Affine.translation(-quarter if u else 0, -quarter if v else 0)
        wave, side = exact(pattern, place), exact(pattern, shifted.then(place))
        result = renderer(sampled(pattern, size), place, angle)
        basis = np.stack([middle(image).ravel() - 32767.5 for image in (wave, side)], axis=1)
        inphase, beside = np.linalg.lstsq(basis, middle(result).ravel() - 32767.5, rcond=None)[0]
        worst = max(worst, abs(math.atan2(beside, inphase)) / (2 * math.pi * 0.02))
    return worst


def positions() -> None:
    """Print the position error."""
    rows = []
    for scale in (0.3, 0.45, 0.647, 1.0, 2.5):
        size = round(OUT / scale)
        errors = [max(misplaced(peer, size, angle) for angle in (0, 1.37, 10)) for peer in PEERS.values()]
        rows.append([f"{scale:g}", *(f"{error:.4f}" for error in errors)])
    print("Position error, output pixels, the worst of 0, 1.37 and 10 degrees:\n")
    table(["scale", *PEERS], rows)


def write_scans(folder: Path) -> None:
    """Write an A4 scan at 600 ppi, rings and noise, with 8 bits and widened to 16."""
    position = pyvips.Image.xyz(4961, 7016).linear([1, 1], [-2480.5, -3508])
    ring = (position[0] * position[0] + position[1] * position[1]).linear(0.0002, 0).math("sin")
    noise = [pyvips.Image.gaussnoise(4961, 7016, sigma=3, mean=0, seed=seed) for seed in (1, 2, 3)]
    eight = (noise[0].bandjoin(noise[1:]) + ring.linear(60, 150)).cast("uchar").copy(interpretation="srgb")
    eight.tiffsave(str(folder / "8.tif"))
    narrow = pyvips.Image.new_from_file(str(folder / "8.tif"), access="sequential")
    (narrow * 257).cast("ushort").copy(interpretation="rgb16").tiffsave(str(folder / "16.tif"))


def run_a4(who: str, path: str, angle: float) -> None:
    """Do the A4 case once in this process, and print seconds, processor seconds and peak megabytes."""
    image = pyvips.Image.new_from_file(path, access="sequential")
    width, height = 2650, 3860
    started, worked = time.perf_counter(), time.process_time()
    if who == "ours":
        image = image if image.format == "ushort" else (image * 257).cast("ushort")
        cut = Affine.translation(-(4961 - width / A4_SCALE) / 2, -(7016 - height / A4_SCALE) / 2)
        placement = Affine.rotation(angle, about=(4961 / 2, 7016 / 2)).then(cut).then(Affine.scaling(A4_SCALE))
        render(image, placement, width, height, (65535,) * 3)
    else:
        image = image.similarity(angle=-angle, interpolate=pyvips.Interpolate.new("bicubic"))
        box = (round(width / A4_SCALE), round(height / A4_SCALE))
        image = image.crop((image.width - box[0]) // 2, (image.height - box[1]) // 2, *box)
        image.resize(A4_SCALE, kernel="lanczos3").copy_memory()
    seconds, cpu = time.perf_counter() - started, time.process_time() - worked
    print(seconds, cpu, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)


def measured(command: list[str]) -> list[float]:
    """Run one case in its own process, so that its peak is its own."""
    run = subprocess.run(command, check=True, capture_output=True, text=True)
    return [float(value) for value in run.stdout.split()]


def cost() -> None:
    """Print the cost of the A4 case, the better of two runs; peaks are of the whole process."""
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        write_scans(Path(folder))
        # The peer is left out at 10 degrees: streaming, it took 10 processor seconds and 600 MB there.
        for bits, angle, peers in (
            (8, 1.37, ("ours", "libvips")),
            (16, 1.37, ("ours", "libvips")),
            (16, 10, ("ours",)),
        ):
            for who in peers:
                command = [sys.executable, __file__, "a4", who, f"{folder}/{bits}.tif", str(angle)]
                seconds, cpu, peak = min(measured(command) for _ in range(2))
                rows.append([f"{bits}", f"{angle:g}", who, f"{seconds:.2f}", f"{cpu:.2f}", f"{peak:.0f}"])
    print("A4 at 600 ppi to 2650 x 3860, sequential TIFF to pixels in memory:\n")
    table(["bits", "angle", "", "seconds", "processor seconds", "peak MB"], rows)


if __name__ == "__main__":
    if sys.argv[1:2] == ["a4"]:
        run_a4(sys.argv[2], sys.argv[3], float(sys.argv[4]))
    else:
        for part in (fidelity, gratings, positions, cost):
            part()

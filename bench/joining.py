"""How well parts are joined to one picture, on sets of known truth, as a table.

    python bench/joining.py FOLDER [--into FOLDER]
    python bench/joining.py --large

FOLDER holds scans and a truth.json with "joins": parts, their matrices to a reference, and that reference. `--large`
measures time and memory with two A4 parts at 600 ppi, 16 bits, made here.

What the columns say: how far a part lies wrong at its worst corner and by how many degrees (against the truth's
matrices); how far apart the parts show the same detail (19 of 20 matches); the step of colour across the seam that is
not in the reference (means of 3 mm on either side, each 5 mm, the largest); PSNR to the reference laid on by the
truth's geometry, one gain a channel fitted, over the sheet less 3 mm; and the same of a single part, which no joining
can better by much: it is what the scanner's blur and noise leave.
"""

import argparse
import json
import math
import multiprocessing
import resource
import tempfile
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pyvips
from numpy.typing import NDArray

from platemark import Affine, Picture, colour_difference, srgb
from platemark_stages.joining import (
    Exposure,
    Registration,
    Seam,
    compose,
    find_seam,
    match_exposure,
    register_pictures,
)

Doubles = NDArray[np.float64]


def picture_of(path: Path, ppi: float) -> Picture:
    image = pyvips.Image.new_from_file(str(path))[0:3]
    wide = image if image.format == "ushort" else (image * 257).cast("ushort")
    return Picture.of(wide.copy(interpretation="rgb16").copy_memory(), srgb(), ppi)


def matrix(rows: Sequence[Sequence[float]]) -> Affine:
    (a, b, tx), (c, d, ty) = rows
    return Affine(a, b, tx, c, d, ty)


def displaced(entry: dict[str, Any], found: Registration) -> tuple[float, float]:
    """Pixels and degrees that the worst part lies wrong, against the first."""
    to_reference = found.parts[0].affine.inverse().then(matrix(entry["parts"][0]["to_reference"]))
    far, turn = 0.0, 0.0
    for part, true in zip(found.parts[1:], entry["parts"][1:], strict=True):
        width, height = true["size_px"]
        corners = [(x, y) for x in (0, width) for y in (0, height)]
        got, wanted = part.affine.then(to_reference), matrix(true["to_reference"])
        far = max(far, float(np.hypot(*(got.apply(corners) - wanted.apply(corners)).T).max()))
        angle = math.atan2(got.c, got.a) - math.atan2(wanted.c, wanted.a)
        turn = max(turn, abs(math.degrees(angle)))
    return far, turn


def on_reference(joined: Picture, to_reference: Affine, reference: Picture) -> Doubles:
    width, height = reference.size
    return replace(joined, placement=to_reference, width=width, height=height).array().astype(float) / 65535


def equalised(got: Doubles, wanted: Doubles) -> Doubles:
    """One gain a channel, in linear light."""
    light, target = got**2.2, wanted**2.2
    return (light * ((light * target).sum(axis=(0, 1)) / (light**2).sum(axis=(0, 1)))) ** (1 / 2.2)


def psnr(got: Doubles, wanted: Doubles) -> float:
    return float(-10 * np.log10(((got - wanted) ** 2).mean()))


def steps(entry: dict[str, Any], seam: Seam, to_reference: Affine, got: Doubles, wanted: Doubles) -> Doubles:
    """CIEDE2000 of the steps across upright seams that the reference does not have, one each 5 mm."""
    unit = entry["dpi"] / 25.4
    labs = [Picture.of(_image(p), srgb(), entry["dpi"]).lab().astype(float) for p in (got, wanted)]
    found = []
    for path in (path for row in seam.upright for path in row):
        points = to_reference.apply([(x * seam.cell, (y + 0.5) * seam.cell) for y, x in enumerate(path)])
        for x, y in points[:: max(1, round(5 * unit / seam.cell))]:
            patches = [_beside(lab, x, y, unit) for lab in labs]
            if all(len(patch) for patch in patches):
                (left, right), (true_left, true_right) = patches
                shift = (left - true_left) - (right - true_right)
                pair = [(true_right + s).astype(np.float32)[None, None] for s in (shift, 0 * shift)]
                found.append(float(colour_difference(*pair)[0, 0]))
    return np.array(found)


def _beside(lab: Doubles, x: float, y: float, unit: float) -> list[Doubles]:
    """Means of 3 x 5 mm to the left and to the right of a point, half a millimetre off it."""
    near, far, half = round(0.5 * unit), round(3.5 * unit), round(2.5 * unit)
    column, row = round(x), round(y)
    if row - half < 3 * unit or row + half > lab.shape[0] - 3 * unit or column < far or column + far > lab.shape[1]:
        return []
    rows = slice(row - half, row + half)
    return [lab[rows, column - far : column - near].mean((0, 1)), lab[rows, column + near : column + far].mean((0, 1))]


def _image(values: Doubles) -> pyvips.Image:
    whole = np.rint(np.clip(values, 0, 1) * 65535).astype(np.uint16)
    image = pyvips.Image.new_from_memory(whole.tobytes(), whole.shape[1], whole.shape[0], 3, "ushort")
    return image.copy(interpretation="rgb16")


def single(entry: dict[str, Any], part: Picture, reference: Picture, wanted: Doubles) -> float:
    """PSNR of the first part alone where it shows the sheet."""
    to_reference = matrix(entry["parts"][0]["to_reference"])
    got = on_reference(part, to_reference, reference)
    columns = int(to_reference.apply([(part.width - 20, 0), (part.width - 20, part.height)])[:, 0].min())
    rim = round(3 * entry["dpi"] / 25.4)
    got, wanted = (values[rim:-rim, rim:columns] for values in (got, wanted))
    return psnr(equalised(got, wanted), wanted)


def row_of(entry: dict[str, Any], folder: Path, into: Path | None) -> str:
    """Join one set and measure it."""
    parts = [picture_of(folder / name, entry["dpi"]) for name in entry["files"]]
    reference = picture_of(folder / entry["reference"], entry["dpi"])
    begin = time.perf_counter()
    found, _, seam, image = joined(parts)
    seconds = time.perf_counter() - begin
    if into:
        image.write_to_file(str(into / f"{entry['set']}.tif"))
    far, turn = displaced(entry, found)
    to_reference = found.parts[0].affine.inverse().then(matrix(entry["parts"][0]["to_reference"]))
    wanted = reference.array().astype(float) / 65535
    got = on_reference(parts[0].with_pixels(image), to_reference, reference)
    rim = round(3 * entry["dpi"] / 25.4)
    inner = (slice(rim, -rim), slice(rim, -rim))
    got = equalised(got, wanted)
    step = steps(entry, seam, to_reference, got, wanted)
    apart = max(overlap.largest for overlap in found.overlaps) / 25.4 * entry["dpi"]
    return (
        f"{entry['set']:<18}{far:8.3f}{turn:9.5f}{apart:9.3f}{np.percentile(step, 95):8.2f}{step.max():7.2f}"
        f"{psnr(got[inner], wanted[inner]):8.1f}{single(entry, parts[0], reference, wanted):8.1f}{seconds:8.1f}"
    )


def joined(parts: Sequence[Picture]) -> tuple[Registration, Exposure, Seam, pyvips.Image]:
    found = register_pictures(parts)
    if found.held:
        raise SystemExit(f"held: {found.held}")
    exposure = match_exposure(parts, found)
    seam = find_seam(parts, found, exposure)
    return found, exposure, seam, compose(parts, found, exposure, seam)


def large() -> None:
    """Two A4 parts at 600 ppi in 16 bits, joined in a process of its own, so that its memory is that of joining."""
    with tempfile.TemporaryDirectory() as folder:
        for task in (make_large, join_large):
            process = multiprocessing.get_context("spawn").Process(target=task, args=(folder,))
            process.start()
            process.join()


def make_large(folder: str) -> None:
    """Parts with 30 mm in common, turned against each other by half a degree."""
    width, height = 4960, 7016
    shared = round(30 / 25.4 * 600)
    noise = pyvips.Image.gaussnoise(2 * width - shared + 400, height + 400, sigma=4000, mean=0, seed=3)
    blots = pyvips.Image.gaussnoise(noise.width // 40, noise.height // 40, sigma=9000, mean=36000, seed=5)
    art = (noise.gaussblur(2) * 6 + blots.resize(41).crop(0, 0, noise.width, noise.height)).cast("ushort")
    art = art.bandjoin([art.rot180(), art.fliphor()]).copy(interpretation="rgb16").copy_memory()
    source = Picture.of(art, srgb(), 600)
    for number, (turn, left) in enumerate(((0.2, 200), (-0.3, 200 + width - shared))):
        part = source.rotated(turn).cropped(left, 200, width, height).pixels()
        part = part.copy(xres=600 / 25.4, yres=600 / 25.4)
        part.write_to_file(f"{folder}/{number}.tif")


def join_large(folder: str) -> None:
    """Join the large parts, read from their files as the pipeline reads scans, and say time and memory."""

    def part(number: int) -> Picture:
        def opened() -> pyvips.Image:
            return pyvips.Image.new_from_file(f"{folder}/{number}.tif", access="sequential")

        return Picture.from_source(opened, opened().width, opened().height, srgb(), 600)

    parts = [part(number) for number in range(2)]
    clock = [time.perf_counter()]
    found = register_pictures(parts)
    clock.append(time.perf_counter())
    exposure = match_exposure(parts, found)
    clock.append(time.perf_counter())
    seam = find_seam(parts, found, exposure)
    clock.append(time.perf_counter())
    image = compose(parts, found, exposure, seam)
    clock.append(time.perf_counter())
    for name, seconds in zip(("register", "exposure", "seam", "compose"), np.diff(clock), strict=True):
        print(f"{name:<10}{seconds:6.1f} s")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{image.width} x {image.height} pixels, {peak:.0f} MB at most")
    print(*found.overlaps, sep="\n")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path, nargs="?")
    parser.add_argument("--into", type=Path)
    parser.add_argument("--large", action="store_true")
    asked = parser.parse_args()
    if asked.large:
        return large()
    print(f"{'set':<18}{'far px':>8}{'deg':>9}{'apart px':>9}{'dE p95':>8}{'max':>7}{'PSNR':>8}{'single':>8}{'s':>8}")
    for entry in json.loads((asked.folder / "truth.json").read_text())["joins"]:
        print(row_of(entry, asked.folder, asked.into), flush=True)
    return None


if __name__ == "__main__":
    main()

"""How well parts are joined to one picture, on sets of known truth, as a table.

    python bench/joining.py FOLDER [--into FOLDER]
    python bench/joining.py --large

FOLDER holds scans and a truth.json with "joins": parts, their matrices to a reference, and that reference. `--large`
measures time and memory with two A4 parts at 600 ppi, 16 bits, made here.

FOLDER may come from `parts.py`. What the columns say: how far apart the parts lie anywhere in an overlap, by the
truth's matrices, and at the far corner of a part; how far apart single matches that are known to a tenth of a pixel
lie (19 of 20, and the worst: that is their own noise too; `nan` where none is known so well); the step of colour across
the seams that is not in the reference, as `seams.py` says, and the largest at the same places of parts that were not
joined; PSNR to the reference laid on by the truth's geometry, one gain a channel fitted, over the sheet less 3 mm; and
the least of a single part, which no joining can better by much: it is what the scanner's blur and noise leave.
"""

import argparse
import json
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
from seams import spots, steps

from platemark import Affine, Held, Picture, srgb
from platemark_stages.joining import (
    Exposure,
    Registration,
    Seam,
    compose,
    find_seam,
    match_exposure,
    register_pictures,
)
from platemark_stages.registration.linking import usable_boxes
from platemark_stages.registration.matching import match
from platemark_stages.registration.planes import pyramid

Doubles = NDArray[np.float64]


def picture_of(path: Path, ppi: float) -> Picture:
    image = pyvips.Image.new_from_file(str(path))[0:3]
    wide = image if image.format == "ushort" else (image * 257).cast("ushort")
    return Picture.of(wide.copy(interpretation="rgb16").copy_memory(), srgb(), ppi)


def matrix(rows: Sequence[Sequence[float]]) -> Affine:
    (a, b, tx), (c, d, ty) = rows
    return Affine(a, b, tx, c, d, ty)


def displaced(entry: dict[str, Any], found: Registration) -> tuple[float, float]:
    """How far apart two parts lie at the worst place of their overlap, and at the worst corner, in pixels."""
    true = [matrix(part["to_reference"]) for part in entry["parts"]]
    got = [part.affine for part in found.parts]
    here, far = 0.0, 0.0
    for overlap in found.overlaps:
        i, j = overlap.first, overlap.second
        (left, top, right, bottom), other = found.parts[i].usable, found.parts[j].usable
        y, x = np.mgrid[top:bottom:50j, left:right:50j]
        first = np.stack([x.ravel(), y.ravel()], axis=1)
        second = got[i].then(got[j].inverse()).apply(first)
        apart = np.hypot(*(true[i].apply(first) - true[j].apply(second)).T)
        here = max(here, float(apart[((second >= other[:2]) & (second <= other[2:])).all(axis=1)].max(initial=0)))
    to_reference = got[0].inverse().then(true[0])
    for part, wanted in zip(found.parts, true, strict=True):
        corners = [(x, y) for x in (0, part.size[0]) for y in (0, part.size[1])]
        apart = np.hypot(*(part.affine.then(to_reference).apply(corners) - wanted.apply(corners)).T)
        far = max(far, float(apart.max()))
    return here, far


def farthest(parts: Sequence[Picture], found: Registration) -> float:
    """How far apart the worst match lies that is known to a tenth of a pixel, in pixels."""
    finest = pyramid([part.array() for part in parts], parts[0].source_ppi)[-1]
    boxes = usable_boxes(finest, [part.usable for part in found.parts])
    worst = float("nan")
    for overlap in found.overlaps:
        first, second = (found.parts[number].affine for number in (overlap.first, overlap.second))
        planes = [finest.planes[number] for number in (overlap.first, overlap.second)]
        usable = boxes[overlap.first], boxes[overlap.second]
        matches = match(planes[0], planes[1], second.then(first.inverse()), usable, finest.ppi)
        apart = np.hypot(*(first.apply(matches.first) - second.apply(matches.second)).T)
        if matches.sharp.any():
            worst = float(np.fmax(worst, apart[matches.sharp].max()))
    return worst


def on_reference(joined: Picture, to_reference: Affine, size: tuple[int, int]) -> Doubles:
    width, height = size
    return replace(joined, placement=to_reference, width=width, height=height).array().astype(float) / 65535


def equalised(got: Doubles, wanted: Doubles, box: tuple[slice, slice]) -> Doubles:
    """One gain a channel, in linear light, fitted within a box."""
    light, target = got**2.2, wanted[box] ** 2.2
    gain = (light[box] * target).sum(axis=(0, 1)) / (light[box] ** 2).sum(axis=(0, 1))
    return (light * gain) ** (1 / 2.2)


def psnr(got: Doubles, wanted: Doubles) -> float:
    return float(-10 * np.log10(((got - wanted) ** 2).mean()))


def alone(entry: dict[str, Any], part: Picture, number: int, wanted: Doubles) -> tuple[Doubles, tuple[slice, slice]]:
    """A part that was not joined, as light as the reference, and the box of the reference that it shows."""
    to_reference = matrix(entry["parts"][number]["to_reference"])
    got = on_reference(part, to_reference, (wanted.shape[1], wanted.shape[0]))
    inset, rim = 20, round(3 * entry["dpi"] / 25.4)
    corners = [(x, y) for x in (inset, part.width - inset) for y in (inset, part.height - inset)]
    x, y = (np.sort(values) for values in to_reference.apply(corners).T)
    left, right = max(rim, int(x[1]) + 1), min(wanted.shape[1] - rim, int(x[2]))
    top, bottom = max(rim, int(y[1]) + 1), min(wanted.shape[0] - rim, int(y[2]))
    box = slice(top, bottom), slice(left, right)
    return equalised(got, wanted, box), box


def row_of(entry: dict[str, Any], folder: Path, into: Path | None) -> str:
    """Join one set and measure it."""
    parts = [picture_of(folder / name, entry["dpi"]) for name in entry["files"]]
    reference = picture_of(folder / entry["reference"], entry["dpi"])
    begin = time.perf_counter()
    found, _, seam, image = joined(parts)
    seconds = time.perf_counter() - begin
    if into:
        image.write_to_file(str(into / f"{entry['set']}.tif"))
    to_reference = found.parts[0].affine.inverse().then(matrix(entry["parts"][0]["to_reference"]))
    wanted = reference.array().astype(float) / 65535
    unit = entry["dpi"] / 25.4
    rim = round(3 * unit)
    inner = slice(rim, -rim), slice(rim, -rim)
    got = equalised(on_reference(parts[0].with_pixels(image), to_reference, reference.size), wanted, inner)
    places = spots(seam, to_reference, reference.size, unit)
    step = steps(places, got, wanted, unit)
    unjoined, single = 0.0, []
    for number, part in enumerate(parts):
        shown, box = alone(entry, part, number, wanted)
        single.append(psnr(shown[box], wanted[box]))
        own = [spot for spot in places if all(_within(spot[1 - axis], box[axis], 4 * unit) for axis in (0, 1))]
        unjoined = max(unjoined, float(steps(own, shown, wanted, unit).max()) if own else 0.0)
    here, far = displaced(entry, found)
    apart = max(overlap.largest for overlap in found.overlaps) * unit
    matched = f"{here:8.3f}{far:8.3f}{apart:8.2f}{farthest(parts, found):8.2f}"
    stepped = f"{np.percentile(step, 95):8.2f}{step.max():8.2f}{unjoined:8.2f}"
    likeness = f"{psnr(got[inner], wanted[inner]):8.1f}{min(single):8.1f}"
    return f"{entry['set']:<16}{matched}{stepped}{likeness}{seconds:8.1f}"


def _within(place: float, span: slice, margin: float) -> bool:
    return bool(span.start + margin < place < span.stop - margin)


def joined(parts: Sequence[Picture]) -> tuple[Registration, Exposure, Seam, pyvips.Image]:
    found = register_pictures(parts)
    if found.held:
        raise Held(found.held, remedy=found.remedy)
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
    names = ("overlap", "corner", "19/20", "worst", "dE p95", "max", "alone", "PSNR", "one", "s")
    print(f"{'set':<16}" + "".join(f"{name:>8}" for name in names))
    for entry in json.loads((asked.folder / "truth.json").read_text())["joins"]:
        try:
            print(row_of(entry, asked.folder, asked.into), flush=True)
        except Held as held:
            print(f"{entry['set']:<16} held: {held}", flush=True)
    return None


if __name__ == "__main__":
    main()

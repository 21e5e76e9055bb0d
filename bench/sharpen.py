"""What sharpening for print does to edges, colours and grain, and what it costs.

    python bench/sharpen.py            # edges, colours, grain
    python bench/sharpen.py --time     # an A4 print at 360 ppi beside libvips' own operator

Edges are formulas (tests/stages/slanted.py), tilted by 5 degrees and blurred by a Gaussian; their response is measured
as ISO 12233 does. Grain is blurred noise.
"""

import argparse
import statistics
import sys
import time
from itertools import combinations
from pathlib import Path

import numpy as np
import pyvips

from platemark import Paper, Picture, colour_difference, srgb
from platemark.testing import job_for, measure_and_apply
from platemark_stages.sharpen import Sharpen

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "stages"))
from slanted import blurred_response, edge, halo, response
from test_sharpen import PALETTE, grained, grey_picture

PPI = 360
CONTRASTS = {"12 %": (28000, 36000), "49 %": (16000, 48000), "90 %": (3000, 62000)}
LUMA = np.array([54, 183, 19]) / 256


def made(picture, surface="matte", distance="30 cm"):
    return measure_and_apply(Sharpen, picture, job_for(paper=Paper("p", surface=surface)), distance=distance)


def edges() -> None:
    """Each surface and distance, an edge as sharp as scans come."""
    print(
        "| paper | seen from | contrast | halo, mm | overshoot, % of the edge | response at 2 / 4 / 6 cycles per mm |"
    )
    print("|---|---|---|---|---|---|")
    for surface, distance in [("gloss", "30 cm"), ("matte", "30 cm"), ("textured", "30 cm"), ("matte", "60 cm")]:
        for name, (dark, light) in CONTRASTS.items():
            picture = edge([dark] * 3, [light] * 3, 0.6)
            _, after = made(picture, surface, distance)
            before, now = (each.array()[:, :, 1] for each in (picture, after))
            width, below, above = halo(before.astype(float), now.astype(float))
            responses = [response(each) for each in (before, now)]
            at = [[float(np.interp(f * 25.4 / PPI, *each)) for f in (2, 4, 6)] for each in responses]
            told = " / ".join(f"{old:.2f} → {new:.2f}" for old, new in zip(*at, strict=True))
            over = 100 * max(below, above) / (light - dark)
            print(f"| {surface} | {distance} | {name} | {width / PPI * 25.4:.2f} | {over:.0f} | {told} |")
    frequency, found = response(edge([16000] * 3, [48000] * 3, 0.6).array()[:, :, 1])
    print(f"\nThe ruler is off the formula by {np.abs(found - blurred_response(frequency, 0.6)).max():.4f} at most.\n")


def colours() -> None:
    """Hue and chroma at edges of painters' colours: the same added to each channel, and each times the same."""
    moved = {"added, as here": [], "each channel times the same": []}
    for one, other in combinations(PALETTE.values(), 2):
        picture = edge(np.array(one) * 257, np.array(other) * 257, 0.6, size=(8, 48))
        _, after = made(picture)
        light, wanted = (each.array() @ LUMA for each in (picture, after))
        times = picture.array() * (wanted / np.maximum(light, 1))[:, :, None]
        ways = after, picture.with_array(np.clip(np.rint(times), 0, 65535).astype(np.uint16))
        for name, way in zip(moved, ways, strict=True):
            before, found = picture.lab(), way.lab()
            found[:, :, 0] = before[:, :, 0]
            moved[name].append(float(colour_difference(before, found).max()))
    print("| hue and chroma at the worst place of an edge, CIEDE2000 | mean of 55 edges | 90th percentile | worst |")
    print("|---|---|---|---|")
    for name, found in moved.items():
        print(f"| {name} | {np.mean(found):.2f} | {np.percentile(found, 90):.2f} | {max(found):.2f} |")
    print()


def grain() -> None:
    """How much grain grows, and what it would without the mask."""
    print("| grain, % of the range | grows by, % | without the mask, % |")
    print("|---|---|---|")
    for percent in (0.2, 0.5, 0.7, 1.0, 1.5):
        before = grey_picture(grained(percent * 655.35))
        parameters, after = made(before)
        bare = Sharpen().apply(before, parameters.model_copy(update={"mask": 1}))
        rough = [each.array()[:, :, 1].std() for each in (before, after, bare)]
        print(f"| {percent} | {100 * (rough[1] / rough[0] - 1):.1f} | {100 * (rough[2] / rough[0] - 1):.0f} |")


def costs() -> None:
    """Processor time for 2650 x 3860 pixels in memory, both read to memory."""
    noise = pyvips.Image.gaussnoise(2650, 3860, sigma=3000, mean=30000, seed=1).gaussblur(3) * 4 - 90000
    image = noise.bandjoin([noise * 0.9, noise * 0.7]).cast("ushort").copy(interpretation="rgb16").copy_memory()
    picture, job = Picture.of(image, srgb(), PPI), job_for(paper=Paper("p"))
    stage, settings = Sharpen(), Sharpen.settings_model()
    ways = {
        "measure": lambda: stage.measure(picture, settings, job),
        "apply": lambda: stage.apply(picture, stage.measure(picture, settings, job)).pixels(),
        "libvips sharpen": lambda: image.sharpen(sigma=1.8).write_to_memory(),
    }
    taken = {name: [] for name in ways}
    for _ in range(5):
        for name, way in ways.items():
            begin = time.process_time()
            way()
            taken[name].append(time.process_time() - begin)
    for name, found in taken.items():
        print(f"{name}: {statistics.median(found):.2f} s of processor time" + (" with measure" * (name == "apply")))


def main() -> None:
    """Print the tables, or the times."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--time", action="store_true", help="measure the time instead")
    if parser.parse_args().time:
        costs()
        return
    edges()
    colours()
    grain()


if __name__ == "__main__":
    main()

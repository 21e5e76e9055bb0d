"""What the proof of an A4 print at 360 ppi costs: figures, words and pictures.

    python bench/proof.py --profile PRINTER.icc

Processor time with one thread of libvips, the picture lying in memory as the resampling left it. "As before" is the
proof's own part without the sheet of losses: figures, and the two proof pictures.
"""

import argparse
import statistics
import time
from pathlib import Path

import pyvips

from platemark import Paper, Picture, Profile, srgb
from platemark.pixels.profiles import load_profile
from platemark.testing import job_for
from platemark_stages.proof import Proof

WIDTH, HEIGHT, PPI = 2650, 3860, 360
RUNS = 5


def picture() -> Picture:
    """Coloured clouds, so that all parts of the printer's gamut are met and hundreds of shades leave it."""
    bands = [
        pyvips.Image.gaussnoise(WIDTH // 20, HEIGHT // 20, sigma=16000, mean=30000, seed=seed)
        .gaussblur(2)
        .resize(20)
        .linear(3, -60000)
        for seed in (1, 2, 3)
    ]
    image = bands[0].bandjoin(bands[1:]).cast("ushort").copy(interpretation="rgb16").copy_memory()
    return Picture.of(image, srgb(), PPI)


def cost(made: Picture, profile: Profile, part: str, **settings: bool) -> float:
    """Median processor time of one part of the stage."""
    stage, told = Proof(), Proof.settings_model.model_validate(settings)
    taken = []
    for _ in range(RUNS):
        # The overview is what looking for sheets has made already.
        fresh = Picture.of(made.open(), made.profile, made.ppi)
        fresh.overview()
        job = job_for(paper=Paper("p", profile=profile))
        begin = time.process_time()
        parameters = stage.measure(fresh, told, job)
        between = time.process_time()
        stage.companions(fresh, fresh, parameters)
        taken.append(between - begin if part == "measure" else time.process_time() - between)
    return statistics.median(taken)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--profile", required=True, type=Path, help="a printer profile (class prtr)")
    profile = load_profile(parser.parse_args().profile)
    pyvips.vips_lib.vips_concurrency_set(1)
    made = picture()
    print("| what | measuring, s | pictures, s |\n| --- | --- | --- |")
    for name, settings in {
        "everything": {},
        "without the sheet of losses": {"losses": False},
        "figures alone": {"losses": False, "picture": False},
    }.items():
        figures = [cost(made, profile, part, **settings) for part in ("measure", "companions")]
        print(f"| {name} |", " | ".join(f"{seconds:.2f}" for seconds in figures), "|", flush=True)


if __name__ == "__main__":
    main()

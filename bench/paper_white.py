"""How well paper becomes white, on drawn sheets whose paper, paint and lamp are known.

    python bench/paper_white.py [FOLDER]

Each sheet is painted on paper of one tint, lit unevenly, blurred as optics do, and read with noise. With FOLDER,
pictures before and after go there.
"""

import sys
from dataclasses import dataclass
from pathlib import Path

import art
import numpy as np
import pyvips
from laying import PAPERS
from numpy.typing import NDArray

from platemark import Picture, colour_difference
from platemark.testing import job_for, picture_of
from platemark_stages.paper_white import PaperWhite, PaperWhiteSettings

Doubles = NDArray[np.float64]

SIZE = (100.0, 76.0)  # millimetres
PPI = 200.0
LAMP = 0.03  # of the value, about 7 % of the light


@dataclass
class Sheet:
    """A scan and what is true of it.

    Attributes:
        scan: as read.
        lit: the lamp's share at each place.
        colour: without lamp, blur and noise, 8-bit levels.
        bare: no paint within two pixels.
        painted: paint, and nothing but paint within two pixels.
    """

    scan: Picture
    lit: Doubles
    colour: Picture
    bare: NDArray[np.bool_]
    painted: NDArray[np.bool_]


def sheet(kind: str, paper: tuple[float, float, float], noise: float, seed: int) -> Sheet:
    """Paint a sheet and scan it."""
    across, down = (round(side * PPI / 25.4) for side in SIZE)
    y, x = (grid + 0.5 for grid in np.mgrid[0:down, 0:across])
    places = x / PPI * 25.4, y / PPI * 25.4, SIZE, paper
    painted = art.paint(kind, *places, np.random.default_rng(seed))
    art.ARTS["nothing"] = lambda _canvas, _random: None
    alone = art.paint("nothing", *places, np.random.default_rng(seed))
    paint = np.abs(painted - alone).max(axis=2) > 0.05
    lit = 1 + LAMP * (0.5 - (x / across - 0.4) ** 2 * 2 - y / down * 0.6)
    random = np.random.default_rng([7, seed])
    read = pyvips.Image.new_from_array(painted * lit[..., None]).gaussblur(0.6, precision="float").numpy()
    read = read + random.normal(0, noise, read.shape)
    return Sheet(_picture(read), lit, _picture(painted - alone + np.array(paper)), ~_near(paint), ~_near(~paint))


def _picture(levels: Doubles) -> Picture:
    return picture_of(np.rint(np.clip(levels * 257, 0, 65535)).astype(np.uint16), PPI)


def _near(flags: NDArray[np.bool_]) -> NDArray[np.bool_]:
    wide = np.pad(flags, 2)
    down = np.logical_or.reduce([wide[i : i + flags.shape[0]] for i in range(5)])
    return np.logical_or.reduce([down[:, i : i + flags.shape[1]] for i in range(5)])


def hue_and_chroma(a: NDArray[np.float32], b: NDArray[np.float32]) -> NDArray[np.float32]:
    """CIEDE2000 without its term of lightness."""
    level = [lab.copy() for lab in (a, b)]
    level[0][..., 0] = level[1][..., 0] = (a[..., 0] + b[..., 0]) / 2
    return colour_difference(*level)


def figures(made: Sheet, decision: str) -> tuple[dict[str, float], Picture]:
    """What became of it, the lamp's part in the move of the art apart."""
    stage, job = PaperWhite(), job_for()
    parameters = stage.measure(made.scan, PaperWhiteSettings.model_validate({"paper": decision}), job)
    after = stage.apply(made.scan, parameters)
    values, before = after.array(), made.scan.array()
    lab, white = after.lab(), np.full((1, 1, 3), 65535, np.uint16)
    from_white = colour_difference(lab, np.broadcast_to(picture_of(white).lab(), lab.shape))
    paper = made.colour.array()[made.bare][0] if made.bare.any() else white[0, 0]
    apart = colour_difference(made.colour.lab(), np.broadcast_to(picture_of(paper[None, None]).lab(), lab.shape))
    far, wash = made.painted & (apart > 4), made.painted & (apart > 1)
    even = _picture(before / 257.0 / made.lit[..., None])
    moved = hue_and_chroma(even.lab(), lab)[far]
    raw = hue_and_chroma(made.scan.lab(), lab)[far]
    clipped = ((values == 65535) & (before < 65535)).any(axis=2) & wash
    bare = from_white[made.bare]
    return {
        "bare": made.bare.sum(),
        "not white": (values != 65535).any(axis=2)[made.bare].sum(),
        "worst": bare.max(initial=0),
        "far": far.sum(),
        "move p99": np.percentile(moved, 99) if far.any() else 0,
        "moved > 1": (moved > 1).mean() if far.any() else 0,
        "worst move": moved.max(initial=0),
        "with lamp": raw.max(initial=0),
        "washes": wash.sum(),
        "clipped": clipped.sum(),
    }, after


def main() -> None:
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else None
    for kind in ("blank", "pencil", "ink", "wash", "margin", "border", "bleed"):
        for name in ("white", "natural", "cream"):
            made = sheet(kind, PAPERS[name], 0.8, 3)
            found, after = figures(made, "white")
            print(f"{kind:7} {name:8}", *(f"{key} {value:.4g};" for key, value in found.items()))
            if folder:
                for step, picture in (("before", made.scan), ("after", after)):
                    pyvips.Image.new_from_array(picture.eight_bits()).write_to_file(
                        f"{folder}/{kind}-{name}-{step}.png"
                    )


if __name__ == "__main__":
    main()

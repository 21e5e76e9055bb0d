"""How well paper becomes white, on drawn sheets whose paper, paint and lamp are known.

    python bench/paper_white.py [FOLDER]

Each sheet is painted on paper of one tint, lit unevenly, blurred as optics do, and read with noise. With FOLDER,
pictures before and after go there.
"""

import sys
from dataclasses import dataclass
from itertools import product
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
KINDS = ("blank", "pencil", "ink", "wash", "margin", "bleed")
NOISES = (0.3, 0.8)  # 8-bit levels, of a good scanner and of a poor one; the grain of the paper comes on top
SEED = 12
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


def figures(made: Sheet) -> tuple[dict[str, float], Picture]:
    """What became of it, in per cent where not said otherwise; the lamp's part in the move of the art left out."""
    stage = PaperWhite()
    after = stage.apply(made.scan, stage.measure(made.scan, PaperWhiteSettings(), job_for()))
    lab, values = after.lab(), after.array()
    white = np.array([[[65535] * 3]], np.uint16)
    off_white = colour_difference(lab, np.broadcast_to(picture_of(white).lab(), lab.shape))[made.bare]
    paper = picture_of(made.colour.array()[made.bare][:1, None] if made.bare.any() else white)
    apart = colour_difference(made.colour.lab(), np.broadcast_to(paper.lab(), lab.shape))
    far, wash = made.painted & (apart > 4), made.painted & (apart > 1)
    even = _picture(made.scan.array() / 257.0 / made.lit[..., None])
    moved = hue_and_chroma(even.lab(), lab)[far]
    cut = ((values == 65535) & (made.scan.array() < 65535)).any(axis=2)[wash]
    cut_in_8 = ((after.eight_bits() == 255) & (made.scan.eight_bits() < 255)).any(axis=2)[wash]
    return {
        "blanks exactly white": _percent((values == 65535).all(axis=2)[made.bare]),
        "blanks over 0.3 off white": _percent(off_white > 0.3),
        "paint that moves over 1.0": _percent(moved > 1),
        "move, 99th percentile (CIEDE2000)": float(np.percentile(moved, 99)) if moved.size else np.nan,
        "washes cut off": _percent(cut),
        "in 8 bits": _percent(cut_in_8),
    }, after


def _percent(flags: NDArray[np.bool_]) -> float:
    return 100 * float(flags.mean()) if flags.size else np.nan


def main() -> None:
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else None
    for number, (kind, name, noise) in enumerate(product(KINDS, ("white", "cream"), NOISES)):
        made = sheet(kind, PAPERS[name], noise, SEED)
        found, after = figures(made)
        if not number:
            print("| art | paper | noise |", " | ".join(found), "|\n|", "--- |" * (3 + len(found)))
        print(f"| {kind} | {name} | {noise} |", " | ".join(f"{value:.3g}" for value in found.values()), "|", flush=True)
        if folder:
            for step, picture in (("before", made.scan), ("after", after)):
                file = folder / f"{kind}-{name}-{noise}-{step}.png"
                pyvips.Image.new_from_array(picture.eight_bits()).write_to_file(str(file))


if __name__ == "__main__":
    main()

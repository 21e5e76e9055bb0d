"""Invented devices of the colour demo: a scanner that no standard colour space describes, and a printer on matte paper.

Both are made from numbers of ours; the way is that of real ones: light, what takes it up, stray light, a tone curve.
"""

from functools import cache

import numpy as np
import pyvips
from numpy.typing import NDArray

from platemark.pixels.cielab import D50, lab_of_xyz
from platemark.pixels.icc_writer import lab_grid, printer_profile

Numbers = NDArray[np.float64]

# XYZ (D50) to linear opRGB: IEC 61966-2-5 primaries carried over by the Bradford transform.
_FROM_OPRGB = np.array([[0.6097, 0.2053, 0.1492], [0.3111, 0.6257, 0.0632], [0.0195, 0.0609, 0.7446]])
# Each sensor sees a little of its neighbours' light; some light strays; white paper lies below full scale.
_CROSSTALK = np.array([[0.88, 0.10, 0.02], [0.08, 0.84, 0.08], [0.02, 0.12, 0.86]])
_TURN = [[0, 1, 0], [0, 0, 1], [1, 0, 0]]
_FLARE, _GAIN, _GAMMA = 0.006, 0.90, 1 / 2.0

# What full ink takes up of red, green and blue light, as density: every ink takes some of its neighbours' too.
_INKS = np.array([[1.65, 0.40, 0.12], [0.16, 1.60, 0.46], [0.03, 0.15, 1.50]])
# The surface of matte paper gives some light back before any ink sees it: its black is a dark grey.
_SURFACE = 0.018
_PAPER = np.array([0.905, 0.900, 0.865])
_GRID, _LAB_GRID = 17, 21


def scanned(xyz: pyvips.Image) -> pyvips.Image:
    """What the scanner makes of light (XYZ, 1 = a perfect white): 16-bit codes, with noise."""
    matrix = _CROSSTALK @ np.linalg.inv(_FROM_OPRGB)
    seen = xyz.recomb(pyvips.Image.new_from_array(matrix.tolist()))
    # No sensor sees as an eye does: what a matrix cannot mend, some hundredths where colours are strong.
    seen = seen + seen * (seen.recomb(pyvips.Image.new_from_array(_TURN)) - seen) * 0.05
    light = (seen + _FLARE) * (_GAIN / (1 + _FLARE))
    codes = (light < 0).ifthenelse(0, light) ** _GAMMA
    noise = pyvips.Image.gaussnoise(xyz.width, xyz.height, mean=0, sigma=0.0025, seed=7)
    return ((codes + noise) * 65535).rint().cast("ushort").copy(interpretation="rgb16")


def light_of(picture: pyvips.Image, profile: str = "srgb") -> pyvips.Image:
    """XYZ (1 = a perfect white) of a picture as a profile says, its white being perfect."""
    lab = picture.icc_import(input_profile=profile, embedded=False, pcs="lab", intent="relative")
    return lab.Lab2XYZ(temp=(100 * D50).tolist()) / 100


def printed(picture: pyvips.Image, profile: str) -> pyvips.Image:
    """XYZ of the print that a driver makes of an sRGB picture through the profile of the invented paper.

    The white of the paper is laid on by hand, as ICC.1 defines absolute colours: libvips measures its absolute CIELAB
    against another white.
    """
    on_paper = picture.icc_transform(profile, input_profile="srgb", intent="relative", black_point_compensation=True)
    return light_of(on_paper, profile) * _PAPER.tolist()


@cache
def paper_profile() -> bytes:
    """The profile of the invented printer on its matte paper."""
    steps = np.linspace(0, 1, _GRID)
    codes = np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1)
    wanted = lab_grid(_LAB_GRID)
    exact = _codes_for(wanted)
    darkest = _on_paper(np.zeros(3))[0]
    # All lightness is fitted between black and paper, and strong colours give way a little: gradations stay apart.
    softer = wanted * (1, 0.92, 0.92)
    softer[..., 0] = darkest + (100 - darkest) * wanted[..., 0] / 100
    return printer_profile(
        "Demo printer, matte rag (platemark)", _PAPER * D50, _on_paper(codes), _codes_for(softer), exact
    )


def _on_paper(codes: Numbers) -> Numbers:
    """CIELAB of the print, relative to the bare paper."""
    ink = (1 - np.clip(codes, 0, 1)) ** 1.4
    light = _SURFACE + (1 - _SURFACE) * 10 ** -(ink @ _INKS)
    return lab_of_xyz(light @ _FROM_OPRGB.T / D50)


def _codes_for(lab: Numbers) -> Numbers:
    """The codes whose print comes closest."""
    steps = np.linspace(0, 1, 25)
    codes = np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1).reshape(-1, 3)
    prints = _on_paper(codes)
    wanted = lab.reshape(-1, 3)
    nearest = np.concatenate([_nearest(part, prints) for part in np.array_split(wanted, 64)])
    return _refined(codes[nearest], wanted).reshape(lab.shape)


def _nearest(wanted: Numbers, prints: Numbers) -> NDArray[np.int64]:
    apart = (prints**2).sum(axis=1) - 2 * wanted @ prints.T
    nearest: NDArray[np.int64] = np.argmin(apart, axis=1)
    return nearest


def _refined(codes: Numbers, wanted: Numbers, rounds: int = 4) -> Numbers:
    """Newton's steps from there, taken where they come closer."""
    for _ in range(rounds):
        here = _on_paper(codes)
        slopes = np.stack([(_on_paper(codes + step) - _on_paper(codes - step)) / 2e-3 for step in 1e-3 * np.eye(3)], -1)
        slopes += 1e-3 * np.eye(3)
        moved = np.clip(codes + np.linalg.solve(slopes, (wanted - here)[..., None])[..., 0], 0, 1)
        closer = ((_on_paper(moved) - wanted) ** 2).sum(axis=1) < ((here - wanted) ** 2).sum(axis=1)
        codes = np.where(closer[:, None], moved, codes)
    return codes

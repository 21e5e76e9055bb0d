"""Two scans of one picture, compared. The art is a formula, taken at each scan's own positions, so what is expected
owes nothing to the resampling under test.
"""

from functools import cache

import numpy as np
import pytest
import pyvips

from platemark import Affine, Held, Picture, srgb
from platemark.flow.comparing.laying import size_mm
from platemark.flow.comparing.measuring import compare_colours
from platemark.flow.comparing.registering import Registered, register
from platemark.flow.comparing.sharpness import Kept, kept_detail
from platemark.flow.comparing.verdict import judge

WIDTH, HEIGHT = 60.0, 80.0  # of the original, millimetres


def art(x, y, seed=7):
    """Encoded sRGB, 0 to 1, at positions in millimetres of the original: masses, and strokes of half a millimetre."""
    random = np.random.default_rng(seed)
    bands = []
    for _ in range(3):
        wave, stroke = np.zeros(x.shape), np.zeros(x.shape)
        for k in range(16):
            angle, phase = random.uniform(0, np.pi, 2) * (1, 2)
            length = random.uniform(6, 25) if k < 8 else random.uniform(0.5, 1.1)
            term = np.sin((np.cos(angle) * x + np.sin(angle) * y) * 2 * np.pi / length + phase)
            wave, stroke = (wave + term, stroke) if k < 8 else (wave, stroke + term)
        bands.append(0.5 + 0.2 * np.tanh(wave) + 0.02 * stroke)
    return np.stack(bands, axis=-1)


def scan_of(placement, frame, ppi, *, noise=0.003, seed=7, tone=lambda colour, _x, _y: colour, blur=0.0):
    """A scan of the art: `placement` takes its millimetres to those of the original; beyond that lies white paper."""
    columns, rows = (round(side / 25.4 * ppi) for side in frame)
    y, x = (np.mgrid[0:rows, 0:columns] + 0.5) * (25.4 / ppi)
    u, v = placement.apply(np.stack([x.ravel(), y.ravel()], axis=1)).T.reshape(2, rows, columns)
    colour = tone(art(u, v, seed), u, v)
    colour[(u < 0) | (v < 0) | (u > WIDTH) | (v > HEIGHT)] = 0.95
    values = colour + np.random.default_rng(round(ppi)).normal(scale=noise, size=colour.shape)
    whole = np.rint(np.clip(values, 0, 1) * 65535).astype(np.uint16)
    image = pyvips.Image.new_from_memory(whole.tobytes(), columns, rows, 3, "ushort").copy(interpretation="rgb16")
    return Picture.of(image.gaussblur(blur).copy_memory() if blur else image, srgb(), ppi)


@cache
def original():
    return scan_of(Affine.identity(), (WIDTH, HEIGHT), 150)


def printed(scale, turn, stretch=1.0):
    """How a print of the original lies on its scan, with a border of 6 mm; its size; the way back to the original."""
    away = Affine.scaling(scale, scale * stretch).then(Affine.rotation(turn))
    corners = away.apply([(0, 0), (WIDTH, 0), (WIDTH, HEIGHT), (0, HEIGHT)])
    low, high = corners.min(axis=0) - 6, corners.max(axis=0) + 6
    return tuple((high - low).tolist()), away.then(Affine.translation(*(-low).tolist())).inverse()


def distances(found, true, second):
    width, height = size_mm(second)
    grid = [(x * width, y * height) for x in (0.2, 0.5, 0.8) for y in (0.2, 0.5, 0.8)]
    return np.hypot(*(found.apply(grid) - true.apply(grid)).T)


PRINTS = {
    "a print with a border, smaller, askew": (0.886, 1.3, 1.002, 150),
    "a larger print at half the resolution": (1.3, -0.8, 0.998, 75),
    "a smaller print at twice the resolution": (0.7, 2.0, 1.0, 300),
    "a print that lay on its side": (0.95, 90.5, 1.0, 150),
}


@pytest.mark.parametrize("name", PRINTS)
def test_a_print_is_laid_on_its_original_to_a_fifth_of_a_pixel(name):
    scale, turn, stretch, ppi = PRINTS[name]
    frame, true = printed(scale, turn, stretch)
    second = scan_of(true, frame, ppi, noise=0.01)
    found = register(original(), second)
    pixel = 25.4 / min(150, ppi * scale)
    # 0.2 px is the aim; a frame of 60 x 80 mm has few details, real sheets do better (see the bench).
    assert np.median(distances(found.placement, true, second)) < 0.2 * pixel


def test_two_pictures_that_are_not_the_same_are_refused_with_the_reason():
    other = scan_of(Affine.identity(), (WIDTH, HEIGHT), 150, seed=8)
    with pytest.raises(Held, match="not two scans of the same picture"):
        register(original(), other)


def test_bare_paper_cannot_be_compared():
    white = np.full((400, 300, 3), 60000, np.uint16)
    image = pyvips.Image.new_from_memory(white.tobytes(), 300, 400, 3, "ushort").copy(interpretation="rgb16")
    with pytest.raises(Held, match="not two scans of the same picture"):
        register(original(), Picture.of(image, srgb(), 150))


def measured(second, true):
    found = Registered(true, 150, 100, 0.9, 0.01)
    return compare_colours(original(), second, found), kept_detail(original(), second, found), found


def test_the_same_picture_scanned_again_passes():
    colours, kept, found = measured(scan_of(Affine.identity(), (WIDTH, HEIGHT), 151), Affine.identity())
    verdict = judge(colours, kept, found)
    assert (verdict.word, colours.area) == ("passes", None)
    assert colours.mean < 0.5, "the noise of the scans alone"
    assert all(band.share == pytest.approx(1, abs=0.05) for band in kept)


@pytest.mark.filterwarnings('ignore:"Matplotlib" related')  # which it only needs for drawing
def test_the_mean_and_the_drift_are_those_that_another_library_finds():
    colour = pytest.importorskip("colour", reason="the package colour-science")
    yellower = (1.0, 1.0, 0.94)
    second = scan_of(Affine.identity(), (WIDTH, HEIGHT), 150, noise=0, tone=lambda seen, _x, _y: seen * yellower)
    colours, _, _ = measured(second, Affine.identity())
    y, x = (np.mgrid[0:80:0.5, 0:60:0.5] + 0.25)[:, 5:-5, 5:-5]
    seen = art(x, y)
    d50 = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"]
    labs = [colour.XYZ_to_Lab(colour.sRGB_to_XYZ(rgb, illuminant=d50), d50) for rgb in (seen, seen * yellower)]
    wanted = colour.difference.delta_E_CIE2000(*labs)
    # The strokes are means in our map and points there.
    assert colours.mean == pytest.approx(wanted.mean(), rel=0.05)
    assert colours.p95 == pytest.approx(np.percentile(wanted, 95), rel=0.08)
    assert colours.shift == pytest.approx((labs[1] - labs[0]).mean(axis=(0, 1)), abs=0.15)


def test_one_blot_is_found_with_its_size_and_place_though_the_mean_is_small():
    def blotted(colour, x, y):
        colour[(np.abs(x - 40) < 12.5) & (np.abs(y - 30) < 10)] += 0.12  # 25 x 20 mm
        return colour

    colours, kept, found = measured(scan_of(Affine.identity(), (WIDTH, HEIGHT), 150, tone=blotted), Affine.identity())
    assert colours.mean < 1.5
    assert colours.area is not None
    assert colours.area.square_mm == pytest.approx(500, rel=0.1)
    assert colours.area.box == pytest.approx((27.5, 20, 25, 20), abs=1)
    verdict = judge(colours, kept, found)
    assert verdict.word == "look at it"
    assert "one area of 5." in verdict.reasons[0] or "one area of 4." in verdict.reasons[0]


def test_a_print_of_another_colour_does_not_match():
    second = scan_of(Affine.identity(), (WIDTH, HEIGHT), 150, tone=lambda colour, _x, _y: colour * 0.85)
    verdict = judge(*measured(second, Affine.identity()))
    assert verdict.word == "does not match"
    assert "more than 3" in verdict.reasons[0]
    assert any("darker" in finding for finding in verdict.findings)


def test_the_detail_that_a_blur_takes_is_told_as_its_formula_says():
    sigma_px = 1.2  # at 150 ppi: 0.2 mm
    _, kept, _ = measured(scan_of(Affine.identity(), (WIDTH, HEIGHT), 150, blur=sigma_px), Affine.identity())
    shares = {band.lines: band.share for band in kept}
    # A Gaussian's transfer function is exp(-2 (pi sigma f)^2); coarse detail at 0.5 lines sets the contrast.
    sigma = sigma_px * 25.4 / 150
    wanted = {f: np.exp(-2 * (np.pi * sigma * f) ** 2) for f in (0.3, 1, 2)}
    # The bands are broad and the art's own lines lie anywhere within them.
    assert shares[1] == pytest.approx(wanted[1] / wanted[0.3], abs=0.12)
    assert shares[2] == pytest.approx(wanted[2] / wanted[0.3], abs=0.1)


def test_a_soft_print_is_to_be_looked_at():
    colours, _, found = measured(scan_of(Affine.identity(), (WIDTH, HEIGHT), 150), Affine.identity())
    verdict = judge(colours, [Kept(1.0, 0.8), Kept(2.0, 0.4)], found)
    assert verdict.word == "look at it"
    assert verdict.reasons == ("detail of 2 lines per millimetre kept only 40% of its contrast",)

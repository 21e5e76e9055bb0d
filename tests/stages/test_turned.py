"""A sheet scanned upright and upside down, averaged. The scanner is a formula (flatbed.py), so the truth is known."""

import tomllib
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import pytest
import pyvips
import tomli_w
from flatbed import EDGE_MM, EDGES, Flatbed, Sheet, picture, response

from platemark import Held
from platemark_stages.turned import Laid, average, register

PPI = 200.0
SHEET = Sheet(blur=0.6 * 25.4 / PPI)  # six tenths of a pixel: as sharp as a good scan
UPRIGHT = Flatbed(turn=0.4, shift=(0.3, -0.2), ppi=PPI)
TURNED = Flatbed(turn=179.3, shift=(-1.1, 0.8), ppi=PPI, phase=2.0)


@cache
def scans():
    return UPRIGHT.scan(SHEET), TURNED.scan(SHEET)


@cache
def found():
    return register(*scans())


@cache
def values(name):
    """Arrays, 0 to 1, of the upright scan, the mean, and both without grain and noise."""
    clean = {"relief": False, "noise": False}
    made = {
        "upright": lambda: scans()[0],
        "mean": lambda: average(*scans(), found()),
        "clean": lambda: UPRIGHT.scan(SHEET, **clean),
        "clean mean": lambda: average(UPRIGHT.scan(SHEET, **clean), TURNED.scan(SHEET, **clean), found()),
    }
    return made[name]().array() / 65535


def plain():
    """Boxes of plain paper beside the slanted edges."""
    for (across, down), degrees in EDGES:
        x, y = UPRIGHT.in_scan(SHEET, np.array(across * SHEET.width), np.array(down * SHEET.height))
        off = (EDGE_MM / 2 + 0.4) / 25.4 * PPI
        column = round(float(x + np.cos(np.radians(degrees)) * off))
        row = round(float(y + np.sin(np.radians(degrees)) * off))
        yield np.s_[row - 10 : row + 10, column - 10 : column + 10]


def held(upright, turned):
    with pytest.raises(Held) as caught:
        register(upright, turned)
    return caught.value


def test_the_turned_scan_is_laid_on_the_upright_one_to_a_fraction_of_a_pixel():
    width, height = UPRIGHT.size(SHEET)
    x, y = (side.ravel() for side in np.meshgrid(np.linspace(18, width - 18, 20), np.linspace(18, height - 18, 30)))
    true_x, true_y = TURNED.in_scan(SHEET, *UPRIGHT.on_sheet(SHEET, x, y))
    even = found().affine.inverse().apply(np.stack([x, y], axis=1))
    down = even[:, 1] + found().unbent().at(even[:, 0], even[:, 1])
    apart = np.hypot(even[:, 0] - true_x, down - true_y)
    # cos(pi f d): of detail at half the limit, a quarter of a pixel costs 2 percent.
    assert np.median(apart) < 0.1
    assert np.percentile(apart, 95) < 0.25


def test_the_carriage_that_wandered_is_found_bent():
    # 0.06 mm of wander in each scan, out of step: several tenths of a pixel, beside a straight stretch.
    assert np.ptp(np.array(found().bend)) > 0.5


def test_the_grain_that_the_lamp_throws_is_softened():
    power = dict.fromkeys(("upright", "mean"), 0.0)
    for box in plain():
        power["upright"] += (values("upright") - values("clean"))[box].var()
        power["mean"] += (values("mean") - values("clean mean"))[box].var()
    # Two scans of independent noise would leave a half, 3 dB; shading that changes its sign leaves less than a quarter.
    assert power["mean"] < power["upright"] / 4


@pytest.mark.parametrize("edge", range(4))
def test_detail_survives(edge):
    # ISO 12233:2017, edge-based SFR; at half of the limit, a quarter of a cycle per pixel.
    (across, down), degrees = EDGES[edge]
    middle = UPRIGHT.in_scan(SHEET, np.array(across * SHEET.width), np.array(down * SHEET.height))
    half = round(EDGE_MM / 25.4 * PPI * 0.75)
    kept = [
        np.interp(0.25, *response(values(name)[:, :, 1], middle, degrees, half)) for name in ("clean", "clean mean")
    ]
    # Source: Gaussian blur of 0.6 pixels, its transform exp(-2 (pi f s)^2): the measure itself is right.
    assert kept[0] == pytest.approx(np.exp(-2 * (np.pi * 0.25 * 0.6) ** 2), abs=0.02)
    assert kept[1] > 0.95 * kept[0]


def test_a_darker_turned_scan_makes_no_line_where_it_ends():
    # It lay so far to the side that a quarter of the sheet is not on it, and it is 6 percent darker.
    beside = replace(TURNED, shift=(10.0, 0.8), gain=0.94)
    pair = [bed.scan(replace(SHEET, blur=0), relief=False, noise=False) for bed in (UPRIGHT, beside)]
    laid = register(*pair)
    assert laid.covered < 0.8
    ratio = np.median((average(*pair, laid).array() / pair[0].array())[30:-30, 15:-15].mean(axis=2), axis=0)
    # Slow, and all the same: the light is that of the mean of both, within their 6 percent.
    assert abs(np.diff(ratio)).max() < 0.002
    assert ratio.min() > 0.94
    assert ratio.max() < 1.01


def test_where_the_turned_scan_does_not_reach_the_upright_one_stands_alone():
    beside = replace(TURNED, shift=(10.0, 0.8))
    pair = UPRIGHT.scan(SHEET), beside.scan(SHEET)
    laid = register(*pair)
    corners = laid.affine.apply([(0, 0), (laid.size[0], 0)])[:, 0]
    # A turned sheet that lay too far to the right lacks its left; less a millimetre.
    last = round(corners.min() - 8)
    one, mean = (made.array()[30:-30, 15:last].astype(float) for made in (pair[0], average(*pair, laid)))
    gain = mean.mean() / one.mean()
    assert 0.97 < gain < 1.03
    assert abs(mean - gain * one).max() < 0.012 * 65535


@pytest.mark.parametrize("dusty", [0, 1])
def test_a_speck_on_one_of_the_scans_vanishes(dusty):
    arrays = [scan.array().copy() for scan in scans()]
    row, column = 133, 153
    place = np.array([[column, row]]) if dusty == 0 else found().affine.inverse().apply([(column, row)])
    x, y = (round(float(value)) for value in place[0])
    arrays[dusty][y - 2 : y + 2, x - 2 : x + 2] = 9000  # half a millimetre, dark
    pair = [picture(array / 65535, PPI) for array in arrays]
    mean = average(*pair, found()).array() / 65535
    near = np.s_[row - 5 : row + 5, column - 5 : column + 5]
    assert abs(mean - values("clean mean"))[near].max() < 0.1  # as far as grain goes; the speck was 0.6


def test_a_spot_of_ink_stays():
    sheet = replace(SHEET, blur=0)
    pair = []
    for bed in (UPRIGHT, TURNED):
        x, y = (np.arange(side) + 0.5 for side in bed.size(sheet))
        u, v = bed.on_sheet(sheet, *np.meshgrid(x, y))
        spot = np.exp(-(((u - 20) ** 2 + (v - 25) ** 2) / 0.15**2))
        pair.append(picture(np.clip(bed.values(sheet) * (1 - 0.8 * spot[..., None]), 0, 1), PPI))
    mean = average(*pair, register(*pair)).array()
    column, row = (round(float(value) - 0.5) for value in UPRIGHT.in_scan(sheet, np.array(20.0), np.array(25.0)))
    assert mean[row, column].mean() < 1.1 * pair[0].array()[row, column].mean()


def test_the_decision_survives_toml():
    text = tomli_w.dumps(found().model_dump(mode="json"))
    assert Laid.model_validate(tomllib.loads(text)) == found()


def test_the_decision_is_the_same_twice():
    assert register(*scans()) == found()


def test_the_mean_has_the_same_bytes_with_any_number_of_threads_and_leaves_the_scans_alone():
    before = [scan.array().tobytes() for scan in scans()]
    usual = pyvips.vips_lib.vips_concurrency_get()
    made = set()
    try:
        for threads in (1, 2, 5):
            pyvips.vips_lib.vips_concurrency_set(threads)
            made.add(average(*scans(), found()).array().tobytes())
    finally:
        pyvips.vips_lib.vips_concurrency_set(usual)
    assert len(made) == 1
    assert [scan.array().tobytes() for scan in scans()] == before


def test_the_mean_is_a_picture_like_the_upright_scan():
    mean = average(*scans(), found())
    assert mean.size == scans()[0].size
    assert mean.ppi == PPI
    assert mean.profile == scans()[0].profile
    assert mean.open().format == "ushort"


def test_parameters_of_other_scans_are_refused():
    with pytest.raises(ValueError, match="are not those of"):
        average(scans()[0].cropped(0, 0, 100, 100), scans()[1], found())


def test_two_densities_are_held():
    other = replace(TURNED, ppi=300.0).scan(SHEET)
    assert "300 ppi and the upright one 200" in held(scans()[0], other).reason


def test_another_sheet_is_held():
    other = TURNED.scan(replace(SHEET, seed=11, blur=0))
    assert "does not show the same sheet" in held(UPRIGHT.scan(replace(SHEET, blur=0)), other).reason


def test_a_scan_that_is_not_turned_is_held_and_said_so():
    again = replace(UPRIGHT, turn=0.9, phase=2.0).scan(SHEET)
    assert "the same way up" in held(scans()[0], again).reason


def test_an_empty_sheet_is_held():
    blank = replace(SHEET, blur=0, contrast=0.0, relief=0.0)
    assert "too little" in held(UPRIGHT.scan(blank), TURNED.scan(blank)).reason


def test_paper_with_nothing_but_grain_is_held():
    blank = replace(SHEET, blur=0, contrast=0.0, relief=0.04)
    held(UPRIGHT.scan(blank), TURNED.scan(blank))


@dataclass(frozen=True)
class Cockled(Flatbed):
    """The sheet stood off the glass here and there, so the sensor saw it aside."""

    def on_sheet(self, sheet, x, y):
        u, v = super().on_sheet(sheet, x, y)
        return u + 0.12 * np.sin(2 * np.pi * u / 45) * np.sin(2 * np.pi * v / 40), v


def test_a_sheet_that_was_not_flat_is_held():
    cockled = Cockled(**vars(TURNED)).scan(SHEET)
    reason = held(scans()[0], cockled).reason
    assert "pixels beside the upright one" in reason

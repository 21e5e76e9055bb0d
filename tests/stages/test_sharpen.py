"""Sharpen: what the paper takes from edges is made up for, and nothing else is touched."""

from itertools import combinations

import numpy as np
import pytest
from printers import cmyk_printer, rgb_printer
from scipy.ndimage import gaussian_filter
from slanted import blurred_response, edge, halo, response

from platemark import Paper, Picture, colour_difference
from platemark.pixels.profiles import grey
from platemark.testing import check_stage, gradient_picture, job_for, measure_and_apply, picture_of
from platemark_stages.sharpen import Sharpen, SharpenParameters

SHARP = 0.6  # pixels: the blur of an edge as sharp as scans come after one good resampling
SURFACES = ("gloss", "satin", "matte", "textured")
# Colours of paint and paper in sRGB, invented for this test.
PALETTE = {
    "vermilion": (214, 64, 44),
    "ochre": (196, 146, 62),
    "sap green": (86, 118, 52),
    "ultramarine": (42, 58, 140),
    "cobalt": (40, 100, 170),
    "paper": (250, 247, 240),
    "umber": (84, 62, 48),
    "violet": (110, 60, 120),
    "lemon": (245, 225, 70),
    "rose": (214, 110, 130),
    "ink": (20, 20, 22),
}


def sharpened(picture: Picture, surface: str = "matte", **settings: object) -> tuple[SharpenParameters, Picture]:
    parameters, after = measure_and_apply(Sharpen, picture, job_for(paper=Paper("p", surface=surface)), **settings)
    assert isinstance(parameters, SharpenParameters)
    return parameters, after


def green(picture: Picture) -> np.ndarray:
    return picture.array()[:, :, 1].astype(int)


def grained(deviation: float, *, seed: int = 4) -> np.ndarray:
    """Even paper with grain, as rows and columns of 16-bit values; the deviation in 16-bit steps."""
    rough = gaussian_filter(np.random.default_rng(seed).standard_normal((200, 240)), 0.8)
    return 50000 + rough / rough.std() * deviation


def grey_picture(values: np.ndarray) -> Picture:
    return picture_of(np.rint(values).astype(np.uint16)[:, :, None].repeat(3, axis=2), 360)


@pytest.mark.parametrize(
    "settings", [{}, {"distance": "100 cm", "strength": 1.7, "overshoot": "30 %"}, {"strength": 0}]
)
def test_it_keeps_the_contract_of_a_stage(settings: dict[str, object]) -> None:
    check_stage(Sharpen, edge([3000, 9000, 700], [61000, 40000, 65535], SHARP), None, **settings)


@pytest.mark.parametrize(("rows", "columns"), [(1, 1), (1, 70), (3, 5), (33, 2)])
def test_a_sliver_of_a_picture_is_no_trouble(rows: int, columns: int) -> None:
    check_stage(Sharpen, gradient_picture(columns, rows, 720))


@pytest.mark.parametrize("blur", [SHARP, 0.8, 1.2])
def test_the_ruler_of_these_tests_shows_an_edge_as_the_formula_has_it(blur: float) -> None:
    # The Fourier transform of a Gaussian; 0.005 is what window and binning may cost.
    frequency, found = response(green(edge([16000] * 3, [48000] * 3, blur)))
    assert found == pytest.approx(blurred_response(frequency, blur), abs=0.005)


@pytest.mark.parametrize("surface", SURFACES)
@pytest.mark.parametrize("distance", ["30 cm", "60 cm"])
def test_an_edge_gains_what_the_formula_of_its_blur_says(surface: str, distance: str) -> None:
    # Adding `amount` times what a Gaussian blur takes away multiplies the response by 1 + amount (1 - Gaussian).
    picture = edge([26000] * 3, [38000] * 3, SHARP)
    parameters, _ = sharpened(picture, surface, distance=distance)
    plain = parameters.model_copy(update={"mask": 1, "limit": 65535})
    frequency, found = response(green(Sharpen().apply(picture, plain)))
    added = parameters.amount * (1 - blurred_response(frequency, parameters.halo_mm / 2.4 / 25.4 * 360))
    # 0.03: taps end at 2.5 deviations.
    assert found == pytest.approx(blurred_response(frequency, SHARP) * (1 + added), abs=0.03)


@pytest.mark.parametrize("ends", [(28000, 36000), (16000, 48000), (3000, 62000)])
def test_mask_and_bound_only_take_from_that_gain(ends: tuple[int, int]) -> None:
    picture = edge([ends[0]] * 3, [ends[1]] * 3, SHARP)
    parameters, after = sharpened(picture)
    frequency, found = response(green(after))
    before = blurred_response(frequency, SHARP)
    added = parameters.amount * (1 - blurred_response(frequency, parameters.halo_mm / 2.4 / 25.4 * 360))
    fine = (frequency > 0.05) & (frequency < 0.4)
    assert (found < before * (1 + added) + 0.03)[fine].all()
    assert (found > before + 0.02)[fine].all()


@pytest.mark.parametrize("ppi", [300, 360, 720])
@pytest.mark.parametrize("contrast", [8000, 32000])
@pytest.mark.parametrize(("distance", "wide"), [("20 cm", 0.25), ("30 cm", 0.25), ("60 cm", 0.5), ("300 cm", 0.5)])
def test_the_halo_is_as_wide_on_paper_as_the_distance_asks(ppi: int, contrast: int, distance: str, wide: float) -> None:
    # The same edge on paper at each density: 0.042 mm, which is 0.6 pixels at 360 ppi. The bounds are the trade's,
    # 1/100 to 1/50 inch (common practice), a tenth to both sides: the lines' shape depends on the contrast.
    dark, light = 32000 - contrast // 2, 32000 + contrast // 2
    picture = edge([dark] * 3, [light] * 3, SHARP * ppi / 360, ppi=ppi, size=(64, 128))
    _, after = sharpened(picture, distance=distance)
    width, _, _ = halo(green(picture), green(after))
    assert 0.9 * 0.25 <= width / ppi * 25.4 <= 1.1 * 0.5
    assert width / ppi * 25.4 == pytest.approx(wide, rel=0.25)


def test_a_picture_for_the_wall_is_looked_at_from_as_far_as_its_diagonal() -> None:
    # A4 within its border, 186 x 273 mm, has a diagonal of 330 mm; 30 cm is a hand's distance (common practice).
    width, height = (round(side / 25.4 * 36) for side in (186, 273))
    large, _ = sharpened(gradient_picture(width, height, 36))
    small, _ = sharpened(gradient_picture(60, 80, 36))
    assert large.halo_mm == pytest.approx(330.3 / 300 * small.halo_mm, abs=0.001)
    assert small.halo_mm == 0.25


@pytest.mark.parametrize("overshoot", [0.02, 0.1, 0.3])
@pytest.mark.parametrize("ends", [(28000, 36000), (16000, 48000), (0, 65535)])
def test_no_edge_overshoots_by_more_than_is_allowed(ends: tuple[int, int], overshoot: float) -> None:
    picture = edge([ends[0]] * 3, [ends[1]] * 3, SHARP)
    _, after = sharpened(picture, "textured", strength=2, distance="100 cm", overshoot=f"{100 * overshoot:g} %")
    added = green(after) - green(picture)
    assert np.abs(added).max() <= round(overshoot * 65535)
    assert added.max() > 0
    assert added.min() < 0


def test_paper_grain_is_not_sharpened() -> None:
    # 0.7 % of the range: rough paper under a scanner's lamp. What grows by less than 3 % is not seen.
    before = grey_picture(grained(460))
    parameters, after = sharpened(before)
    unmasked = Sharpen().apply(before, parameters.model_copy(update={"mask": 1}))
    assert green(after).std() / green(before).std() < 1.03
    assert green(unmasked).std() / green(before).std() > 1.2


def test_a_drawn_line_on_that_paper_is() -> None:
    values = grained(460)
    line = edge([20000] * 3, [50000] * 3, SHARP, size=(200, 240))
    before = grey_picture(values + green(line) - 50000)
    _, after = sharpened(before)
    frequency, old = response(green(before)[60:140])
    _, new = response(green(after)[60:140])
    for cycles in (0.1, 0.2):
        assert np.interp(cycles, frequency, new) > 1.1 * np.interp(cycles, frequency, old)


@pytest.mark.parametrize("step", [1, 257])
def test_a_smooth_wash_stays_as_it_is_even_from_an_8_bit_scan(step: int) -> None:
    slope = np.broadcast_to(np.linspace(40000, 52000, 240)[None, :], (120, 240))
    before = grey_picture(slope // step * step)
    _, after = sharpened(before, "textured", strength=2)
    assert np.array_equal(after.array(), before.array())


def test_bare_paper_stays_bare_and_solid_black_stays_black() -> None:
    _, after = sharpened(edge([0] * 3, [65535] * 3, SHARP))
    assert (green(after)[:, -30:] == 65535).all()
    assert (green(after)[:, :30] == 0).all()


def test_colours_get_lighter_and_darker_along_an_edge_and_keep_their_hue_and_chroma() -> None:
    # 1 is just visible side by side (common practice). Equal lightness on both sides gives no halo at all.
    moved, lighter = [], []
    for one, other in combinations(PALETTE.values(), 2):
        picture = edge(np.array(one) * 257, np.array(other) * 257, SHARP, size=(8, 48))
        _, after = sharpened(picture)
        before, found = picture.lab(), after.lab()
        lighter.append(float((found - before)[:, :, 0].max()))
        found[:, :, 0] = before[:, :, 0]
        moved.append(float(colour_difference(before, found).max()))
    assert np.mean(lighter) > 2
    assert np.mean(moved) < 0.6
    assert np.percentile(moved, 90) < 1.6
    assert max(moved) < 2.5  # deep ultramarine beside paper, where equal steps of R'G'B' are least alike


def test_no_channel_is_driven_to_its_end() -> None:
    ends = np.array(PALETTE["ultramarine"]) * 257, np.array(PALETTE["lemon"]) * 257
    before = edge(*ends, SHARP)
    _, after = sharpened(before, strength=2, overshoot="30 %")
    added = after.array().astype(int) - before.array()
    assert np.ptp(added, axis=2).max() == 0
    assert 0 <= after.array().min() <= after.array().max() <= 65535


@pytest.mark.parametrize("distance", ["30 cm", "50 cm"])
def test_it_adds_what_another_library_finds_missing_after_a_blur(distance: str) -> None:
    # scipy's Gaussian in double. 10 steps of 65535, 4 % of an 8-bit level: taps have ten bits, and halves are dropped.
    values = gaussian_filter(np.random.default_rng(1).uniform(0, 65535, (300, 40)), 1.5)
    before = grey_picture(values)
    parameters, _ = sharpened(before, distance=distance)
    found = Sharpen().apply(before, parameters.model_copy(update={"mask": 1, "limit": 65535, "amount": 0.5}))
    deviation = parameters.halo_mm / 2.4 / 25.4 * 360
    blurred = gaussian_filter(values, deviation, radius=len(parameters.taps) - 1, mode="nearest")
    wanted = 0.5 * (values - blurred)
    wanted -= wanted * np.abs(wanted) / (4 * 65535)  # the bend towards the limit
    assert green(found) - green(before) == pytest.approx(wanted, abs=10)


def test_matte_paper_gets_a_third_more_than_gloss() -> None:
    # "About 30 % more": common practice.
    amounts = {surface: sharpened(edge([9000] * 3, [50000] * 3, SHARP), surface)[0].amount for surface in SURFACES}
    assert amounts["matte"] / amounts["gloss"] == pytest.approx(1.3, abs=0.05)
    assert sorted(amounts, key=amounts.__getitem__) == list(SURFACES)


def test_the_lines_along_an_edge_are_about_as_strong_from_near_and_far() -> None:
    picture = edge([28000] * 3, [36000] * 3, SHARP)
    strong = [np.ptp(green(sharpened(picture, distance=d)[1])) for d in ("30 cm", "45 cm", "60 cm", "200 cm")]
    assert max(strong) - min(strong) < 0.06 * 8000


def test_strength_nothing_leaves_the_picture_as_it_is() -> None:
    picture = edge([9000] * 3, [50000] * 3, SHARP)
    _, after = sharpened(picture, strength=0)
    assert after is picture


def test_a_grey_picture_is_sharpened_and_stays_grey() -> None:
    values = green(edge([9000] * 3, [50000] * 3, SHARP)).astype(np.uint16)[:, :, None]
    picture = picture_of(values, 360, grey())
    _, after = sharpened(picture)
    assert after.profile == grey()
    (frequency, new), (_, old) = response(after.array()[:, :, 0]), response(values[:, :, 0])
    assert np.interp(0.2, frequency, new) > 1.1 * np.interp(0.2, frequency, old)
    check_stage(Sharpen, picture)


def test_a_picture_in_printing_inks_is_left_alone_and_that_is_said() -> None:
    picture = gradient_picture().converted(cmyk_printer())
    job = job_for()
    _, after = measure_and_apply(Sharpen, picture, job)
    assert after is picture
    assert [notice.name for notice in job.notices] == ["left_alone"]
    assert "CMYK" in str(job.notices[0].value)


def test_a_picture_in_the_printers_colours_is_sharpened_as_if_it_had_been_made_before() -> None:
    lazy = edge([9000, 20000, 3000], [50000] * 3, SHARP, size=(300, 40)).converted(rgb_printer())
    check_stage(Sharpen, lazy)
    assert np.array_equal(sharpened(lazy)[1].array(), sharpened(lazy.settled())[1].array())


def test_the_large_picture_is_not_kept_longer_than_needed() -> None:
    picture = edge([9000] * 3, [50000] * 3, SHARP)
    sharpened(picture)
    assert picture.facts == {}

"""Resample: to the printed size, never stretched, and honest about how much detail there is."""

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from platemark import Held, Picture
from platemark.testing import check_stage, gradient_picture, job_for, measure_and_apply, picture_of
from platemark_stages.resample import Resample, ResampleParameters, ResampleSettings

# 100 x 80 mm with 10 mm of border at 127 ppi: an area of 80 x 60 mm, 400 x 300 pixels.
PRINT = {"sheet": "100 x 80 mm", "border": "10 mm", "ppi": 127}
FILL = {**PRINT, "fit": "fill", "fill_limit": "10 %"}
# However few pixels an inch gets.
ANY = {"min_ppi": 1, "hold_below_ppi": 1}


def blank(width: int, height: int, ppi: float = 300) -> Picture:
    return picture_of(np.full((height, width, 3), 40000, np.uint16), ppi)


def decided(picture: Picture, written: dict[str, object] = PRINT, **settings: object) -> ResampleParameters:
    parameters = measure_and_apply(Resample, picture, job_for(**written), **settings)[0]
    assert isinstance(parameters, ResampleParameters)
    return parameters


@given(width=st.integers(300, 3000), height=st.integers(300, 3000))
@settings(max_examples=200, deadline=None)
def test_inside_keeps_everything_and_never_stretches(width: int, height: int) -> None:
    parameters = decided(blank(2, 2).cropped(0, 0, width, height), **ANY)
    assert (parameters.left, parameters.top) == (0, 0)
    assert (parameters.keep_width, parameters.keep_height) == (width, height)
    area = job_for(**PRINT).lay_out(width, height).area
    assert parameters.width <= area.width
    assert parameters.height <= area.height
    assert parameters.width == area.width or parameters.height == area.height
    # Whole pixels: the shape is kept to half a pixel of the print on the side that was rounded.
    assert abs(parameters.width - parameters.height * width / height) <= max(1, width / height) / 2 + 1e-9


@given(width=st.integers(300, 3000), height=st.integers(300, 3000))
@settings(max_examples=200, deadline=None)
def test_fill_keeps_the_area_full_or_holds(width: int, height: int) -> None:
    area = job_for(**FILL).lay_out(width, height).area
    shape = area.width / area.height
    cut = 1 - min(width / height / shape, shape / (width / height))
    picture = blank(2, 2).cropped(0, 0, width, height)
    assume(abs(cut - 0.1) > 1e-9)  # on the limit itself the last bit of a float decides
    if cut > 0.1:
        with pytest.raises(Held, match=r"fill_limit = 10 %"):
            decided(picture, FILL, **ANY)
        return
    parameters = decided(picture, FILL, **ANY)
    assert (parameters.width, parameters.height) == (area.width, area.height)
    # Never stretched: what is kept has the area's shape, to the hundredth of a pixel it is rounded to.
    assert parameters.keep_width / parameters.keep_height == pytest.approx(shape, rel=1e-4)


def test_fill_cuts_evenly() -> None:
    # 440 x 300 of a scan for an area of 400 x 300: 20 pixels go on each side.
    parameters = decided(blank(440, 300, 127), FILL)
    assert (parameters.left, parameters.top) == (20, 0)
    assert (parameters.keep_width, parameters.keep_height) == (400, 300)


def test_fill_beyond_its_limit_says_how_much_would_go_and_what_else_can_be_done() -> None:
    with pytest.raises(Held, match=r"25\.0 % of the picture's height would be cut away") as held:
        decided(blank(400, 400, 127), {**FILL, "fill_limit": "24 %"})
    assert 'fit = "inside"' in held.value.remedy


def test_the_print_has_its_own_resolution() -> None:
    _, after = measure_and_apply(Resample, blank(1000, 750), job_for(**PRINT))
    assert (after.ppi, after.size) == (127, (400, 300))


@pytest.mark.parametrize(("pixels", "warned"), [(800, False), (500, True)])
def test_how_many_pixels_of_the_scan_an_inch_gets_is_told(pixels: int, warned: bool) -> None:  # noqa: FBT001
    job = job_for(**PRINT)
    measure_and_apply(Resample, blank(pixels, pixels * 3 // 4), job)
    (notice,) = job.notices
    # 80 mm are 3.1496 inches.
    assert (notice.name, notice.value) == ("effective_ppi", round(pixels / (80 / 25.4)))
    assert bool(notice.warning) is warned


def test_a_scan_with_too_few_pixels_is_held_with_the_resolution_to_scan_at() -> None:
    # 300 pixels for 80 mm are 95 an inch; for 180 it takes 567 ppi of a scan made at 300.
    with pytest.raises(Held, match="only 95 pixels an inch") as held:
        decided(blank(300, 225))
    assert "scan at 600 ppi" in held.value.remedy


def test_the_artist_decides_how_few_pixels_are_too_few() -> None:
    assert decided(blank(300, 225), min_ppi=90, hold_below_ppi=80).width == 400


def test_a_warning_that_could_never_come_is_refused() -> None:
    with pytest.raises(ValidationError, match="min_ppi = 100 lies below hold_below_ppi = 120"):
        ResampleSettings(min_ppi=100)


def test_scaling_reads_no_pixel() -> None:
    picture = blank(1000, 750)
    assert measure_and_apply(Resample, picture, job_for(**PRINT))[1].open is picture.open


@pytest.mark.parametrize("fit", ["inside", "fill"])
def test_resample_keeps_the_contract(fit: str) -> None:
    job = job_for(sheet="17 x 13 mm", border="2 mm", ppi=150, fit=fit, fill_limit="20 %")
    check_stage(Resample, gradient_picture(), job)

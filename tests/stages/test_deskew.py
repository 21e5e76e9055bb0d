"""Deskew: how far the sheet lies askew, and turning it back."""

import math
from collections.abc import Callable

import numpy as np
import pytest

from conftest import sheet_scan
from platemark import Held, Picture
from platemark.testing import check_stage, gradient_picture, job_for, measure_and_apply, picture_of
from platemark_stages.deskew import Deskew, DeskewParameters
from platemark_stages.sheet import Decision, Finding


def lying(tilt: float = 0.0, decision: Decision = Decision.CROP, reason: str = "", confidence: float = 0.9) -> Picture:
    """A picture whose sheet was found already."""
    picture = gradient_picture()
    corners = ((10.0, 10.0), (110.0, 10.0), (110.0, 80.0), (10.0, 80.0))
    picture.remember("sheet", lambda: Finding(decision, reason, corners, tilt, confidence))
    return picture


@pytest.fixture
def scan() -> Callable[[float], Picture]:
    """A light sheet drawn on a dark bed, turned by so many degrees."""
    return lambda skew: picture_of(sheet_scan(skew=skew, bits=16).astype(np.uint16), 150)


def test_the_tilt_of_the_sheet_is_the_decision() -> None:
    parameters, after = measure_and_apply(Deskew, lying(1.2344))
    assert parameters == DeskewParameters(tilt=1.234)
    (x0, y0), (x1, y1) = after.placement.apply([(0, 0), (1, 0)])
    # Turned back, so clockwise on screen; y points down.
    assert math.degrees(math.atan2(y1 - y0, x1 - x0)) == pytest.approx(1.234)


@pytest.mark.parametrize("skew", [2.5, -2.5])
def test_a_sheet_drawn_askew_comes_out_straight(scan: Callable[[float], Picture], skew: float) -> None:
    parameters, after = measure_and_apply(Deskew, scan(skew), job_for())
    # Drawn at 150 ppi: a tenth of a degree moves the end of the 65 mm edge by two thirds of a pixel.
    assert parameters.model_dump()["tilt"] == pytest.approx(skew, abs=0.1)
    # Turning leaves wedges without pixels at the rim of the scan; the sheet begins further in.
    edges = [np.flatnonzero(row > 40000)[0] for row in after.array()[90:380:10, 20:, 1]]
    assert max(edges) - min(edges) <= 1


def test_a_sheet_further_askew_than_allowed_is_held_with_the_number() -> None:
    with pytest.raises(Held, match=r"12\.3 degrees askew, more than max_tilt = 12"):
        measure_and_apply(Deskew, lying(-12.34))


def test_the_artist_decides_how_far_is_too_far() -> None:
    assert measure_and_apply(Deskew, lying(-12.34), max_tilt=15)[0] == DeskewParameters(tilt=-12.34)


def test_art_that_covers_the_bed_is_left_as_it_lies() -> None:
    picture = lying(3.0, Decision.LEAVE)
    parameters, after = measure_and_apply(Deskew, picture)
    assert parameters == DeskewParameters(tilt=0.0)
    assert after is picture


def test_what_the_finder_is_unsure_of_is_held_with_its_reason_and_the_way_out() -> None:
    with pytest.raises(Held, match="touches the left edge") as held:
        measure_and_apply(Deskew, lying(decision=Decision.HELD, reason="the sheet touches the left edge of the bed"))
    assert "[corrections.deskew]" in held.value.remedy


def test_what_was_found_and_how_surely_is_told() -> None:
    job = job_for()
    measure_and_apply(Deskew, lying(0.5, confidence=0.873), job)
    assert [(notice.name, notice.value) for notice in job.notices] == [("sheet", "crop"), ("confidence", 0.87)]


def test_turning_reads_no_pixel() -> None:
    picture = lying(1.0)
    assert Deskew().apply(picture, DeskewParameters(tilt=1.0)).open is picture.open


def test_deskew_keeps_the_contract(scan: Callable[[float], Picture]) -> None:
    check_stage(Deskew, scan(1.5))

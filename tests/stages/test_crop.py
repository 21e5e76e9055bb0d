"""Crop: to the sheet, a little inside its edge."""

from collections.abc import Sequence

import numpy as np
import pytest

from conftest import sheet_scan
from platemark import Held, Picture
from platemark.testing import check_stage, gradient_picture, job_for, measure_and_apply, picture_of
from platemark_stages.crop import Crop, CropParameters
from platemark_stages.deskew import Deskew
from platemark_stages.sheet import Decision, Finding, Side

# At 254 ppi a pixel is a tenth of a millimetre.
PPI = 254
SQUARE = ((10.0, 20.0), (110.0, 20.0), (110.0, 80.0), (10.0, 80.0))


def lying(
    corners: Sequence[tuple[float, float]] = SQUARE, decision: Decision = Decision.CROP, reason: str = ""
) -> Picture:
    """A picture whose sheet was found already."""
    picture = gradient_picture(ppi=PPI)
    picture.remember("sheet", lambda: Finding(decision, reason, tuple(corners), 0.0, 0.9))
    return picture


def test_the_box_is_the_sheet_less_the_inset() -> None:
    parameters, after = measure_and_apply(Crop, lying(), inset="0.5 mm")
    assert parameters == CropParameters(left=15, top=25, width=90, height=50)
    assert np.array_equal(after.array(), lying().array()[25:75, 15:105])


def test_without_inset_the_whole_sheet_is_kept() -> None:
    assert measure_and_apply(Crop, lying(), inset=0)[0] == CropParameters(left=10, top=20, width=100, height=60)


def test_a_sheet_that_is_not_quite_square_is_cut_at_the_middle_of_its_sides() -> None:
    corners = ((10.0, 20.0), (110.0, 22.0), (114.0, 80.0), (12.0, 82.0))
    assert measure_and_apply(Crop, lying(corners), inset=0)[0] == CropParameters(left=11, top=21, width=101, height=60)


def test_the_box_never_reaches_beyond_the_scan() -> None:
    corners = ((-3.0, -2.0), (130.0, -2.0), (130.0, 95.0), (-3.0, 95.0))
    assert measure_and_apply(Crop, lying(corners), inset=0)[0] == CropParameters(left=0, top=0, width=120, height=90)


def test_an_inset_that_leaves_nothing_is_held() -> None:
    with pytest.raises(Held, match="nothing is left") as held:
        measure_and_apply(Crop, lying(), inset="3 mm")
    assert "[stage.crop]" in held.value.remedy


@pytest.mark.parametrize(("deckle", "right"), [("ruler", 107.0), ("inside", 102.0), ("outside", 114.0)])
def test_a_deckle_edge_is_cut_along_the_ruler_inside_its_bays_or_outside_its_tongues(deckle: str, right: float) -> None:
    # The sheet ends at 110 pixels; its bays are 0.5 mm deep (5 pixels), its tongues 0.4 mm long, the inset is 0.3 mm.
    clean = [Side(name, 90.0, 1.0, 0.02, on_rim=False) for name in ("top", "right", "bottom", "left")]
    sides = (clean[0], Side("right", 90.0, 1.0, 0.3, on_rim=False, bay=0.5, tongue=0.4), clean[2], clean[3])
    picture = gradient_picture(ppi=PPI)
    picture.remember("sheet", lambda: Finding(Decision.CROP, "", SQUARE, 0.0, 0.9, sides))
    job = job_for()
    parameters, _ = measure_and_apply(Crop, picture, job, inset="0.3 mm", deckle=deckle)
    assert (parameters.left, parameters.top, parameters.height) == (13, 23, 54), "clean sides are cut as ever"
    assert parameters.left + parameters.width == pytest.approx(right)
    assert ("deckle_mm", "right 0.5 in, 0.4 out") in [(notice.name, notice.value) for notice in job.notices]


def test_art_that_covers_the_bed_is_kept_whole() -> None:
    parameters, _ = measure_and_apply(Crop, lying(decision=Decision.LEAVE))
    assert parameters == CropParameters(left=0, top=0, width=120, height=90)


def test_what_the_finder_is_unsure_of_is_held_with_its_reason_and_the_way_out() -> None:
    with pytest.raises(Held, match="no edge on the right") as held:
        measure_and_apply(Crop, lying(decision=Decision.HELD, reason="there is no edge on the right"))
    assert "[corrections.crop]" in held.value.remedy


def test_the_size_of_the_sheet_is_told_in_millimetres() -> None:
    job = job_for()
    measure_and_apply(Crop, lying(), job, inset=0)
    assert [(notice.name, notice.value) for notice in job.notices] == [("sheet_mm", "10.0 x 6.0")]


@pytest.mark.parametrize("skew", [0.0, 3.0])
def test_a_drawn_sheet_comes_out_at_its_own_size_without_bed(skew: float) -> None:
    picture = picture_of(sheet_scan(skew=skew, bits=16).astype(np.uint16), 150)
    _, straight = measure_and_apply(Deskew, picture)
    _, after = measure_and_apply(Crop, straight)
    # The sheet was drawn 50 x 65 mm; 0.3 mm are cut off each side. A pixel is 0.17 mm.
    assert after.width / 150 * 25.4 == pytest.approx(49.4, abs=0.35)
    assert after.height / 150 * 25.4 == pytest.approx(64.4, abs=0.35)
    rim = after.array()
    assert min(rim[0].min(), rim[-1].min(), rim[:, 0].min(), rim[:, -1].min()) > 50000, "no bed along the edges"


def test_cutting_reads_no_pixel() -> None:
    picture = lying()
    assert Crop().apply(picture, CropParameters(left=1.5, top=2, width=10, height=9)).open is picture.open


def test_crop_keeps_the_contract() -> None:
    check_stage(Crop, picture_of(sheet_scan(bits=16).astype(np.uint16), 150))

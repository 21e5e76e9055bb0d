"""The geometry of a print, in pixels."""

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from platemark.config.layout import layout_for
from platemark.config.model import PrintSpec
from platemark.contract.layout import Box, Layout

UPRIGHT, LYING, SQUARE = (2000, 3000), (3000, 2000), (2000, 2000)


def laid_out(picture: tuple[int, int], **written: Any) -> Layout:
    return layout_for(PrintSpec.model_validate(written), *picture)


def test_the_file_is_the_sheet_to_the_pixel() -> None:
    # 210 x 297 mm at 360 ppi, from tests/data/reference/pixel_sizes.csv.
    layout = laid_out(UPRIGHT, sheet="A4", border={"sides": "12 mm", "bottom": "20 mm"})
    assert layout.file == (2976, 4209)
    assert layout.sheet == Box(0, 0, 2976, 4209)
    # 12 mm are 170.08 pixels, 20 mm are 283.46.
    assert layout.border == (170, 170, 170, 283)
    assert layout.area == Box(170, 170, 2636, 3756)


def test_the_sheet_turns_as_the_picture_lies_and_the_signature_stays_below() -> None:
    layout = laid_out(LYING, sheet="A4", border={"sides": "12 mm", "bottom": "20 mm"})
    assert layout.file == (4209, 2976)
    assert layout.border.bottom == 283


@pytest.mark.parametrize(
    ("sheet", "orientation", "picture", "landscape"),
    [
        ("A4", "portrait", LYING, False),
        ("A4", "landscape", UPRIGHT, True),
        ("A4", "auto", SQUARE, False),
        ("210 x 148 mm", "auto", SQUARE, True),
        ("210 x 148 mm", "auto", UPRIGHT, False),
    ],
)
def test_the_sheet_lies_as_it_is_told(sheet: str, orientation: str, picture: tuple[int, int], landscape: bool) -> None:  # noqa: FBT001
    layout = laid_out(picture, sheet=sheet, orientation=orientation)
    assert (layout.file.width > layout.file.height) is landscape


def test_a_sheet_called_landscape_lies_so_without_a_further_line() -> None:
    assert laid_out(UPRIGHT, sheet="A4 landscape").file == (4209, 2976)


def test_a_bleed_makes_the_file_larger_on_every_side() -> None:
    # 3 mm at 360 ppi are 42.52 pixels; A6 is 1488 x 2098.
    layout = laid_out(UPRIGHT, sheet="A6", border=0, bleed="3 mm")
    assert layout.file == (1488 + 86, 2098 + 86)
    assert layout.sheet == Box(43, 43, 1488, 2098)
    assert layout.area == Box(0, 0, *layout.file)


def test_a_print_on_a_larger_sheet_lies_in_its_middle_and_turns_with_it() -> None:
    layout = laid_out(LYING, sheet="A6", border=0, bleed="3 mm", on="A5")
    assert layout.file == (2976, 2098)
    assert layout.sheet == Box(439, 305, 2098, 1488)
    assert layout.area == Box(439 - 43, 305 - 43, 2098 + 86, 1488 + 86)


def test_a_border_on_a_larger_sheet_is_measured_from_the_edge_of_the_print() -> None:
    layout = laid_out(UPRIGHT, sheet="A5", border="10 mm", on="A4", ppi=254)
    assert layout.border == (100, 100, 100, 100)
    assert (layout.area.x, layout.area.y) == (layout.sheet.x + 100, layout.sheet.y + 100)


# A busy machine is slow at times; how long an example takes is not what is asked here.
@settings(deadline=None)
@given(
    width=st.integers(600, 9000),
    height=st.integers(600, 9000),
    # Two of 28 mm leave 4 mm of the smallest sheet, 11 pixels at 72 ppi; what leaves none is refused (test_model.py).
    border=st.lists(st.integers(0, 280), min_size=4, max_size=4),
    ppi=st.integers(72, 1440),
)
def test_borders_and_image_area_always_add_up_to_the_sheet(
    width: int, height: int, border: list[int], ppi: int
) -> None:
    sides = dict(zip(("left", "top", "right", "bottom"), (f"{side / 10} mm" for side in border), strict=True))
    layout = laid_out((width, height), sheet=f"{width / 10} x {height / 10} mm", border=sides, ppi=ppi)
    assert layout.border.left + layout.area.width + layout.border.right == layout.file.width
    assert layout.border.top + layout.area.height + layout.border.bottom == layout.file.height
    assert min(layout.area.width, layout.area.height) >= 1

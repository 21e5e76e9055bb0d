"""Drawing on a picture: whole pixels, exact values, nothing outside."""

from fractions import Fraction

import numpy as np
import pytest
import pyvips
from numpy.typing import NDArray

from platemark.pixels.drawing import filled, laid_on, stamped
from platemark.pixels.picture import Picture
from platemark.pixels.profiles import Profile, grey, srgb

RED = (60000, 1234, 999)


def picture(rows: int = 20, columns: int = 30, channels: int = 3) -> tuple[Picture, NDArray[np.uint16]]:
    array = np.random.Generator(np.random.PCG64(1)).integers(0, 65536, (rows, columns, channels)).astype(np.uint16)
    profile: Profile = srgb() if channels == 3 else grey()
    image = pyvips.Image.new_from_memory(array.tobytes(), columns, rows, channels, "ushort")
    return Picture.of(image, profile, 360), array


@pytest.mark.parametrize("at", [(0, 0), (5, 7), (-4, -3), (25, 30), (40, 3), (-30, 0)])
def test_a_picture_lies_on_its_sheet_where_it_was_put(at: tuple[int, int]) -> None:
    laid, array = picture()
    sheet = laid_on(laid, (36, 34), at, RED)
    expected = np.empty((134, 136, 3), np.uint16)
    expected[:] = RED
    x, y = at[0] + 50, at[1] + 50
    expected[y : y + 20, x : x + 30] = array
    assert np.array_equal(sheet.array(), expected[50:84, 50:86])
    assert (sheet.ppi, sheet.profile) == (360, srgb())


def test_a_grey_picture_lies_on_a_grey_sheet() -> None:
    laid, array = picture(channels=1)
    sheet = laid_on(laid, (40, 40), (3, 4), (65535,)).array()
    assert np.array_equal(sheet[4:24, 3:33], array)
    assert sheet[0, 0, 0] == 65535


def test_boxes_are_filled_to_the_pixel_and_cut_at_the_edge() -> None:
    under, array = picture()
    boxes = [(2, 3, 4, 5), (28, 18, 10, 10), (-5, -5, 6, 6), (100, 100, 3, 3), (9, 9, 0, 4)]
    over = filled(under, boxes, RED)
    array[3:8, 2:6] = array[18:, 28:] = array[:1, :1] = RED
    assert np.array_equal(over.array(), array)


def test_no_box_changes_nothing() -> None:
    under, _ = picture()
    assert filled(under, [], RED) is under


def test_a_stamp_mixes_by_its_coverage_rounded_to_the_nearest() -> None:
    under, array = picture()
    coverage = np.random.Generator(np.random.PCG64(2)).integers(0, 256, (6, 8)).astype(np.uint8)
    coverage[0, :2] = 0, 255
    over = stamped(under, coverage, (5, 4), RED).array()
    for row, column, channel in np.ndindex(6, 8, 3):
        share = Fraction(int(coverage[row, column]), 255)
        mixed = int(array[4 + row, 5 + column, channel]) * (1 - share) + RED[channel] * share
        assert abs(int(over[4 + row, 5 + column, channel]) - mixed) <= Fraction(1, 2)
    assert over[4, 5].tolist() == array[4, 5].tolist()
    assert over[4, 6].tolist() == list(RED)
    outside = np.ones((20, 30), bool)
    outside[4:10, 5:13] = False
    assert np.array_equal(over[outside], array[outside])


@pytest.mark.parametrize("at", [(-1, 0), (0, -1), (23, 0), (0, 15)])
def test_a_stamp_that_would_stick_out_is_refused(at: tuple[int, int]) -> None:
    with pytest.raises(ValueError, match="sticks out"):
        stamped(picture()[0], np.full((6, 8), 255, np.uint8), at, RED)


def test_drawing_leaves_the_picture_before_it_as_it_was() -> None:
    under, array = picture()
    stamped(filled(under, [(0, 0, 9, 9)], RED), np.full((6, 8), 255, np.uint8), (1, 1), RED).array()
    assert np.array_equal(under.array(), array)

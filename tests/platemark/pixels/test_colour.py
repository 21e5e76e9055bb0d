"""Colour conversion: what must stay exactly as it is, whatever else moves."""

import numpy as np
import pytest
import pyvips
from numpy.typing import NDArray

from platemark.pixels.colour import colour_difference, convert, difference, paint, to_lab, to_lab_array
from platemark.pixels.profiles import Profile, grey, srgb


def image_of(array: NDArray[np.uint16]) -> pyvips.Image:
    rows, columns, bands = array.shape
    return pyvips.Image.new_from_memory(array.tobytes(), columns, rows, bands, "ushort")


def noise(channels: int) -> NDArray[np.uint16]:
    return np.random.Generator(np.random.PCG64(3)).integers(0, 65536, (30, 40, channels)).astype(np.uint16)


def test_pixels_already_in_the_profile_are_left_alone() -> None:
    assert np.array_equal(convert(image_of(noise(3)), srgb(), srgb()).numpy(), noise(3))


@pytest.mark.parametrize("intent", ["perceptual", "relative", "saturation"])
def test_white_stays_bare_paper_and_black_stays_black(intent: str) -> None:
    ends = np.array([[[65535], [0]]], np.uint16)
    assert convert(image_of(ends), grey(), srgb(), intent=intent).numpy().tolist() == [[[65535] * 3, [0] * 3]]
    ends = np.repeat(ends, 3, axis=2)
    assert convert(image_of(ends), srgb(), grey(), intent=intent).numpy().ravel().tolist() == [65535, 0]


def test_a_grey_becomes_the_same_grey_in_srgb() -> None:
    # Both have one curve, so the way through lightness must lead back: within a thousandth of an 8-bit step's hundred.
    greys = np.arange(0, 65536, 64, dtype=np.uint16).reshape(32, 32, 1)
    assert np.abs(convert(image_of(greys), grey(), srgb()).numpy().astype(int) - greys).max() <= 4


def test_sixteen_bits_stay_sixteen() -> None:
    ramp = np.arange(0, 65536, 16, dtype=np.uint16).reshape(64, 64, 1)
    made = convert(image_of(ramp), grey(), srgb())
    assert made.format == "ushort"
    assert len(np.unique(made.numpy())) > 4000


def test_lab_of_white_and_black() -> None:
    ends = np.array([[[65535] * 3, [0] * 3]], np.uint16)
    lab = to_lab_array(image_of(ends), srgb())
    assert lab.shape == (1, 2, 3)
    assert lab == pytest.approx(np.array([[[100, 0, 0], [0, 0, 0]]]), abs=0.01)


def test_a_colour_does_not_differ_from_itself() -> None:
    lab = to_lab_array(image_of(noise(3)), srgb())
    assert colour_difference(lab, lab).shape == (30, 40)
    assert (colour_difference(lab, lab) == 0).all()


def test_pictures_differ_as_their_arrays_do() -> None:
    rows = np.repeat(noise(3), 10, axis=0)  # 300 rows: more than are looked at in one go
    one, other = to_lab(image_of(rows), srgb()), to_lab(image_of(rows[::-1].copy()), srgb())
    apart = colour_difference(to_lab_array(image_of(rows), srgb()), to_lab_array(image_of(rows[::-1].copy()), srgb()))
    assert np.array_equal(difference(one, other).numpy(), apart)


def inks() -> Profile:
    return Profile(data=b"", description="inks", device_class="prtr", colour_space="CMYK")


def test_white_is_painted_as_bare_paper_and_black_in_one_ink() -> None:
    white, black = (65535,) * 3, (0,) * 3
    assert (paint(white, srgb()), paint(white, grey()), paint(white, inks())) == (white, (65535,), (0, 0, 0, 0))
    assert (paint(black, srgb()), paint(black, grey()), paint(black, inks())) == (black, (0,), (0, 0, 0, 65535))


def test_a_colour_is_painted_in_the_pictures_own_space() -> None:
    assert paint((12345, 23456, 34567), srgb()) == (12345, 23456, 34567)
    (shade,) = paint((30000, 30000, 30000), grey())
    assert shade == pytest.approx(30000, abs=4)

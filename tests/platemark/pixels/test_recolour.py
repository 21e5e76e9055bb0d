"""Small changes of colour: as large as they say in CIELAB, and none where paper is bare."""

import numpy as np
import pytest
from numpy.typing import NDArray

from platemark.pixels.icc_writer import oprgb_profile
from platemark.pixels.picture import Picture
from platemark.pixels.profiles import read_profile, srgb
from platemark.pixels.recolour import recoloured
from platemark.testing import picture_of

# IEC 61966-2-1 primaries carried to D50 by Bradford, as published with CSS Color 4; D50 of ICC.1.
_TO_D50 = np.array([[0.43604125, 0.38511291, 0.14304584], [0.22248454, 0.71690508, 0.06061038],
                    [0.01392019, 0.09706724, 0.71391257]])  # fmt: skip
_D50 = np.array([0.9642, 1.0, 0.8249])
# Quiet colours, so that no change leaves the reach of sRGB.
CODES = np.array([[[100, 140, 170], [150, 120, 110], [128, 128, 128], [90, 120, 80], [180, 170, 120]]], np.uint16) * 257


def patches() -> Picture:
    return picture_of(CODES.repeat(2, axis=0))


def lab(picture: Picture) -> NDArray[np.float64]:
    """CIELAB (D50). Source: CIE 15 and the constants above."""
    code = picture.array()[0] / 65535
    light = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    share = light @ _TO_D50.T / _D50
    f = np.where(share > (6 / 29) ** 3, np.cbrt(share), share * (29 / 6) ** 2 / 3 + 4 / 29)
    return np.stack([116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])], axis=-1)


@pytest.mark.parametrize(("change", "axis", "by"), [("lightness", 0, 4), ("lightness", 0, -4), ("warmth", 2, 4)])
def test_a_change_is_as_many_units_of_cielab_as_it_says(change: str, axis: int, by: int) -> None:
    moved = lab(recoloured(patches(), **{change: by})) - lab(patches())
    # The curve of our profile has 1024 points: a tenth of a unit is far below what is seen.
    assert moved[:, axis] == pytest.approx(by, abs=0.1)
    assert np.delete(moved, axis, axis=1) == pytest.approx(0, abs=0.1)


def test_saturation_is_a_share_of_chroma_and_keeps_hue_and_lightness() -> None:
    before, after = lab(patches()), lab(recoloured(patches(), saturation=15))
    assert after[:, 1:] == pytest.approx(before[:, 1:] * 1.15, abs=0.15)
    assert after[:, 0] == pytest.approx(before[:, 0], abs=0.1)


@pytest.mark.parametrize("change", [{"lightness": 8}, {"lightness": -8}, {"warmth": 8}, {"saturation": -30}])
def test_bare_paper_and_black_stay_as_they_are(change: dict[str, float]) -> None:
    ends = picture_of(np.array([[[65535] * 3, [0] * 3]], np.uint16))
    # A thousandth of the range: what going to CIELAB and back leaves.
    assert np.abs(recoloured(ends, **change).array().astype(int) - ends.array()).max() <= 65


def test_darker_never_turns_the_order_of_tones_around() -> None:
    ramp = np.arange(0, 65536, 257, dtype=np.uint16)[None, :, None].repeat(3, axis=2)
    for by in (-12, 12):
        tones = recoloured(picture_of(ramp), lightness=by).array()[0, :, 1].astype(int)
        assert np.diff(tones).min() >= 0


def test_no_change_gives_the_very_same_picture_and_a_change_keeps_the_profile() -> None:
    picture = patches()
    assert recoloured(picture) is picture
    wide = picture_of(CODES, profile=read_profile(oprgb_profile(), "opRGB"))
    assert recoloured(wide, warmth=2).profile == wide.profile
    assert recoloured(picture, warmth=2).profile == srgb()

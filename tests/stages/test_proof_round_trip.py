"""A round trip in one table, as simulating takes it: where two conversions would bring a colour, in any RGB space."""

import numpy as np
import pytest
import pyvips
from printers import cmyk_printer

from platemark.pixels.colour import Intent, colour_difference
from platemark.pixels.picture import Picture
from platemark.pixels.profiles import Profile, grey, oprgb, srgb
from platemark.pixels.round_trip import round_trip
from platemark.testing import picture_of


@pytest.mark.parametrize("space", [srgb(), oprgb()])
@pytest.mark.parametrize("intent", ["relative", "perceptual"])
def test_the_table_says_what_two_conversions_say(space: Profile, intent: Intent) -> None:
    rng = np.random.default_rng(11)
    picture = picture_of(rng.integers(0, 65536, (100, 100, 3)).astype(np.uint16), profile=space)
    one = round_trip(picture, cmyk_printer(), intent)
    two = picture.converted(cmyk_printer(), intent).converted(space)
    apart = colour_difference(one.lab().astype(np.float64), two.lab().astype(np.float64))
    # 1 is just visible side by side (common practice).
    assert apart.mean() < 0.1
    assert apart.max() < 1


def test_bare_paper_stays_bare() -> None:
    white = picture_of(np.full((4, 4, 3), 65535, np.uint16))
    assert (
        round_trip(white, cmyk_printer()).array() == white.converted(cmyk_printer()).converted(srgb()).array()
    ).all()


def test_a_smooth_ramp_stays_smooth() -> None:
    ramp = picture_of(np.repeat(np.arange(0, 65536, 16, dtype=np.uint16)[None, :, None], 3, axis=2))
    lightness = round_trip(ramp, cmyk_printer()).lab()[0, :, 0]
    assert np.diff(lightness).min() > -0.01


def test_grey_pictures_are_refused() -> None:
    image = pyvips.Image.black(4, 4).cast("ushort")
    with pytest.raises(ValueError, match="not for GRAY"):
        round_trip(Picture.of(image, grey(), 300), cmyk_printer())

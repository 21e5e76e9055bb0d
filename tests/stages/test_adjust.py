"""Adjust: what a test strip has shown to be right."""

import numpy as np
import pytest
from printers import rgb_printer

from platemark import Held, srgb
from platemark.pixels.profiles import grey
from platemark.testing import check_stage, gradient_picture, measure_and_apply, picture_of
from platemark_stages.adjust import Adjust

QUIET = picture_of(np.full((8, 8, 3), (30000, 34000, 38000), np.uint16))


def test_adjust_keeps_the_contract() -> None:
    check_stage(Adjust, gradient_picture(), lightness=4, warmth=-3, saturation=10)
    check_stage(Adjust, picture_of(gradient_picture().array()[..., :1].copy(), profile=grey()), lightness=4)


def test_nothing_is_changed_that_was_not_asked_for() -> None:
    _, after = measure_and_apply(Adjust, QUIET)
    assert after is QUIET


def test_lighter_is_lighter_and_warmer_is_yellower() -> None:
    lab = QUIET.lab()[0, 0]
    assert measure_and_apply(Adjust, QUIET, lightness=4)[1].lab()[0, 0, 0] == pytest.approx(lab[0] + 4, abs=0.1)
    assert measure_and_apply(Adjust, QUIET, warmth=4)[1].lab()[0, 0, 2] == pytest.approx(lab[2] + 4, abs=0.1)


def test_what_is_in_the_printers_colours_is_held() -> None:
    converted = QUIET.converted(rgb_printer())
    with pytest.raises(Held, match=r"in the printer's colours already") as held:
        measure_and_apply(Adjust, converted, lightness=4)
    assert 'before "proof"' in held.value.remedy
    assert converted.profile != srgb()

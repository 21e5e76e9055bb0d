"""Proof: what the paper's profile will do to the colours."""

from io import BytesIO
from typing import Literal

import numpy as np
import pytest
from PIL import Image
from printers import cmyk_printer, grey_paper, rgb_printer

from platemark import Held, Paper, Picture, Profile, colour_difference, srgb
from platemark.pixels.profiles import grey
from platemark.testing import check_stage, gradient_picture, job_for, measure_and_apply, picture_of
from platemark_stages.proof import Proof, ProofParameters

PATCHES = np.array([[[65535] * 3, [32768] * 3, [0] * 3, [65535, 0, 0], [0, 0, 65535]]], np.uint16)


def on(profile: Profile | None, converter: Literal["file", "driver"] = "driver") -> Paper:
    return Paper("rag", profile=profile, converter=converter)


def patches() -> Picture:
    return picture_of(PATCHES.repeat(4, axis=0))


def noticed(picture: Picture, profile: Profile | None, **settings: object) -> dict[str, object]:
    job = job_for(paper=on(profile))
    measure_and_apply(Proof, picture, job, **settings)
    return {notice.name: notice.value for notice in job.notices}


def test_without_a_profile_nothing_is_done_and_that_is_said() -> None:
    picture = gradient_picture()
    job = job_for()
    parameters, after = measure_and_apply(Proof, picture, job)
    assert parameters == ProofParameters(effect="none")
    assert after is picture
    assert Proof().companions(picture, after, parameters) == {}
    assert "no profile" in str(job.notices[0].value)


def test_a_report_leaves_every_pixel_as_it_was() -> None:
    picture = gradient_picture()
    _, after = measure_and_apply(Proof, picture, job_for(paper=on(cmyk_printer())))
    assert after is picture


def test_colours_that_the_printer_has_do_not_move() -> None:
    # The RGB printer of the tests has just the colours of sRGB.
    told = noticed(gradient_picture(), rgb_printer())
    still = ["share_changed", "difference_mean", "difference_p95", "share_out_of_gamut", "share_under_black"]
    assert {name: told[name] for name in still} == pytest.approx(dict.fromkeys(still, 0), abs=0.01)
    assert told["advice"] == "either"
    assert not [name for name in told if name.startswith("loss_")]


def test_colours_beyond_the_printer_are_counted() -> None:
    # White and grey can be printed; of the press's black, red and blue none is as deep as on the screen.
    told = noticed(patches(), cmyk_printer())
    assert 0.2 <= float(str(told["share_changed"])) <= 0.6
    assert float(str(told["difference_p95"])) > 2


def test_converting_embeds_the_printers_profile() -> None:
    _, after = measure_and_apply(Proof, patches(), job_for(paper=on(cmyk_printer(), "file")))
    assert after.profile == cmyk_printer()
    ink = after.array()[0]
    assert ink.shape == (5, 4)
    # Paper white is no ink (media-relative, ICC.1 annex D); grey is the same of cyan, magenta and yellow on this press.
    assert ink[0].max() <= 65535 * 0.01
    assert np.ptp(ink[1, :3].astype(int)) <= 65535 * 0.04


def test_simulating_goes_there_and_back() -> None:
    parameters, after = measure_and_apply(Proof, patches(), job_for(paper=on(cmyk_printer())), effect="simulate")
    assert after.profile == srgb()
    there = patches().converted(cmyk_printer()).converted(srgb())
    # One table stands for two conversions: nobody sees 0.3 CIEDE2000.
    assert colour_difference(after.lab(), there.lab()).max() < 0.3
    white, grey, *_, blue = after.array()[0].astype(int)
    assert white.min() > 65535 * 0.98
    assert np.abs(grey - 32768).max() < 65535 * 0.04
    assert not np.array_equal(blue, PATCHES[0, -1])
    # Manifests that say nothing of a table were made in two conversions, and come out the same again.
    assert np.array_equal(
        Proof().apply(patches(), parameters.model_copy(update={"table": None})).array(), there.array()
    )


def test_simulating_keeps_a_grey_scan_grey() -> None:
    ramp = np.linspace(0, 65535, 64).astype(np.uint16).reshape(1, 64, 1)
    job = job_for(paper=on(cmyk_printer()))
    _, after = measure_and_apply(Proof, picture_of(ramp, profile=grey()), job, effect="simulate", losses=False)
    assert after.profile == grey()
    assert after.array().shape == (1, 64, 1)


def test_the_proof_pictures_are_small_and_in_srgb() -> None:
    picture = gradient_picture(900, 600)
    job = job_for(paper=on(cmyk_printer()))
    parameters, after = measure_and_apply(Proof, picture, job, picture_px=300, losses=False)
    made = Proof().companions(picture, after, parameters)
    assert list(made) == ["proof.jpg", "proof-paper.jpg"]
    for data in made.values():
        shown = Image.open(BytesIO(data))
        assert shown.size == (300, 200)
        assert shown.info["icc_profile"] == srgb().data


def test_the_papers_white_shows_in_one_proof_and_not_in_the_other() -> None:
    white, paper = picture_of(np.full((40, 40, 3), 65535, np.uint16)), grey_paper()
    parameters, after = measure_and_apply(Proof, white, job_for(paper=on(paper)), picture_px=200)
    made = Proof().companions(white, after, parameters)
    plain, shown = (np.asarray(Image.open(BytesIO(made[name])))[10, 10] for name in ("proof.jpg", "proof-paper.jpg"))
    assert plain.min() >= 254
    # ICC.1 annex D: absolute colours are the relative ones times the media white, here four fifths of the light, which
    # is 0.906 of the value in sRGB (IEC 61966-2-1): 1.055 x 0.8^(1 / 2.4) - 0.055.
    assert shown == pytest.approx(0.906 * 255, abs=2)


def test_no_pictures_where_none_are_wanted() -> None:
    picture = gradient_picture()
    job = job_for(paper=on(cmyk_printer()))
    parameters, after = measure_and_apply(Proof, picture, job, picture=False, losses=False)
    assert Proof().companions(picture, after, parameters) == {}


def test_a_screen_profile_for_a_paper_is_held() -> None:
    with pytest.raises(Held, match=r"class mntr for RGB: it describes no printing") as held:
        measure_and_apply(Proof, gradient_picture(), job_for(paper=on(srgb())))
    assert "[paper.rag]" in held.value.remedy


@pytest.mark.parametrize("effect", ["report", "convert", "simulate"])
def test_proof_keeps_the_contract(effect: str) -> None:
    paper = on(cmyk_printer(), "file" if effect == "convert" else "driver")
    check_stage(Proof, gradient_picture(), job_for(paper=paper), effect=effect)


def test_proof_keeps_the_contract_without_a_profile() -> None:
    check_stage(Proof)

"""The losses of a print: figures of both intents, advice, families of colours in words, the map and its scale."""

from io import BytesIO

import imagecodecs
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image, ImageCms
from printers import cmyk_printer, two_way_printer

from platemark import Paper, Picture, Profile, Work, colour_difference, srgb
from platemark.pixels.profiles import romm
from platemark.testing import gradient_picture, job_for, measure_and_apply, picture_of
from platemark_stages.proof import Proof, ProofParameters
from platemark_stages.proof.naming import change_words, colour_words, place_words
from platemark_stages.proof.scale import STEPS, coloured
from platemark_stages.proof.sheet import losses_sheet
from platemark_stages.proof.trips import sampled

Values = NDArray[np.uint16]

# Machado, Oliveira and Fernandes (2009), IEEE Transactions on Visualization and Computer Graphics 15(6), 1291-1298:
# severity 1.0, on linear sRGB.
DICHROMATS = {
    "sees all": np.eye(3),
    "protanopia": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deuteranopia": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.01182, 0.04294, 0.968881]],
    "tritanopia": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.3039]],
}
# Hues and their 8-bit values as CSS Color 4, section 6.1, names them; where it has no such word, the nearest of ours.
CSS = {
    "rose": (199, 21, 133), "red": (178, 34, 34), "red-orange": (255, 69, 0), "orange": (255, 140, 0),
    "brown": (139, 69, 19), "beige": (210, 180, 140), "yellow": (255, 215, 0), "olive": (128, 128, 0),
    "yellow-green": (154, 205, 50), "green": (34, 139, 34), "blue-green": (0, 128, 128), "blue": (65, 105, 225),
    "violet": (128, 0, 128), "pink": (255, 192, 203), "grey": (128, 128, 128), "black": (0, 0, 0),
    "white": (255, 255, 255),
}  # fmt: skip
PPI = 150  # below what overviews are reduced to: what is measured are then the pixels themselves
BLACK_POINT, EXACT = 0x2000, 0x0100  # lcms2.h: flags for black point compensation, and against shortcuts


def told(picture: Picture, profile: Profile, intent: str = "relative") -> dict[str, object]:
    job = job_for(paper=Paper("rag", profile=profile, intent=intent))
    measure_and_apply(Proof, picture, job)
    return {notice.name: notice.value for notice in job.notices}


def of_light(light: NDArray[np.float64]) -> Picture:
    """A picture from linear light. Source: IEC 61966-2-1."""
    value = np.where(light <= 0.0031308, light * 12.92, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)
    return picture_of(np.rint(value * 65535).astype(np.uint16), PPI)


def painted(*patches: tuple[tuple[int, int, int], tuple[slice, slice]]) -> Picture:
    """White paper of 90 x 90 pixels with patches of 8-bit colours."""
    values = np.full((90, 90, 3), 65535, np.uint16)
    for colour, place in patches:
        values[place] = np.array(colour, np.uint16) * 257
    return picture_of(values, PPI)


def by_littlecms(values: Values, printer: Profile, intent: int, flags: int) -> NDArray[np.float32]:
    """CIEDE2000 of a print, converted by lcms2 through another library, in CIELAB of its own."""
    lab = ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes()
    there = {"outcolorspace": "lab", "outdtype": "float32", "intent": 1, "flags": EXACT}
    ink = imagecodecs.cms_transform(
        values, srgb().data, printer.data, colorspace="rgb", outcolorspace="cmyk", intent=intent, flags=flags | EXACT
    )
    before = imagecodecs.cms_transform(values, srgb().data, lab, colorspace="rgb", **there)
    return colour_difference(before, imagecodecs.cms_transform(ink, printer.data, lab, colorspace="cmyk", **there))


@pytest.mark.parametrize(("intent", "number"), [("perceptual", 0), ("relative", 1)])
def test_both_intents_are_measured_as_littlecms_prints_them(intent: str, number: int) -> None:
    picture = gradient_picture(ppi=PPI)
    apart = by_littlecms(picture.array(), two_way_printer(), number, BLACK_POINT)
    found = told(picture, two_way_printer())
    # Two decimals are told; lcms2 rounds inks to 16 bits on other ways here and there.
    assert found[f"{intent}_mean"] == pytest.approx(apart.mean(), abs=0.02)
    assert found[f"{intent}_p95"] == pytest.approx(np.percentile(apart, 95), abs=0.05)
    assert found[f"{intent}_share_changed"] == pytest.approx((apart > 2).mean(), abs=0.005)


def test_the_intent_of_the_paper_is_the_one_that_counts() -> None:
    found = told(gradient_picture(ppi=PPI), two_way_printer(), "perceptual")
    assert found["difference_mean"] == found["perceptual_mean"] != found["relative_mean"]


def test_what_the_press_can_print_is_in_gamut_and_what_it_cannot_is_out() -> None:
    # By its making the press leaves 4 per cent of each third of linear light; its table has 24 steps a side.
    within = np.random.default_rng(3).uniform(0.25, 0.9, (40, 50, 3))
    beyond = within.copy()
    beyond[:, :25, 0], beyond[:, :25, 1] = 0.9, 0.0
    assert told(of_light(within), two_way_printer())["share_out_of_gamut"] == pytest.approx(0, abs=0.01)
    assert told(of_light(beyond), two_way_printer())["share_out_of_gamut"] == pytest.approx(0.5, abs=0.01)


def test_littlecms_finds_the_same_patches_out_of_gamut() -> None:
    light = np.array([[[0.3, 0.3, 0.5], [0.6, 0.5, 0.3], [0.2, 0.4, 0.3], [0.9, 0, 0.9], [0, 0.9, 0.1], [0, 0, 1]]])
    picture = of_light(light)
    screen, press = (ImageCms.ImageCmsProfile(BytesIO(each.data)) for each in (srgb(), two_way_printer()))
    flags, intent = ImageCms.Flags.SOFTPROOFING | ImageCms.Flags.GAMUTCHECK, ImageCms.Intent.RELATIVE_COLORIMETRIC
    check = ImageCms.buildProofTransform(screen, screen, press, "RGB", "RGB", intent, intent, flags)
    seen = np.asarray(ImageCms.applyTransform(Image.fromarray(picture.eight_bits()), check))
    marked = (seen == 127).all(axis=-1)  # lcms2.h: cmsSetAlarmCodes, 0x7F00 in each channel unless told otherwise
    assert np.array_equal(sampled(picture, two_way_printer(), black_point=True).beyond > 2, marked)


def test_shadows_below_the_papers_black_are_counted_in_steps() -> None:
    # Full inks leave 4 per cent of the light: L* 23.7 (CIE 15: 116 x 0.04^(1/3) - 16). A ramp over L* 0 to 100.
    lightness = np.linspace(0, 100, 400)
    light = np.where(lightness > 8, ((lightness + 16) / 116) ** 3, lightness * 27 / 24389)
    ramp = of_light(np.repeat(light[None, :, None], 20, axis=0).repeat(3, axis=2))
    found = told(ramp, two_way_printer())
    assert found["paper_black"] == pytest.approx(23.7, abs=0.1)
    assert found["share_under_black"] == pytest.approx(0.237, abs=0.005)
    assert found["shadow_steps"] == pytest.approx(23.7, abs=0.2)
    # Black point compensation (ISO 18619) draws them together into what paper has, and loses some; it keeps a few.
    assert 2 < float(str(found["relative_shadow_steps"])) < 20


def test_a_picture_within_reach_is_advised_relative() -> None:
    within = of_light(np.random.default_rng(3).uniform(0.25, 0.9, (40, 50, 3)))
    found = told(within, two_way_printer())
    assert found["advice"] == "relative"
    assert "the paper's reach" in str(found["advice_reason"])


def test_a_picture_far_out_of_reach_is_advised_perceptual() -> None:
    # Reds of a wide working space: clipped to the edge of the press many become one, drawn together they stay apart.
    reds = np.random.default_rng(3).uniform((0.6, 0, 0), (0.8, 0.3, 0.3), (60, 60, 3))
    found = told(picture_of(np.rint(reds * 65535).astype(np.uint16), PPI, romm()), two_way_printer())
    assert found["advice"] == "perceptual"
    assert "keeps" in str(found["advice_reason"])


def test_a_strong_red_in_the_upper_left_is_told_in_words() -> None:
    found = told(painted(((255, 0, 0), np.s_[:30, :30]), ((0, 0, 255), np.s_[60:, 60:])), cmyk_printer())
    sentences = [str(value) for name, value in found.items() if name.startswith("loss_")]
    assert len(sentences) == 2
    red, blue = sorted(sentences, key=lambda sentence: "blue" in sentence)
    assert red.startswith("the strong red in the upper left prints ")
    assert "duller" in red
    assert "(11 per cent of the picture, moved by" in red  # 30 x 30 of 90 x 90
    assert blue.startswith("the deep blue in the lower right prints ")


def test_at_most_five_families_are_told_and_a_speck_is_none() -> None:
    # 2 x 2 of 90 x 90 pixels are less than what a thumbnail covers on A4.
    speck = told(painted(((255, 0, 0), np.s_[:2, :2])), cmyk_printer())
    assert not [name for name in speck if name.startswith("loss_")]
    many = told(gradient_picture(ppi=PPI), cmyk_printer())
    assert [name for name in many if name.startswith("loss_")] == [f"loss_{n}" for n in range(1, 6)]


def test_swatches_show_a_colour_of_the_picture_and_its_print() -> None:
    picture = painted(((255, 0, 0), np.s_[:, :40]))
    parameters, _ = measure_and_apply(Proof, picture, job_for(paper=Paper("rag", profile=cmyk_printer())))
    assert isinstance(parameters, ProofParameters)
    ((_, _, original, there),) = parameters.families
    seen = picture.converted(cmyk_printer()).converted(srgb(), black_point=False).eight_bits()[0, 0]
    assert (original, there) == ("#ff0000", "#{:02x}{:02x}{:02x}".format(*seen))


@pytest.mark.parametrize("word", CSS)
def test_colours_have_the_names_of_css(word: str) -> None:
    lab = picture_of(np.array([[CSS[word]]], np.uint16) * 257).lab()[0, 0]
    assert colour_words((float(lab[0]), float(lab[1]), float(lab[2]))).split()[-1] == word


@pytest.mark.parametrize(
    ("before", "after", "words"),
    [
        ((50, 60, 0), (50, 25, 0), "much duller"),
        ((50, 20, 0), (38, 20, 0), "much darker"),
        ((50, 0, 0), (53, 0, 0), "a little lighter"),
        ((60, 40, 40), (60, 47, 31), "redder"),  # from orange towards red
        ((60, 40, 40), (60, 31, 47), "yellower"),
        ((30, 20, -60), (30, 30, -56), "redder"),  # from blue over violet
        ((50, 0, 0), (50, 0, -8), "bluer"),  # a grey gets a tinge
        ((50, 40, 0), (56, 28, 0), "lighter and duller"),
    ],
)
def test_what_became_of_a_colour_is_said(before: tuple, after: tuple, words: str) -> None:
    apart = float(colour_difference(np.array([[before]], np.float32), np.array([[after]], np.float32))[0, 0])
    said = change_words(before, after, apart)
    assert words in said or set(words.split(" and ")) == set(said.split(" and "))


@pytest.mark.parametrize(
    ("x", "y", "words"),
    [
        ((0.4, 0.6), (0.4, 0.6), "in the centre"),
        ((0.7, 1.0), (0.7, 1.0), "in the lower right"),
        ((0.0, 0.3), (0.0, 1.0), "on the left"),
        ((0.0, 1.0), (0.0, 0.3), "along the top"),
        ((0.4, 0.6), (0.0, 0.3), "at the top"),
        ((0.0, 1.0), (0.0, 1.0), "in many places"),
    ],
)
def test_where_a_colour_lies_is_said(x: tuple[float, float], y: tuple[float, float], words: str) -> None:
    across, down = np.meshgrid(np.linspace(*x, 30), np.linspace(*y, 30))
    assert place_words(across.ravel(), down.ravel()) == words


@pytest.mark.parametrize("eye", DICHROMATS)
def test_the_steps_of_the_map_stay_apart_for_every_eye(eye: str) -> None:
    values = np.array([[step.colour for step in STEPS]]) / 255
    light = np.where(values <= 0.04045, values / 12.92, ((values + 0.055) / 1.055) ** 2.4)
    lab = of_light(np.clip(light @ np.array(DICHROMATS[eye]).T, 0, 1)).lab()
    # 10 is several times what is plain to see, so that steps are told apart also where they do not touch.
    assert colour_difference(lab[:, 1:], lab[:, :-1]).min() > 10
    assert np.diff(lab[0, :, 0]).max() < -8, "each step is darker than the one before"


def test_the_map_shows_each_difference_in_its_steps_colour() -> None:
    shown = coloured(np.array([[0, 0.99, 1, 3, 4, 15.9, 16, 90]], np.float32))[0]
    numbers = [0, 0, 1, 2, 3, 4, 5, 5]
    assert [tuple(colour) for colour in shown] == [STEPS[number].colour for number in numbers]


@pytest.mark.parametrize(("width", "height"), [(300, 200), (200, 300), (900, 30), (20, 700), (1, 1)])
def test_the_sheet_of_losses_has_room_for_any_shape_of_picture(width: int, height: int) -> None:
    picture = gradient_picture(width, height)
    job = job_for(paper=Paper("rag", profile=cmyk_printer()), work=Work("heron", title="Heron at 鷺 dusk"))
    parameters, after = measure_and_apply(Proof, picture, job, picture=False)
    assert isinstance(parameters, ProofParameters)
    assert parameters.figures[0] == "Heron at dusk on rag"  # the font has no such sign
    shown = Image.open(BytesIO(Proof().companions(picture, after, parameters)["losses.jpg"]))
    assert shown.width == 1600
    assert 500 < shown.height < 2000


def test_long_sentences_do_not_run_over_the_next_pair() -> None:
    picture = Image.new("RGB", (400, 300))
    longest = "the dark muted yellow-green along the bottom prints much stronger and yellower"
    pair = (longest, "less than 1 per cent of the picture, moved by 12.3", "#203010", "#304010")
    sheet = np.asarray(losses_sheet([picture] * 3, ["A title", "A line"], [pair] * 5))
    right = sheet[-600:, 1000:].min(axis=(1, 2)) < 128  # rows with ink
    gaps = np.flatnonzero(np.diff(right.astype(int)) == 1)
    assert len(gaps) >= 5 * 2, "every pair keeps its lines apart from the next one's"
    assert not sheet[:, -30:].min() < 250, "nothing runs into the margin"

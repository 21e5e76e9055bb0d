"""Trial strip: the artwork's own telling places, on their part of the sheet."""

import numpy as np
import pytest
from numpy.typing import NDArray

from platemark import Held, Picture, Work
from platemark.pixels.profiles import grey
from platemark.testing import check_stage, job_for, measure_and_apply, picture_of
from platemark_stages.trial_strip import TrialStrip, TrialStripParameters

PPI = 72
MM = PPI / 25.4
A4 = {"sheet": "A4", "orientation": "portrait", "border": 0, "ppi": PPI}
# IEC 61966-2-1 primaries carried to D50 by Bradford, as published with CSS Color 4; D50 of ICC.1.
_TO_D50 = np.array([[0.43604125, 0.38511291, 0.14304584], [0.22248454, 0.71690508, 0.06061038],
                    [0.01392019, 0.09706724, 0.71391257]])  # fmt: skip
_D50 = np.array([0.9642, 1.0, 0.8249])
# Where each stands in the invented artwork: left, top, width, height in millimetres, and 8-bit sRGB.
PALE, DARK, RED, MIDDLE = (
    ((20, 20, 50, 40), (206, 222, 232)),
    ((90, 20, 50, 40), (34, 36, 52)),
    ((20, 90, 50, 40), (222, 60, 40)),
    ((90, 90, 50, 40), (128, 122, 118)),
)


def artwork(ppi: float = PPI) -> Picture:
    """Four fields of paint on a sheet of 160 x 150 mm."""
    scale = ppi / 25.4
    sheet = np.full((round(150 * scale), round(160 * scale), 3), (247, 245, 238), np.uint8)
    for (left, top, width, height), paint in (PALE, DARK, RED, MIDDLE):
        x, y, right, below = (round(mm * scale) for mm in (left, top, left + width, top + height))
        sheet[y:below, x:right] = paint
    return picture_of(sheet.astype(np.uint16) * 257, ppi)


def strip(place: str = "1of4", art: Picture | None = None, **settings: object) -> tuple[TrialStripParameters, Picture]:
    job = job_for(work=Work("heron", title="Heron"), **A4)
    parameters, after = measure_and_apply(TrialStrip, art or artwork(), job, place=place, **settings)
    assert isinstance(parameters, TrialStripParameters)
    return parameters, after


def shown(parameters: TrialStripParameters, page: Picture, number: int) -> NDArray[np.uint16]:
    """The pixels of a patch, without its rim."""
    patch = parameters.patches[number]
    return page.array()[patch.y + 4 : patch.y + patch.height - 4, patch.x + 4 : patch.x + patch.width - 4]


def lab(pixels: NDArray[np.uint16]) -> NDArray[np.float64]:
    """CIELAB (D50) of sRGB pixels. Source: CIE 15 and the constants above."""
    code = pixels / 65535
    light = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    share = light @ _TO_D50.T / _D50
    f = np.where(share > (6 / 29) ** 3, np.cbrt(share), share * (29 / 6) ** 2 / 3 + 4 / 29)
    return np.stack([116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])], axis=-1)


@pytest.mark.parametrize(("number", "field"), [(0, PALE), (1, DARK), (2, RED)])
def test_the_palest_the_darkest_and_the_most_colourful_are_found(
    number: int, field: tuple[tuple[int, ...], tuple[int, ...]]
) -> None:
    parameters, page = strip()
    middle = shown(parameters, page, number)
    assert np.abs(middle.mean(axis=(0, 1)) / 257 - field[1]).max() < 12, "mostly that paint"
    patch = parameters.patches[number]
    (left, top, width, height), _ = field
    assert left - 15 < (patch.left + patch.piece_width / 2) / MM < left + width + 15
    assert top - 15 < (patch.top + patch.piece_height / 2) / MM < top + height + 15


def test_paper_alone_is_no_palest_wash() -> None:
    parameters, page = strip()
    paper = np.array((247, 245, 238)) * 257
    assert np.mean(np.abs(shown(parameters, page, 0).astype(int) - paper).max(axis=-1) < 500) < 0.5


def test_pieces_are_shown_in_the_size_of_the_original() -> None:
    for ppi in (72.0, 150.0):
        patch = strip(art=artwork(ppi))[0].patches[0]
        assert patch.piece_width / ppi == pytest.approx(patch.width / PPI, abs=0.5 / PPI)


def test_the_ring_differs_from_its_middle_by_what_is_written_below() -> None:
    parameters, page = strip()
    middle, *ring = range(3, 10)
    before = lab(shown(parameters, page, middle)).mean(axis=(0, 1))
    moved = {}
    for number in ring:
        patch = parameters.patches[number]
        moved[patch.lightness, patch.warmth, patch.saturation] = (
            lab(shown(parameters, page, number)).mean(axis=(0, 1)) - before
        )
    assert set(moved) == {(4, 0, 0), (-4, 0, 0), (0, 4, 0), (0, -4, 0), (0, 0, 15), (0, 0, -15)}
    assert moved[4, 0, 0][0] > 1 > -1 > moved[-4, 0, 0][0]
    assert moved[0, 4, 0][2] > 1 > -1 > moved[0, -4, 0][2]
    written = {line.text for line in parameters.lines}
    assert {"lighter: lightness = 4", "cooler: warmth = -4", "stronger: saturation = 15", "as it is"} <= written


def test_a_second_strip_goes_on_from_the_first() -> None:
    parameters, _ = strip("2of4", lightness=4)
    written = {line.text for line in parameters.lines}
    assert {"lightness = 4", "lighter: lightness = 8", "darker: lightness = 0"} <= written
    assert all(patch.lightness == 4 for patch in parameters.patches[3:] if patch.warmth or patch.saturation)


@pytest.mark.parametrize("place", ["1of4", "2of4", "4of4", "2of3"])
def test_a_strip_leaves_the_rest_of_the_sheet_bare(place: str) -> None:
    number, count = int(place[0]), int(place[-1])
    _, page = strip(place)
    array = page.array()
    # ISO 216: A4 is 210 x 297 mm.
    assert array.shape[:2] == (round(297 * MM), round(210 * MM))
    inked = np.flatnonzero((array < 65535).any(axis=(1, 2))) / MM
    assert (number - 1) * 297 / count + 3 < inked.min()
    assert inked.max() < number * 297 / count - 3


def test_strips_of_one_sheet_do_not_touch() -> None:
    inked = [(strip(f"{number}of4")[1].array() < 65535).any(axis=-1) for number in (1, 2, 3, 4)]
    assert np.sum(inked, axis=0).max() == 1


def test_the_grey_ramp_is_neutral_and_even() -> None:
    parameters, page = strip()
    array = page.array()
    greys = np.array([array[tone.y + 3, tone.x + 3] for tone in parameters.tones])
    assert (greys == greys[:, :1]).all()
    assert lab(greys[None])[0, :, 0] == pytest.approx(np.arange(0, 101, 10), abs=0.05)


def test_a_grey_picture_is_only_made_lighter_and_darker() -> None:
    art = picture_of(artwork().array()[..., :1].copy(), PPI, grey())
    parameters, page = strip(art=art)
    assert page.profile == grey()
    assert {(patch.warmth, patch.saturation) for patch in parameters.patches} == {(0, 0)}
    assert {patch.lightness for patch in parameters.patches} == {0, 4, -4}


def test_a_part_that_is_too_small_to_judge_is_held() -> None:
    with pytest.raises(Held, match="too small to judge") as held:
        strip("1of8")
    assert "fewer parts" in held.value.remedy


def test_an_artwork_smaller_than_a_patch_is_shown_whole() -> None:
    art = picture_of(artwork().array()[60:100, 60:110].copy(), PPI)
    parameters, _ = strip(art=art)
    assert all(patch.left + patch.piece_width <= 50.01 for patch in parameters.patches)
    assert all(patch.top + patch.piece_height <= 40.01 for patch in parameters.patches)


def test_a_blank_sheet_still_makes_a_strip() -> None:
    assert strip(art=picture_of(np.full((300, 300, 3), 63000, np.uint16), PPI))[0].patches


@pytest.mark.parametrize("place", ["5of4", "half", "0of2"])
def test_a_part_that_there_is_not_is_told(place: str) -> None:
    with pytest.raises(ValueError, match="2of4"):
        strip(place)


def test_trial_strip_keeps_the_contract() -> None:
    check_stage(TrialStrip, artwork(), job_for(**A4), place="2of4", warmth=2)

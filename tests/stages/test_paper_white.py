"""Paper white: bare paper prints as bare paper, washes and paint stay what they are."""

import numpy as np
import pytest
import pyvips
from numpy.typing import NDArray

from platemark import Held, Picture, colour_difference
from platemark.pixels.profiles import grey
from platemark.testing import check_stage, job_for, measure_and_apply, picture_of
from platemark_stages.paper_white import PaperWhite, PaperWhiteParameters
from platemark_stages.paper_white.distance import axes_at, squared
from platemark_stages.paper_white.lamp import levelled

PPI = 200.0
ROWS, COLUMNS = 320, 400  # 41 x 51 mm
CREAM = (240.0, 236.0, 224.0)
BOX = slice(100, 220), slice(120, 280)
INSIDE = slice(106, 214), slice(126, 274)  # of the box, clear of its blurred edge
Light = NDArray[np.float64]


def paper(colour: tuple[float, ...] = CREAM) -> Light:
    """Bare paper, 8-bit levels, shape (rows, columns, channels)."""
    return np.ones((ROWS, COLUMNS, 1)) * np.array(colour)


def painted(colour: tuple[float, ...], where: tuple[slice, slice] = BOX) -> Light:
    light = paper()
    light[where] = colour
    return light


def lamp() -> Light:
    """Light that falls off to the right and to the bottom by some per cent, as of a worn lamp."""
    y, x = np.mgrid[0:ROWS, 0:COLUMNS]
    return (1.01 - 0.03 * (x / COLUMNS) ** 2 - 0.015 * y / ROWS)[..., None]


def scanned(light: Light, noise: float = 0.4, shine: Light | float = 1.0) -> Picture:
    """What a scanner reads: blurred by its optics, with the noise of its sensor."""
    soft = pyvips.Image.new_from_array(light * shine).gaussblur(0.6, precision="float").numpy()
    values = soft.reshape(light.shape) + np.random.Generator(np.random.PCG64(5)).normal(0, noise, light.shape)
    profile = grey() if light.shape[2] == 1 else None
    return picture_of(np.rint(np.clip(values, 0, 255) * 257).astype(np.uint16), PPI, profile)


def hue_and_chroma_apart(a: Picture, b: Picture) -> NDArray[np.float32]:
    """CIEDE2000 without its term of lightness."""
    one, two = a.lab().copy(), b.lab().copy()
    one[..., 0] = two[..., 0] = (one[..., 0] + two[..., 0]) / 2
    return colour_difference(one, two)


def whitened(picture: Picture, **settings: object) -> tuple[PaperWhiteParameters, Picture]:
    parameters, after = measure_and_apply(PaperWhite, picture, job_for(), **settings)
    assert isinstance(parameters, PaperWhiteParameters)
    return parameters, after


@pytest.mark.parametrize("decision", ["white", "fade"])
def test_it_keeps_the_contract_of_a_stage(decision: str) -> None:
    check_stage(PaperWhite, scanned(painted((190, 120, 90)), shine=lamp()), job_for(), paper=decision, fade="4 mm")


def test_a_picture_without_paper_keeps_the_contract_too() -> None:
    check_stage(PaperWhite)


@pytest.mark.parametrize("colour", [(246.0, 246.0, 244.0), CREAM])
def test_a_blank_sheet_under_an_uneven_lamp_becomes_white_to_the_last_value(colour: tuple[float, ...]) -> None:
    _, after = whitened(scanned(paper(colour), shine=lamp()))
    assert (after.array() == 65535).all()


def test_no_tint_stays_around_the_art_and_no_dot_beside_it() -> None:
    _, after = whitened(scanned(painted((60, 70, 110)), shine=lamp()))
    bare = np.ones((ROWS, COLUMNS), np.bool_)
    bare[96:224, 116:284] = False  # half a millimetre around the box: optics blur its edge
    assert (after.array()[bare] == 65535).all()


def test_a_blank_between_strokes_becomes_white() -> None:
    light = paper()
    for row in range(100, 220, 24):
        light[row : row + 6, 60:340] = (50, 50, 60)
    _, after = whitened(scanned(light))
    assert (after.array()[138:140, 80:320] == 65535).all()


@pytest.mark.parametrize("colour", [(200, 60, 50), (70, 140, 80), (40, 60, 150), (235, 215, 90), (150, 145, 140)])
def test_paint_keeps_its_hue_and_chroma(colour: tuple[float, ...]) -> None:
    picture = scanned(painted(colour))
    _, after = whitened(picture)
    # The aim: less than 1.0, which is just visible.
    assert hue_and_chroma_apart(picture, after)[INSIDE].max() < 1.0


@pytest.mark.parametrize("colour", [(234, 232, 222), (240, 228, 216), (236, 236, 210)])
def test_a_pale_wash_is_not_cut_off_and_can_still_be_told_from_the_paper(colour: tuple[float, ...]) -> None:
    picture = scanned(painted(colour))
    before = picture.lab()
    apart = float(
        colour_difference(before[INSIDE].mean(axis=(0, 1))[None, None], before[10:60, 10:60].mean((0, 1))[None, None])[
            0, 0
        ]
    )
    assert 1.5 < apart < 6  # it is a pale wash
    _, after = whitened(picture)
    assert (after.array()[INSIDE].min(axis=2) < 65535).all()
    now = after.lab()[INSIDE].mean(axis=(0, 1))[None, None]
    white = np.array([[[100, 0, 0]]], np.float32)
    assert float(colour_difference(now, white)[0, 0]) > 0.7 * apart


def test_darker_washes_come_out_darker() -> None:
    light = paper()
    steps = np.linspace(1.0, 0.9, 12)
    for number, step in enumerate(steps):
        light[80:240, 40 + 26 * number : 66 + 26 * number] *= step
    _, after = whitened(scanned(light, noise=0.2))
    means = [after.lab()[90:230, 44 + 26 * n : 62 + 26 * n, 0].mean() for n in range(12)]
    assert (np.diff(means) <= 0).all()
    assert means[0] == pytest.approx(100, abs=0.01)


def test_a_faint_pencil_line_stays() -> None:
    light = paper()
    light[150:153, 60:340] -= 14  # under half a millimetre, some four units off the paper
    picture = scanned(light)
    _, after = whitened(picture)
    contrast = [p.lab()[140:165, 80:320, 0].mean(axis=1) for p in (picture, after)]
    depth = [float(c.max() - c.min()) for c in contrast]
    assert depth[1] > 0.8 * depth[0]


def test_art_to_every_edge_is_left_alone_and_that_is_said() -> None:
    y, x = np.mgrid[0:ROWS, 0:COLUMNS] / 60.0
    light = np.stack([150 + 90 * np.sin(x + k) * np.cos(y * 0.7 + k) for k in range(3)], axis=-1)
    picture, job = scanned(light), job_for()
    parameters, after = measure_and_apply(PaperWhite, picture, job)
    assert (after.array() == picture.array()).all()
    assert parameters.model_dump()["decision"] == "keep"
    assert [notice.warning for notice in job.notices if "left as it is" in notice.warning]


def test_a_flat_pale_sky_to_three_edges_is_no_paper() -> None:
    light = paper((228, 234, 238))
    light[170:] = (90, 120, 70)
    picture, job = scanned(light), job_for()
    _, after = measure_and_apply(PaperWhite, picture, job)
    assert (after.array() == picture.array()).all()
    assert "all four edges" in job.notices[0].warning


def test_pale_clouds_all_over_the_sheet_are_no_paper() -> None:
    cloudy = np.random.Generator(np.random.PCG64(8)).normal(0, 1, (ROWS, COLUMNS, 1))
    soft = pyvips.Image.new_from_array(cloudy).gaussblur(14, precision="float").numpy().reshape(cloudy.shape)
    picture = scanned(paper((243, 234, 208)) - soft / soft.std() * np.array([1.0, 3.0, 6.0]))
    _, after = whitened(picture)
    assert (after.array() == picture.array()).all()


def test_kept_tint_changes_no_value() -> None:
    picture = scanned(painted((60, 70, 110)), shine=lamp())
    parameters, after = whitened(picture, paper="keep")
    assert (after.array() == picture.array()).all()
    assert parameters.paper  # and a ticket needs to change one word only


def test_the_ticket_changes_the_decision_with_what_was_measured() -> None:
    picture = scanned(painted((60, 70, 110)))
    kept, _ = whitened(picture, paper="keep")
    _, white = whitened(picture)
    corrected = PaperWhiteParameters.model_validate({**kept.model_dump(), "decision": "white"})
    assert (PaperWhite().apply(picture, corrected).array() == white.array()).all()


def test_the_ticket_can_tell_the_paper_where_none_is_found() -> None:
    picture = scanned(painted((200, 60, 50), (slice(0, ROWS), slice(0, COLUMNS - 8))))
    told = PaperWhiteParameters(decision="white", paper=[round(value * 257) for value in CREAM])
    after = PaperWhite().apply(picture, told)
    assert (after.array()[:, -4:] == 65535).all()


def test_a_paper_with_too_few_values_in_the_ticket_is_said() -> None:
    told = PaperWhiteParameters(decision="white", paper=[60000])
    with pytest.raises(Held, match="1 values and the picture 3 channels"):
        PaperWhite().apply(scanned(paper()), told)


def test_fading_keeps_the_tint_by_the_art_and_ends_in_white() -> None:
    picture = scanned(painted((60, 70, 110)))
    _, after = whitened(picture, paper="fade", fade="5 mm")
    tint = picture.array()[104:216, 112:116].mean(axis=(0, 1))
    assert after.array()[104:216, 112:116].mean(axis=(0, 1)) == pytest.approx(tint, rel=0.01)
    values = after.array()
    edges = (values[:2], values[-2:], values[:, :2], values[:, -2:])
    assert all((edge == 65535).all() for edge in edges)
    # No step to be seen on the way: 5 mm are 39 pixels, so less than a tenth of the tint each.
    across = values[160, :108, 2].astype(np.float64)
    smooth = np.convolve(across, np.ones(5) / 5, mode="valid")
    assert np.abs(np.diff(smooth)).max() < 0.1 * (65535 - tint[2])


def test_a_grey_scan_is_whitened_as_well() -> None:
    light = np.full((ROWS, COLUMNS, 1), 238.0)
    light[BOX] = 90
    _, after = whitened(scanned(light))
    assert (after.array()[:90] == 65535).all()
    assert after.array()[INSIDE].mean() == pytest.approx(90 * 257, rel=0.01)


def test_how_much_was_touched_stands_in_the_manifest() -> None:
    job = job_for()
    measure_and_apply(PaperWhite, scanned(painted((60, 70, 110)), shine=lamp()), job)
    told = {notice.name: notice.value for notice in job.notices}
    art = 120 * 160 / (ROWS * COLUMNS)
    assert told["share_art"] == pytest.approx(art, abs=0.02)
    assert told["share_blank"] == pytest.approx(1 - art, abs=0.03)
    assert told["share_of_art_moved"] < 0.1
    assert told["lamp_percent"] == pytest.approx(100 * (lamp().max() - lamp().min()), abs=0.3)


def test_the_lamp_is_divided_out_as_its_polynomial_says() -> None:
    factors = [-0.02, 0.01, 0.015, -0.005, 0.01]
    image = pyvips.Image.black(200, 150).linear([1], [40000]).cast("ushort")
    level = levelled(image, [factors]).numpy().reshape(150, 200)
    y, x = (np.mgrid[0:150, 0:200] + 0.5) / np.array([150, 200])[:, None, None] * 2 - 1
    a, b, c, d, e = factors
    expected = 40000 / (1 + a * x + b * y + c * (x * x - 1 / 3) + d * x * y + e * (y * y - 1 / 3))
    # The gains have 15 bits after the point, and straight lines between 17 knots.
    assert np.abs(level - expected).max() < 12


def test_the_measured_distance_calls_no_colour_nearer_than_ciede2000_does() -> None:
    bare = picture_of(np.rint(np.array(CREAM) * 257).astype(np.uint16)[None, None])
    colours = np.random.Generator(np.random.PCG64(3)).uniform(-16, 8, (1, 4000, 3)) + np.array(CREAM)
    others = picture_of(np.rint(np.clip(colours, 0, 255) * 257).astype(np.uint16))
    true = colour_difference(np.repeat(bare.lab(), 4000, axis=1), others.lab())[0]
    told = squared(
        others.pixels(), [int(v) for v in bare.array()[0, 0]], axes_at(bare.array()[0, 0].tolist(), bare.profile)
    )
    near = (true > 2) & (true < 6)
    ratio = np.sqrt(told.numpy().reshape(-1).astype(np.float64))[near] / 8 / true[near]
    assert near.sum() > 500
    assert ratio.min() > 0.97
    assert ratio.max() < 2.5

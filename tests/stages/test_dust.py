"""Dust: specks, hairs and streaks come off, ink stays."""

from io import BytesIO
from itertools import pairwise

import numpy as np
import pytest
import pyvips
from numpy.typing import NDArray
from PIL import Image

from platemark import Picture, srgb
from platemark.testing import check_stage, job_for, measure_and_apply, picture_of
from platemark_stages.dust import Dust, DustParameters
from platemark_stages.dust.spots import along

PPI = 300.0
PAPER = 240.0
Light = NDArray[np.float64]


def paper(height: int = 320, width: int = 360, seed: int = 1) -> Light:
    """Bare paper with the noise of a sensor, 0 to 255, shape (rows, columns, 3)."""
    return PAPER + np.random.Generator(np.random.PCG64(seed)).normal(0, 0.8, (height, width, 3))


def disc(light: Light, x: float, y: float, radius: float, colour: tuple[float, float, float]) -> None:
    """Paint a disc whose edge is as sharp as a sensor sees it."""
    top, left = int(y - radius) - 1, int(x - radius) - 1
    part = light[top : int(y + radius) + 2, left : int(x + radius) + 2]
    rows, columns = np.mgrid[top : top + part.shape[0], left : left + part.shape[1]] + 0.5
    cover = np.clip(radius + 0.5 - np.hypot(columns - x, rows - y), 0, 1)[..., None]
    part += cover * (np.array(colour) - part)


def line(light: Light, start: tuple[float, float], end: tuple[float, float], radius: float, value: float) -> None:
    """Paint a line, disc by disc."""
    for share in np.linspace(0, 1, 2 * round(float(np.hypot(end[0] - start[0], end[1] - start[1])))):
        x, y = (a + share * (b - a) for a, b in zip(start, end, strict=True))
        disc(light, x, y, radius, (value, value, value))


def scanned(light: Light, ppi: float = PPI) -> Picture:
    """The picture of such light."""
    return picture_of(np.rint(np.clip(light, 0, 255) * 257).astype(np.uint16), ppi)


def decided(light: Light, **settings: object) -> DustParameters:
    """What the stage decides."""
    parameters, _ = measure_and_apply(Dust, scanned(light), job_for(), **settings)
    assert isinstance(parameters, DustParameters)
    return parameters


@pytest.fixture
def dusty() -> Light:
    """Paper with one grey speck of 0.4 mm."""
    light = paper()
    disc(light, 200.5, 120.5, 2.4, (150, 150, 150))
    return light


def test_a_speck_is_listed_where_it_lies_in_pixels_of_the_scan(dusty: Light) -> None:
    [(x, y, radius)] = decided(dusty).spots
    assert (x, y) == pytest.approx((200.5, 120.5), abs=1)
    assert 2.4 < radius < 8


def test_the_speck_is_gone_and_the_paper_around_it_untouched(dusty: Light) -> None:
    picture = scanned(dusty)
    parameters, after = measure_and_apply(Dust, picture, job_for())
    mended, scan = after.array() / 257.0, picture.array() / 257.0
    # Noise of 0.8 and seven hundred values: five sigma.
    assert np.abs(mended[110:132, 190:212] - PAPER).max() < 5
    rows, columns = np.nonzero((mended != scan).any(axis=2))
    [(x, y, radius)] = parameters.model_dump()["spots"]
    assert np.hypot(columns + 0.5 - x, rows + 0.5 - y).max() <= radius


def test_what_was_filled_has_the_grain_of_its_surroundings(dusty: Light) -> None:
    _, after = measure_and_apply(Dust, scanned(dusty), job_for())
    mended = after.array()[118:124, 198:204] / 257.0
    # Smooth filling would have a deviation near 0; the noise was drawn with 0.8.
    assert 0.4 < mended.std() < 1.6


def test_the_edge_of_a_wash_runs_on_through_a_filled_spot() -> None:
    light = paper()
    light[:, 180:] -= 90
    parameters = DustParameters(spots=[(180.0, 160.0, 7.0)])
    dirty = light.copy()
    disc(dirty, 180, 160, 5, (60, 60, 60))
    mended = Dust().apply(scanned(dirty), parameters).array() / 257.0
    # Half the step: whoever blurs the edge is further off beside it.
    assert np.abs(mended[150:170, 170:190] - light[150:170, 170:190]).max() < 45


def test_a_bright_speck_on_dark_paint_is_found() -> None:
    light = paper() - 180
    disc(light, 150.5, 200.5, 2.2, (120, 120, 120))
    assert len(decided(light).spots) == 1


def test_a_curved_hair_is_found_and_taken_off() -> None:
    light = paper()
    bent(light, 0.6, 205)
    parameters, after = measure_and_apply(Dust, scanned(light), job_for())
    assert len(parameters.model_dump()["hairs"]) == 1
    assert np.abs(after.array() / 257.0 - PAPER).max() < 7


def bent(light: Light, radius: float, value: float, down: float = 0) -> None:
    """Paint an arc of 8 mm, half a pixel a step."""
    for angle in np.linspace(0.2, 1.6, 200):
        disc(light, 120 + 70 * np.cos(angle), 130 + down + 70 * np.sin(angle), radius, (value, value, value))


def test_a_bright_hair_on_dark_paint_is_found() -> None:
    light = paper() - 180
    bent(light, 0.6, 110)
    assert len(decided(light).hairs) == 1


def test_a_hair_is_covered_to_its_ends() -> None:
    light = paper()
    bent(light, 0.6, 205)
    xy = np.array(decided(light).hairs[0][1:]).reshape(-1, 2)
    for angle in (0.2, 1.6):
        end = 120.5 + 70 * np.cos(angle), 130.5 + 70 * np.sin(angle)
        assert np.hypot(*(xy - end).T).min() < 5


def test_a_stroke_of_the_pen_is_no_hair() -> None:
    light = paper()
    bent(light, 1.8, 40)
    assert decided(light).hairs == []


def test_thin_lines_side_by_side_are_hatching() -> None:
    light = paper()
    for down in (0, 22, 44):
        bent(light, 0.6, 205, down)
    assert decided(light).hairs == []


def test_a_thin_line_of_colour_is_paint() -> None:
    light = paper()
    for angle in np.linspace(0.2, 1.6, 200):
        disc(light, 120 + 70 * np.cos(angle), 130 + 70 * np.sin(angle), 0.6, (215, 160, 150))
    assert decided(light).hairs == []


def test_the_dark_rim_of_a_wash_is_no_hair() -> None:
    light = paper()
    rows, columns = np.mgrid[: light.shape[0], : light.shape[1]]
    light[columns > 150 + rows / 4] -= 30
    line(light, (165, 60), (215, 260), 0.6, 170)
    assert decided(light).hairs == []


def test_a_line_along_a_column_is_the_sensors() -> None:
    light = paper()
    light[60:260, 150:152] -= 20
    assert decided(light).hairs == []


@pytest.mark.parametrize("colour", [(190, 60, 50), (60, 90, 190), (60, 140, 70)], ids=["red", "blue", "green"])
def test_a_dot_of_colour_is_paint(colour: tuple[float, float, float]) -> None:
    light = paper()
    disc(light, 200.5, 120.5, 2.4, colour)
    assert decided(light).spots == []


def test_the_dot_beside_a_stroke_of_the_pen_stays() -> None:
    light = paper()
    line(light, (150, 80), (150, 240), 2, 40)
    disc(light, 162.5, 120.5, 2.4, (40, 40, 40))
    assert decided(light).spots == []


def test_dots_that_stand_together_stay() -> None:
    light = paper()
    for i in range(7):
        for j in range(6):
            disc(light, 60.5 + 38 * i, 50.5 + 40 * j, 2.2, (60, 60, 60))
    assert decided(light).spots == []


def test_white_paper_left_between_strokes_is_no_bright_speck() -> None:
    light = paper()
    for x, y in ((90, 90), (200, 120), (120, 230), (260, 220)):
        light[y - 14 : y + 15, x - 14 : x + 15] = 50
        disc(light, x, y, 2.4, (PAPER, PAPER, PAPER))
        light[y - 14 : y + 15, x - 3] = light[y - 14 : y + 15, x + 3] = 20
    assert decided(light).spots == []


def test_a_speck_is_found_beside_a_drawing_that_fills_the_next_centimetre() -> None:
    light = paper()
    for y in range(20, 300, 12):
        line(light, (10, y), (150, y), 1.5, 60)
    disc(light, 200.5, 160.5, 1.6, (170, 170, 170))
    [(x, y, _)] = decided(light).spots
    assert (x, y) == pytest.approx((200.5, 160.5), abs=1)


def test_rough_paper_is_not_dusty() -> None:
    random = np.random.Generator(np.random.PCG64(4))
    coarse = random.normal(0, 6, (107, 120, 1))
    grain = np.repeat(np.repeat(coarse, 3, axis=0), 3, axis=1)[:320, :360]
    assert decided(paper() + grain).spots == []


def test_line_art_is_left_alone_unless_it_is_asked_for(dusty: Light) -> None:
    assert decided(dusty, art="line") == DustParameters()
    assert len(decided(dusty, art="line", strength="careful").spots) == 1


def test_thorough_takes_what_careful_leaves_beside_a_stroke() -> None:
    light = paper()
    line(light, (150, 80), (150, 240), 2, 40)
    disc(light, 167.5, 120.5, 2.4, (150, 150, 150))
    assert len(decided(light).spots) < len(decided(light, strength="thorough").spots) == 1


@pytest.mark.parametrize("axis", [0, 1], ids=["column", "row"])
def test_a_streak_of_the_sensor_is_taken_out(axis: int) -> None:
    light = np.moveaxis(paper(640, 640), axis, 0)
    light[:, 300] *= 0.95
    light = np.moveaxis(light, 0, axis)
    parameters, after = measure_and_apply(Dust, scanned(light), job_for())
    found = parameters.model_dump()
    [(number, *factors)] = found["columns" if axis == 0 else "rows"]
    assert number == 300
    # A streak of 0.95 is undone by 1 / 0.95; the mean of 640 pixels with a noise of 0.8 in 240 is known to 0.0002.
    assert factors == pytest.approx([1 / 0.95] * 3, abs=0.001)
    assert np.moveaxis(after.array(), axis, 0)[:, 300].mean() / 257 == pytest.approx(PAPER, abs=0.3)


def test_a_line_ruled_from_edge_to_edge_is_no_streak() -> None:
    light = paper(640, 640)
    light[:, 300:302] = 60
    assert decided(light).columns == []


def test_an_edge_that_ends_before_the_scan_is_no_streak() -> None:
    light = paper(640, 640)
    light[100:560, 300] *= 0.95
    assert decided(light).columns == []


def test_the_turn_still_waits_and_only_the_frame_is_looked_at(dusty: Light) -> None:
    disc(dusty, 30.5, 30.5, 2.4, (150, 150, 150))
    picture = scanned(dusty).rotated(1.5).cropped(60, 40, 280, 240)
    parameters, after = measure_and_apply(Dust, picture, job_for())
    assert after.placement == picture.placement
    [(x, y, _)] = parameters.model_dump()["spots"]
    assert (x, y) == pytest.approx((200.5, 120.5), abs=1)
    assert after.array().min() / 257 > PAPER - 8


def test_the_density_of_the_scan_does_not_matter(dusty: Light) -> None:
    fine = np.repeat(np.repeat(dusty, 2, axis=0), 2, axis=1)
    parameters, _ = measure_and_apply(Dust, scanned(fine, 2 * PPI), job_for())
    [(x, y, _)] = parameters.model_dump()["spots"]
    assert (x, y) == pytest.approx((401, 241), abs=2)


def test_the_artist_can_keep_a_spot_and_add_another(dusty: Light) -> None:
    disc(dusty, 80.5, 240.5, 2.4, (60, 90, 190))
    picture = scanned(dusty)
    found = Dust().measure(picture, Dust.settings_model(), job_for())
    told = found.model_copy(update={"keep": [(200.0, 121.0, 3.0)], "more": [(80.5, 240.5, 5.0)]})
    mended = Dust().apply(picture, told).array() / 257.0
    assert mended[120, 200].max() < 160
    assert mended[240, 80].min() > PAPER - 5


def test_a_scan_that_streams_gives_what_the_same_in_memory_gives(dusty: Light, tmp_path: object) -> None:
    picture, path = scanned(dusty), f"{tmp_path}/scan.tif"
    picture.pixels().write_to_file(path)
    parameters = Dust().measure(picture, Dust.settings_model(), job_for())
    parameters = parameters.model_copy(update={"columns": [[50.0, 1.02, 1.02, 1.02]]})

    def opened() -> pyvips.Image:
        return pyvips.Image.new_from_file(path, access="sequential")

    streaming = Picture.from_source(opened, 360, 320, srgb(), PPI).rotated(0.8)
    expected = Dust().apply(picture.rotated(0.8), parameters).array()
    assert np.array_equal(Dust().apply(streaming, parameters).array(), expected)


def test_each_repair_is_shown_before_and_after(dusty: Light) -> None:
    picture = scanned(dusty)
    parameters, after = measure_and_apply(Dust, picture, job_for())
    assert isinstance(parameters, DustParameters)
    made = Dust().companions(picture, after, parameters)
    seen = np.asarray(Image.open(BytesIO(made["dust.jpg"])).convert("L"), np.float64)
    assert list(made) == ["dust.jpg"]
    # The two squares of the first pair: only the left one has the dark speck.
    before, mended = seen[40:128, 12:100], seen[40:128, 108:196]
    assert before.min() < 190
    assert mended.min() > 220
    assert decided(dusty, picture=False).picture is False


def test_a_clean_scan_passes_as_it_is() -> None:
    picture = scanned(paper())
    parameters, after = measure_and_apply(Dust, picture, job_for())
    assert after is picture
    assert Dust().companions(picture, after, Dust.parameters_model(**parameters.model_dump())) == {}


@pytest.mark.parametrize(("width", "height"), [(1, 1), (400, 1), (1, 400), (9, 9)])
def test_a_scan_of_next_to_nothing_passes(width: int, height: int) -> None:
    for ppi in (PPI, 2 * PPI):
        parameters, _ = measure_and_apply(Dust, scanned(np.full((height, width, 3), 128.0), ppi), job_for())
        assert parameters == DustParameters(picture=True)


def test_a_spot_that_a_ticket_puts_outside_the_scan_changes_nothing() -> None:
    picture = scanned(paper())
    told = DustParameters(more=[(-50.0, 20.0, 5.0), (5000.0, 20.0, 5.0)], columns=[[9000.0, 1.1, 1.1, 1.1]])
    assert np.array_equal(Dust().apply(picture, told).array(), picture.array())


def test_the_circles_along_a_hair_leave_no_gap() -> None:
    circles = along([2.0, 10.0, 10.0, 60.0, 40.0])
    gaps = [np.hypot(a.x - b.x, a.y - b.y) for a, b in pairwise(circles)]
    assert max(gaps) <= 20


def test_it_keeps_the_contract_of_a_stage(dusty: Light) -> None:
    check_stage(Dust, scanned(dusty).rotated(0.5))
    check_stage(Dust)

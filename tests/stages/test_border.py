"""Border: the finished sheet, to the pixel."""

import csv
from pathlib import Path

import numpy as np
import pytest
from printers import cmyk_printer
from pydantic import ValidationError

from platemark import Held, Job, Picture, Work
from platemark.testing import check_stage, gradient_picture, job_for, measure_and_apply, picture_of
from platemark_stages.border import Border, BorderParameters, BorderSettings

SIZES = Path(__file__).parents[1] / "data" / "reference" / "pixel_sizes.csv"
INK = (9000, 20000, 31000)
# 127 ppi is 5 pixels to the millimetre.
SMALL = {"sheet": "60 x 80 mm", "border": "10 mm", "ppi": 127}
HERON = Work("heron", title="Grey heron", artist="Mara Lindqvist", year="2024", edition="edition of 30")


def published_sizes() -> list[tuple[str, int, int, int]]:
    with SIZES.open() as file:
        rows = [row for row in csv.DictReader(file) if row["name"] in {"A6", "A5", "A4", "A3"}]
    return [(row["name"], int(row["ppi"]), int(row["width_px"]), int(row["height_px"])) for row in rows]


def inked(width: int, height: int) -> Picture:
    """A picture of one colour that no border has."""
    return picture_of(np.full((height, width, 3), INK, np.uint16), 127)


def filling(job: Job) -> Picture:
    """A picture that fills the image area of an upright print."""
    area = job.lay_out(2, 3).area
    return inked(area.width, area.height)


def bordered(
    written: dict[str, object], work: Work = HERON, **settings: object
) -> tuple[BorderParameters, Picture, Job]:
    job = job_for(work=work, **written)
    parameters, after = measure_and_apply(Border, filling(job), job, **settings)
    assert isinstance(parameters, BorderParameters)
    return parameters, after, job


def margins(after: Picture) -> tuple[int, int, int, int]:
    """Left, top, right, bottom: pixels of the file before the picture begins."""
    rows, columns = np.nonzero((after.array() == INK).all(axis=2))
    height, width = after.array().shape[:2]
    return int(columns.min()), int(rows.min()), int(width - 1 - columns.max()), int(height - 1 - rows.max())


@pytest.mark.parametrize(("sheet", "ppi", "width", "height"), published_sizes())
def test_the_file_is_the_sheet_to_the_pixel(sheet: str, ppi: int, width: int, height: int) -> None:
    job = job_for(sheet=sheet, border="12 mm", ppi=ppi)
    # A small picture says upright; the sheet is what counts.
    parameters, after = measure_and_apply(Border, inked(20, 30), job)
    assert isinstance(parameters, BorderParameters)
    assert (parameters.width, parameters.height) == (width, height)
    assert after.pixels().width, after.pixels().height == (width, height)


@pytest.mark.parametrize(
    ("border", "expected"),
    [
        ("10 mm", (50, 50, 50, 50)),
        ({"left": "4 mm", "top": "6 mm", "right": "8 mm", "bottom": "12 mm"}, (20, 30, 40, 60)),
        ({"sides": "8 mm", "bottom": "20 mm"}, (40, 40, 40, 100)),
        (0, (0, 0, 0, 0)),
    ],
    ids=["even", "each side", "bottom-weighted", "none"],
)
def test_the_border_is_as_wide_as_it_is_written(border: object, expected: tuple[int, ...]) -> None:
    _, after, _ = bordered({**SMALL, "border": border})
    assert margins(after) == expected
    assert after.size == (300, 400)


def test_a_picture_of_another_shape_is_centred_in_its_area() -> None:
    signed = {**SMALL, "border": {"sides": "10 mm", "bottom": "20 mm"}}
    _, after = measure_and_apply(Border, inked(200, 240), job_for(**signed))
    # The area is 200 x 250: 5 rows are left above and below.
    assert margins(after) == (50, 55, 50, 105)


def test_paper_white_is_full_light() -> None:
    _, after, _ = bordered(SMALL)
    assert (after.array()[0, 0] == 65535).all()


def test_bare_paper_is_no_ink_at_all_on_a_press() -> None:
    picture = gradient_picture(60, 80).converted(cmyk_printer())
    _, after = measure_and_apply(Border, picture, job_for(**SMALL))
    assert after.profile == cmyk_printer()
    assert (after.array()[:50] == 0).all()


def test_the_border_can_have_a_colour() -> None:
    _, after, _ = bordered(SMALL, colour="#102A3b")
    # Hexadecimal digits widened by 257, as 8-bit values are.
    assert after.array()[0, 0].tolist() == [0x10 * 257, 0x2A * 257, 0x3B * 257]


@pytest.mark.parametrize("wrong", ["white", "#fff", "#12345g", "102a3b"])
def test_a_colour_that_is_none_is_refused_with_an_example(wrong: str) -> None:
    with pytest.raises(ValidationError, match='such as "#ffffff"'):
        BorderSettings(colour=wrong)


def test_a_keyline_runs_round_the_picture_at_its_distance() -> None:
    _, after, _ = bordered(SMALL, keyline="0.4 mm", keyline_gap="2 mm", keyline_colour="#000000")
    middle = after.array()[200, :, 0]
    # 10 mm border: 50 pixels, of which 10 are the gap and 2 the line, on both sides.
    assert np.flatnonzero(middle == 0).tolist() == [38, 39, 260, 261]
    assert np.flatnonzero(after.array()[:, 150, 0] == 0).tolist() == [38, 39, 360, 361]
    assert (after.array()[:38] == 65535).all()


def lettered(**settings: object) -> tuple[BorderParameters, Picture, Job]:
    wide = {**SMALL, "border": {"sides": "6 mm", "bottom": "16 mm"}}
    return bordered(wide, **{"lettering": "{title}, {year}", "lettering_colour": "#000000", **settings})


def test_lettering_stands_below_the_picture_in_the_middle() -> None:
    parameters, after, job = lettered()
    assert parameters.text == "Grey heron, 2024"
    assert job.notices == []
    below = after.array()[400 - 80 :, :, 0] < 40000
    rows, columns = np.nonzero(below)
    assert rows.size > 100, "there are letters"
    assert rows.max() < 79, "and none runs into the edge of the sheet"
    assert (columns.min() + columns.max()) / 2 == pytest.approx(150, abs=3)
    assert (after.array()[:30] == 65535).all(), "and nothing elsewhere"


@pytest.mark.parametrize(
    ("pattern", "work", "text"),
    [
        ("{title}, {artist} {year} ({edition})", HERON, "Grey heron, Mara Lindqvist 2024 (edition of 30)"),
        ("{title}, {medium}, {year}", HERON, "Grey heron, 2024"),
        ("{title} ({medium})", HERON, "Grey heron"),
        ("{title} · {year}", Work("x", title="Wren"), "Wren"),
        ("{title}", Work("x", title="{year}", year="1999"), "{year}"),
        ("{medium}", HERON, ""),
    ],
)
def test_what_is_not_known_leaves_no_stray_commas(pattern: str, work: Work, text: str) -> None:
    parameters, _, _ = lettered(lettering=pattern, lettering_height="1 mm", work=work)
    assert parameters.text == text


def test_a_misspelt_word_in_the_lettering_is_refused_before_it_is_printed() -> None:
    with pytest.raises(ValidationError, match=r"\{titel\}; there are \{title\}"):
        BorderSettings(lettering="{titel}, {year}")


@pytest.mark.parametrize(
    ("border", "settings", "said"),
    [
        ("4 mm", {}, "widen the bottom border"),
        ("10 mm", {"keyline": "3 mm", "keyline_gap": "4 mm"}, "widen the bottom border"),
        ("20 mm", {"lettering": "鷺 {year}"}, "no letters for 鷺"),
        ("20 mm", {"lettering": "a very long line " * 11}, "too long to be read"),
    ],
)
def test_lettering_that_cannot_be_set_is_left_out_and_said(border: str, settings: dict[str, str], said: str) -> None:
    written = {**SMALL, "border": {"sides": "10 mm", "bottom": border}}
    parameters, _, job = bordered(written, **{"lettering": "{title}", **settings})
    assert parameters.text == ""
    (notice,) = job.notices
    assert said in notice.warning


def test_lettering_that_is_too_wide_is_made_smaller_and_said() -> None:
    parameters, after, job = lettered(lettering="{title}, {artist}, {year}, {edition}")
    assert 5 <= parameters.text_px < 15
    assert "smaller" in job.notices[0].warning
    _, columns = np.nonzero(after.array()[400 - 80 :, :, 0] < 60000)
    # Within the image area, 6 mm from the edges.
    assert columns.min() >= 28
    assert columns.max() <= 272


ON_LARGER = {**SMALL, "border": 0, "on": "100 x 120 mm"}


@pytest.mark.parametrize("bleed", [0, 2, 5])
def test_cut_marks_stand_outside_the_trim_and_its_bleed(bleed: int) -> None:
    _, after, _ = bordered({**ON_LARGER, "bleed": f"{bleed} mm"})
    assert after.size == (500, 600)
    dark = (after.array() == 0).all(axis=2)
    rows, columns = np.nonzero(dark)
    assert rows.size > 0
    # The trim is 100..400 by 100..500; marks keep 3 mm off it, or the bleed where that is wider.
    off = max(15, bleed * 5)
    across, down = (columns >= 100 - off) & (columns < 400 + off), (rows >= 100 - off) & (rows < 500 + off)
    assert not (across & down).any()
    # Eight hairlines of 5 mm, one in line with each end of each edge.
    assert sorted(set(columns[rows < 80].tolist())) == [100, 400]
    assert sorted(set(rows[columns < 80].tolist())) == [100, 500]
    assert rows.size == 8 * 25


def test_the_bleed_carries_the_picture_past_every_edge_of_the_trim() -> None:
    _, after, _ = bordered({**SMALL, "border": 0, "bleed": "3 mm"})
    assert after.size == (330, 430)
    assert margins(after) == (0, 0, 0, 0)


def test_no_room_for_cut_marks_is_said() -> None:
    parameters, _, job = bordered({**ON_LARGER, "on": "62 x 82 mm"})
    assert parameters.marks == []
    assert "larger sheet" in job.notices[0].warning


@pytest.mark.parametrize("written", [SMALL, {**SMALL, "border": 0, "bleed": "3 mm"}])
def test_a_sheet_that_is_not_cut_out_has_no_marks_and_nothing_is_said(written: dict[str, object]) -> None:
    parameters, _, job = bordered(written)
    assert (parameters.marks, job.notices) == ([], [])


def test_cut_marks_can_be_left_out() -> None:
    assert bordered(ON_LARGER, cut_marks=False)[0].marks == []


def test_a_picture_that_is_larger_than_its_place_is_held_instead_of_losing_its_edges() -> None:
    with pytest.raises(Held, match=r"500 x 200 pixels and its place on the sheet 300 x 200"):
        measure_and_apply(Border, inked(500, 200), job_for(**SMALL))


def test_border_keeps_the_contract() -> None:
    written = {**SMALL, "border": {"sides": "5 mm", "bottom": "15 mm"}, "on": "100 x 120 mm"}
    settings = {"keyline": "0.3 mm", "lettering": "{title}", "colour": "#fdfaf0"}
    check_stage(Border, gradient_picture(60, 80), job_for(work=HERON, **written), **settings)


def test_border_keeps_the_contract_on_a_press() -> None:
    picture = gradient_picture(60, 80).converted(cmyk_printer())
    check_stage(Border, picture, job_for(work=HERON, **SMALL), lettering="{title}", lettering_height="2 mm")

"""Reference files of charts: read as makers deliver them, refused with the reason when they are not that."""

from pathlib import Path

import numpy as np
import pytest
from simulated import many_colours, reference_text

from platemark.characterise.reference import ChartError, load_reference, read_reference

# CIELAB and XYZ of patch A1 of a public reference file of an IT8.7/2 chart (ISO 12641), which gives both.
IT8_A1_XYZ, IT8_A1_LAB = (3.42, 2.89, 2.05), (19.58, 10.86, 2.97)


def text(rows: str, fields: str = "SAMPLE_ID LAB_L LAB_A LAB_B", head: str = "") -> str:
    count = len(fields.split())
    return (
        f"CGATS.17\n{head}\nNUMBER_OF_FIELDS {count}\nBEGIN_DATA_FORMAT\n{fields}\nEND_DATA_FORMAT\n"
        f"NUMBER_OF_SETS 2\nBEGIN_DATA\n{rows}\nEND_DATA\n"
    )


def test_the_24_patches_that_come_with_us_are_the_published_ones() -> None:
    # Values published by the chart's maker: white 9.5 and dark skin, charts since November 2014 and before.
    new, old = load_reference("patches-24"), load_reference("patches-24-2005")
    assert new.patches == old.patches
    assert new.lab[new.patches.index("D1")] == pytest.approx((95.19, -1.03, 2.93))
    assert old.lab[old.patches.index("D1")] == pytest.approx((96.539, -0.425, 1.186))
    assert new.lab[0] == pytest.approx((37.54, 14.37, 14.92))
    assert new.layouts()[0].shape == (4, 6)


def test_xyz_is_as_good_as_lab() -> None:
    values = " ".join(map(str, IT8_A1_XYZ))
    read = read_reference(text(f"A1 {values}\nA2 96.42 100 82.49", "SAMPLE_ID XYZ_X XYZ_Y XYZ_Z"), "chart.txt")
    # Two decimals of XYZ are up to 0.15 of CIELAB in colours as dark as this one.
    assert read.lab[0] == pytest.approx(IT8_A1_LAB, abs=0.15)
    assert read.lab[1] == pytest.approx((100, 0, 0), abs=1e-9)


@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
def test_line_ends_quotes_remarks_and_decimal_commas_are_read(ending: str) -> None:
    rows = '# a remark\n"A1"\t50,5 1 2 "a name with blanks"\nA2 60 3 4 other'
    written = text(rows, "SAMPLE_ID LAB_L LAB_A LAB_B SAMPLE_NAME").replace("\n", ending)
    read = read_reference(written, "chart.txt")
    assert read.patches == ("A1", "A2")
    assert read.lab.tolist() == [[50.5, 1, 2], [60, 3, 4]]


def test_a_grey_strip_lies_beside_the_grid() -> None:
    names = [f"{row}{column}" for row in "ABC" for column in range(1, 7)] + [f"GS{i}" for i in range(3)]
    rows = "\n".join(f"{name} {i} 0 0" for i, name in enumerate(names))
    layout = read_reference(text(rows), "chart.txt").layouts()[0]
    assert layout.tolist() == np.arange(18).reshape(3, 6).tolist()


def test_patches_that_have_numbers_only_may_lie_in_every_grid_that_fits() -> None:
    read = read_reference(reference_text(many_colours(4, 6), numbered=True), "chart.txt")
    assert {layout.shape for layout in read.layouts()} == {(3, 8), (8, 3), (4, 6), (6, 4)}
    assert {layout.shape for layout in read.layouts((4, 6))} == {(4, 6), (6, 4)}
    with pytest.raises(ChartError, match="fill no grid of 5 x 5"):
        read.layouts((5, 5))


@pytest.mark.parametrize(
    ("written", "says"),
    [
        ("", "no reference of a chart"),
        ("a letter to my aunt", "no reference of a chart"),
        (text("A1 1 2 3", "SAMPLE_ID RGB_R RGB_G RGB_B"), "no patches with LAB_L"),
        (text("A1 1 2 3\nA2 1 2"), "no whole rows"),
        (text("A1 1 2 3\nA2 1 two 3"), "no number"),
        (text("A1 1 2 3\nA1 1 2 3"), "names a patch twice"),
        (text("A1 1 2 3\nA2 999 2 3"), "cannot be"),
        (text("A1 1 2 3\nA2 nan 2 3"), "cannot be"),
        (text('A1 1 2 3\nA2 "1 2 3'), "quotation mark"),
        (text("A1 50 2 3\nA2 60 2 3", head='ILLUMINATION_NAME "D65"'), "light D65"),
    ],
    ids=["empty", "letter", "no colours", "cut", "word", "twice", "too light", "nan", "quote", "D65"],
)
def test_what_is_no_reference_is_refused_with_the_reason(written: str, says: str) -> None:
    with pytest.raises(ChartError, match=says) as caught:
        read_reference(written, "chart.txt")
    assert "chart.txt" in caught.value.what
    assert caught.value.remedy


def test_a_reference_that_is_not_there_is_named_with_those_that_are(tmp_path: Path) -> None:
    with pytest.raises(ChartError, match=r"none\.txt.*patches-24"):
        load_reference(str(tmp_path / "none.txt"))


def test_an_endless_reference_is_not_read(tmp_path: Path) -> None:
    with (tmp_path / "huge.txt").open("wb") as file:
        file.truncate(9_000_000)
    with pytest.raises(ChartError, match="too large"):
        load_reference(str(tmp_path / "huge.txt"))

"""Paper sizes and their pixels, against ISO 216 and the definition of the inch."""

import csv
from pathlib import Path

import pytest

from platemark.config.paper_sizes import INCH_SIZES, ISO_SIZES
from platemark.config.sheet_size import parse_sheet_size
from platemark.config.units import millimetres_to_pixels

REFERENCE = Path(__file__).parents[1] / "data" / "reference"


def rows(name: str) -> list[dict[str, str]]:
    with (REFERENCE / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


ISO = [row for row in rows("paper_sizes.csv") if row["series"].startswith("ISO 216")]
INCHES = [row for row in rows("paper_sizes.csv") if row["name"].endswith("in")]


@pytest.mark.parametrize("row", ISO, ids=lambda row: row["name"])
def test_a_sheet_called_by_its_iso_name_has_the_published_size(row: dict[str, str]) -> None:
    sheet = parse_sheet_size(row["name"])
    assert (sheet.width_mm, sheet.height_mm) == (float(row["width_mm"]), float(row["height_mm"]))


def test_there_are_no_more_iso_names_than_the_standard_has() -> None:
    assert set(ISO_SIZES) == {row["name"] for row in ISO}


@pytest.mark.parametrize("row", INCHES, ids=lambda row: row["name"])
def test_an_inch_size_is_exact_in_millimetres(row: dict[str, str]) -> None:
    sheet = parse_sheet_size(row["name"])
    assert (sheet.width_mm, sheet.height_mm) == (float(row["width_mm"]), float(row["height_mm"]))


def test_the_usual_inch_sizes_are_those_of_the_table() -> None:
    assert [f"{width}x{height}in" for width, height in INCH_SIZES] == [row["name"] for row in INCHES]


@pytest.mark.parametrize("row", rows("pixel_sizes.csv"), ids=lambda row: f"{row['name']}-{row['ppi']}")
def test_a_sheet_has_the_pixels_that_the_definition_of_the_inch_gives(row: dict[str, str]) -> None:
    sheet, ppi = parse_sheet_size(row["name"]), int(row["ppi"])
    pixels = [millimetres_to_pixels(side, ppi) for side in (sheet.width_mm, sheet.height_mm)]
    assert pixels == [int(row["width_px"]), int(row["height_px"])]

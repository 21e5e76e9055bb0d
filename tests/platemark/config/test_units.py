"""Quantities and sheet sizes, as people write them."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from platemark.config import units
from platemark.config.sheet_size import parse_sheet_size


@pytest.mark.parametrize(
    ("written", "mm"),
    [
        ("12 mm", 12),
        ("12mm", 12),
        ("1.2 cm", 12),
        ("0.5 in", 12.7),
        (".5 IN", 12.7),
        ("3.5 inch", 88.9),
        (0, 0),
        ("0", 0),
    ],
)
def test_a_length_is_read_in_millimetres(written: object, mm: float) -> None:
    assert units.parse_length(written) == mm


@pytest.mark.parametrize(
    ("written", "size"),
    [("8 MB", 8_000_000), ("8 MiB", 8_388_608), ("500 kB", 500_000), ("1.5 MiB", 1_572_864), ("8 mb", 8_000_000)],
)
def test_a_file_size_is_read_in_bytes_with_mb_and_mib_kept_apart(written: str, size: int) -> None:
    assert units.parse_file_size(written) == size


def test_a_fraction_of_a_byte_is_dropped_so_that_a_limit_holds() -> None:
    assert units.parse_file_size("0.0019 kB") == 1


@pytest.mark.parametrize(("written", "share"), [("5 %", 0.05), ("12.5%", 0.125), (0, 0.0)])
def test_a_share_is_read_as_a_part_of_one(written: object, share: float) -> None:
    assert units.parse_share(written) == share


@pytest.mark.parametrize(("written", "seconds"), [("2 s", 2), ("500 ms", 0.5), ("1 min", 60), ("1.5 h", 5400)])
def test_a_duration_is_read_in_seconds(written: str, seconds: float) -> None:
    assert units.parse_duration(written) == seconds


@pytest.mark.parametrize(
    ("written", "said"),
    [
        (12, "a length needs its unit (mm, cm, in, inch)"),
        ("12", "a length needs its unit"),
        ("12 pt", '"pt" is no unit for a length'),
        ("-3 mm", "cannot be below 0"),
        ("1,2 cm", 'write a point, "1.2 cm"'),
        ("a hand", "not a length"),
        ("12 mm 3", "not a length"),
        ("", "not a length"),
        (True, "not a length"),
        (float("nan"), "not a length"),
        (["12 mm"], "not a length"),
    ],
)
def test_what_is_no_length_is_refused_with_what_to_write(written: object, said: str) -> None:
    with pytest.raises(ValueError, match=r"write") as fault:
        units.parse_length(written)
    assert said in str(fault.value)


@pytest.mark.parametrize(
    ("written", "name", "width", "height"),
    [
        ("a4", "A4", 210, 297),
        ("A4 landscape", "A4 landscape", 297, 210),
        ("A4 portrait", "A4", 210, 297),
        ("5x7 in", "5x7 in", 127, 177.8),
        ("5 x 7 inch", "5x7 in", 127, 177.8),
        ("5x7 in landscape", "7x5 in", 177.8, 127),
        ("8.5x11in", "8.5x11 in", 215.9, 279.4),
        ("30x40 cm", "30x40 cm", 300, 400),
        ("148\u00d7210 mm", "148 x 210 mm", 148, 210),
        ("210 x 148 mm", "210 x 148 mm", 210, 148),
    ],
)
def test_a_sheet_size_is_read_by_name_or_by_its_sides(written: str, name: str, width: float, height: float) -> None:
    sheet = parse_sheet_size(written)
    assert (sheet.name, sheet.width_mm, sheet.height_mm) == (name, width, height)
    assert parse_sheet_size(sheet.name) == sheet


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("5x7", 'write it like "5x7 in"'),
        ("148x210", 'write it like "148 x 210 mm"'),
        ("A11", "the ISO sizes are A0 to A10"),
        ("C5", "no sheet is called C5"),
        ("0 x 210 mm", "a side of the sheet is 0"),
        ("5x7 ft", '"ft" is no unit'),
        ("letter", "not a sheet size"),
        (4, "not a sheet size"),
    ],
)
def test_what_is_no_sheet_size_is_refused_with_what_to_write(written: object, said: str) -> None:
    with pytest.raises(ValueError, match=r".") as fault:
        parse_sheet_size(written)
    assert said in str(fault.value)


@settings(deadline=None)
@given(st.decimals(min_value=0, max_value=10_000, places=4))
def test_a_quantity_is_written_back_without_loss(number: object) -> None:
    for parse, show, unit in (
        (units.parse_length, units.show_length, "in"),
        (units.parse_share, units.show_share, "%"),
        (units.parse_duration, units.show_duration, "min"),
    ):
        value = parse(f"{number} {unit}")
        assert parse(show(value)) == value


@settings(deadline=None)
@given(st.integers(min_value=0, max_value=10**13))
def test_a_file_size_is_written_back_to_the_byte(size: int) -> None:
    assert units.parse_file_size(units.show_file_size(size)) == size


@pytest.mark.parametrize(
    ("mm", "ppi", "pixels"),
    [
        (177.8, 360, 2520),  # the float product is 2519.9999...
        (3.175, 100, 13),  # 12.5 exactly: a half goes up, where Python's own rounding goes to the even 12
        (0.0, 360, 0),
    ],
)
def test_pixels_are_rounded_exactly_and_a_half_goes_up(mm: float, ppi: int, pixels: int) -> None:
    assert units.millimetres_to_pixels(mm, ppi) == pixels

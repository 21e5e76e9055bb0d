"""The prints that help to print are prints like any other, after those that the artist makes on that paper."""

import pytest

from platemark.config.model import Config
from platemark.config.printed_helps import StripAsked, page_print, strip_print
from platemark.contract.plugins import load_plugins
from platemark.errors import PlatemarkError

STUDIO = Config.model_validate(
    {
        "stages": ["deskew", "crop", "dust", "resample", "paper_white", "proof", "border", "jpeg"],
        "print": {
            "card": {"sheet": "A6", "ppi": 300},
            "a4": {"sheet": "A4", "ppi": 240, "paper": "rag", "jpeg": {"max_size": "4 MB", "space": "srgb"}},
        },
        "paper": {"rag": {}, "satin": {}},
    }
)


def mends(stage: str) -> bool:
    return load_plugins().stage(stage).kind.mends


def test_a_strip_shows_what_mends_the_scans_of_its_prints_and_nothing_that_fits_them_to_a_size() -> None:
    spec = strip_print(STUDIO, "rag", StripAsked(), mends)
    assert spec.stages == ["deskew", "crop", "dust", "paper_white", "trial_strip", "proof", "jpeg"]


def test_a_help_has_the_resolution_and_the_limits_of_the_prints_on_its_paper() -> None:
    for spec in (strip_print(STUDIO, "rag", StripAsked(), mends), page_print(STUDIO, "rag", "A4")):
        assert (spec.ppi, spec.paper) == (240, "rag")
        assert spec.stage_settings["jpeg"]["max_size"] == "4 MB"
    assert page_print(STUDIO, "rag", "A4").stage_settings["jpeg"]["space"] == "keep"
    assert page_print(STUDIO, "", "A4").ppi == 300


@pytest.mark.parametrize(
    ("sheet", "name", "lies"),
    [
        ("A4", "A4", "portrait"),
        ("A4 landscape", "A4", "landscape"),
        ("A5", "A5", "landscape"),
        ("100 x 150 mm", "100 x 150 mm", "landscape"),
    ],
)
def test_a_sheet_too_narrow_for_a_strip_is_taken_broadside(sheet: str, name: str, lies: str) -> None:
    spec = strip_print(STUDIO, "rag", StripAsked(sheet=sheet), mends)
    assert (spec.sheet.name, spec.orientation) == (name, lies)


def test_a_paper_that_is_not_described_is_told_with_those_that_are() -> None:
    with pytest.raises(PlatemarkError, match=r"no paper is called vellum.*rag, satin"):
        page_print(STUDIO, "vellum", "A4")

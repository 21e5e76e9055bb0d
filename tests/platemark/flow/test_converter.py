"""Exactly one converter between the file and the paper; and what the test page showed is told with each print."""

from io import BytesIO
from pathlib import Path

import pytest
from PIL import Image, ImageCms

from conftest import CONFIG, Bench, with_paper_and_own_stage
from platemark.errors import PlatemarkError
from platemark.flow.delivery import Outcome
from platemark.pixels.icc_writer import oprgb_profile, srgb_profile
from platemark.records.manifest import read_manifest

ON_RAG = (
    'stages = ["deskew", "crop", "resample", "proof", "border", "jpeg"]\n'
    + CONFIG.partition("[print.mini]")[0].replace("[print.card]", '[print.card]\npaper = "rag"')
    + '[paper.rag]\nprofile = "rag.icc"\n'
)
# ICC.1 clause 7.2.5: the class of the device is at byte 12.
PRINTERS = srgb_profile()[:12] + b"prtr" + srgb_profile()[16:]


def studio(root: Path, more: str, config: str = ON_RAG) -> Bench:
    root.mkdir()
    with_paper_and_own_stage(root)
    return Bench(root, config + more)


def made(bench: Bench, **options: object) -> Outcome:
    bench.drop("heron.tif", **options)
    (outcome,) = bench.run()
    return outcome


def embedded(outcome: Outcome) -> ImageCms.ImageCmsProfile:
    """The profile in the finished file, as the Python imaging library reads it."""
    assert outcome.export is not None, outcome.reason
    with Image.open(outcome.export) as image:
        return ImageCms.ImageCmsProfile(BytesIO(image.info["icc_profile"]))


def test_without_a_word_files_go_out_as_srgb_and_the_driver_converts(tmp_path: Path) -> None:
    outcome = made(studio(tmp_path / "s", ""))
    assert embedded(outcome).tobytes() == srgb_profile()
    assert outcome.export is not None
    assert read_manifest(outcome.export.with_suffix(".toml")).noticed["printer.colour"] == "driver"


def test_where_the_file_converts_it_carries_the_papers_profile(tmp_path: Path) -> None:
    outcome = made(studio(tmp_path / "s", '[printer]\ncolour = "file"\n'))
    assert embedded(outcome).tobytes() == PRINTERS
    assert embedded(outcome).profile.device_class == "prtr"


@pytest.mark.parametrize(
    ("more", "happens", "change"),
    [
        ('[stage.proof]\neffect = "convert"\n', "the driver converts it once more", 'write colour = "file"'),
        ('[stage.proof]\neffect = "simulate"\n[printer]\ncolour = "file"\n', "dull", 'write colour = "driver"'),
    ],
)
def test_two_converters_and_none_are_refused_before_any_scan_is_touched(
    tmp_path: Path, more: str, happens: str, change: str
) -> None:
    with pytest.raises(PlatemarkError) as refused:
        studio(tmp_path / "s", more)
    assert "[print.card]" in str(refused.value)
    assert happens in str(refused.value)
    assert change in str(refused.value)


def test_a_file_cannot_convert_for_a_paper_without_a_profile(tmp_path: Path) -> None:
    config = ON_RAG.replace('profile = "rag.icc"\n', "")
    with pytest.raises(PlatemarkError, match=r"\[paper.rag\] has no profile"):
        studio(tmp_path / "s", '[printer]\ncolour = "file"\n', config)


def test_a_chain_that_converts_nothing_is_held_where_the_driver_is_left_out(tmp_path: Path) -> None:
    config = ON_RAG.replace('"proof", ', "")
    outcome = made(studio(tmp_path / "s", '[printer]\ncolour = "file"\n', config))
    assert outcome.status == "held"
    assert "nobody would convert" in outcome.reason


def test_a_scan_in_a_printers_colours_is_held(tmp_path: Path) -> None:
    outcome = made(studio(tmp_path / "s", ""), iccprofile=PRINTERS)
    assert outcome.status == "held"
    assert "in the colours of a printer already" in outcome.reason


def test_a_file_that_is_not_srgb_is_warned_of_where_the_way_ignores_profiles(tmp_path: Path) -> None:
    known = '[stage.jpeg]\nspace = "keep"\n[printer]\nprofiles = "ignored"\n'
    outcome = made(studio(tmp_path / "s", known), iccprofile=oprgb_profile())
    assert any("ignores the profile" in warning for warning in outcome.warnings)
    plain = made(studio(tmp_path / "t", known.replace("keep", "srgb")), iccprofile=oprgb_profile())
    assert not any("profile" in warning for warning in plain.warnings)


def test_a_printers_file_is_warned_of_where_the_way_would_convert_it_again(tmp_path: Path) -> None:
    outcome = made(studio(tmp_path / "s", '[printer]\ncolour = "file"\nprofiles = "honoured"\n'))
    assert any("a second time" in warning for warning in outcome.warnings)


@pytest.mark.parametrize(("line", "warned"), [("99.8 mm", False), ("97 mm", True)])
def test_a_way_that_changes_the_size_is_told_with_each_print(tmp_path: Path, line: str, *, warned: bool) -> None:
    outcome = made(studio(tmp_path / "s", f'[printer]\nline = "{line}"\n'))
    assert any("100 mm come out as" in warning for warning in outcome.warnings) == warned
    assert outcome.export is not None
    assert ("printer.size" in read_manifest(outcome.export.with_suffix(".toml")).noticed) == warned


def test_a_change_of_the_converter_makes_the_print_anew(tmp_path: Path) -> None:
    bench = studio(tmp_path / "s", "")
    first = made(bench)
    bench.file.write_text(bench.config + '[printer]\ncolour = "file"\n', encoding="utf-8")
    second = made(bench)
    assert (first.status, second.status) == ("ready", "ready")
    assert first.export != second.export

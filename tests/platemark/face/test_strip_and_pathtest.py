"""The commands strip and pathtest: prints that help to print, made as all prints are, and answers that are kept."""

from collections.abc import Callable
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from PIL import Image, ImageCms

from conftest import CONFIG, sheet_scan, with_paper_and_own_stage, write_scan
from platemark.face.cli import main
from platemark.records.manifest import read_manifest

pytestmark = pytest.mark.usefixtures("log_as_it_was")
PAPERS = CONFIG.replace("ppi = 150\n\n[print.mini]", 'ppi = 72\npaper = "rag"\n\n[print.mini]') + (
    '# my paper\n[paper.rag]\nsurface = "matte"   # it is soft\n'
)
DONE, OTHERWISE, WRONG = 0, 1, 2
Command = Callable[..., Result]


@pytest.fixture
def platemark(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Command:
    """Type a command in a studio."""
    monkeypatch.chdir(tmp_path)
    Path("platemark.toml").write_text(PAPERS, encoding="utf-8")
    return lambda *words, typed="": CliRunner().invoke(main, [str(word) for word in words], input=typed)


def embedded(path: Path) -> ImageCms.ImageCmsProfile:
    with Image.open(path) as image:
        return ImageCms.ImageCmsProfile(BytesIO(image.info["icc_profile"]))


def test_a_strip_is_an_export_like_any_other_and_the_scan_stays(platemark: Command) -> None:
    scan = write_scan(Path("scans/heron.tif"))
    said = platemark("strip", scan, "--paper", "rag", "--place", "2of4")
    assert said.exit_code == DONE, said.output
    made = Path("ready/heron.strip-rag-2of4.jpg")
    with Image.open(made) as image:
        # ISO 216, at the resolution of the prints on this paper.
        assert image.size == (595, 842)
        rows = np.flatnonzero(np.asarray(image.convert("L")).min(axis=1) < 128)
    assert 297 / 4 < rows.min() / 72 * 25.4 < rows.max() / 72 * 25.4 < 297 / 2
    assert "sRGB" in embedded(made).profile.profile_description
    assert scan.is_file()
    noticed = read_manifest(made.with_suffix(".toml")).noticed
    assert {"trial_strip.palest", "trial_strip.darkest", "trial_strip.colourful"} <= noticed.keys()
    assert "identical" in platemark("reproduce", made.with_suffix(".toml")).output
    assert platemark("verify", ".").exit_code == DONE


def test_a_strip_of_a_scan_whose_ticket_wants_one_print_is_made_all_the_same(platemark: Command) -> None:
    scan = write_scan(Path("scans/heron.tif"))
    scan.with_suffix(".toml").write_text('title = "Heron"\nprints = ["mini"]\n')
    assert platemark("strip", scan).exit_code == DONE
    assert read_manifest(Path("ready/heron.strip-rag-1of4.toml")).work["title"] == "Heron"


def test_a_scan_that_cannot_be_used_is_told_and_left_where_it_is(platemark: Command) -> None:
    scan = Path("scans/heron.tif")
    scan.parent.mkdir()
    scan.write_bytes(b"II*\0 no picture")
    said = platemark("strip", scan)
    assert said.exit_code == OTHERWISE
    assert "held" in said.output
    assert scan.is_file()
    assert [path.name for path in Path("held").iterdir()] == []


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--paper", "vellum"], "no paper is called vellum"),
        (["--sheet", "A11"], "no sheet is called A11"),
        (["--place", "5of4"], "2of4"),
    ],
)
def test_what_was_asked_wrongly_is_told(platemark: Command, words: list[str], says: str) -> None:
    said = platemark("strip", write_scan(Path("heron.tif"), sheet_scan()), *words)
    assert said.exit_code in {OTHERWISE, WRONG}
    assert says in " ".join(said.output.split())


def test_the_page_carries_its_own_profile_and_is_made_again_from_its_small_original(platemark: Command) -> None:
    said = platemark("pathtest", "--paper", "rag")
    assert said.exit_code == DONE, said.output
    made = Path("ready/pathtest.rag.jpg")
    assert "exchanged" in embedded(made).profile.profile_description
    manifest = read_manifest(made.with_suffix(".toml"))
    assert manifest.sources[0].size < 200_000
    assert [step.stage for step in manifest.transforms] == ["path_page", "jpeg"]
    assert "identical" in platemark("reproduce", made.with_suffix(".toml")).output
    assert platemark("verify", ".").exit_code == DONE


def test_the_line_of_a_hundred_millimetres_is_that_long_in_the_file(platemark: Command) -> None:
    assert platemark("pathtest").exit_code == DONE
    with Image.open("ready/pathtest.paper.jpg") as image:
        dark, ppi = np.asarray(image.convert("L")) < 100, image.info["dpi"][0]
    # The frame of the page is longer; of all other runs of dark pixels in a row the square's top is the longest.
    runs = [np.diff(np.flatnonzero(np.diff(np.r_[0, row.astype(int), 0])))[::2].max(initial=0) for row in dark]
    lengths = sorted({int(run) for run in runs if run < 0.9 * dark.shape[1]})
    assert lengths[-1] / ppi * 25.4 == pytest.approx(100, abs=25.4 / ppi)


def test_the_answers_are_asked_for_and_kept_beside_all_that_stood_there(platemark: Command) -> None:
    said = platemark("pathtest", "--answer", typed="ignored\n99\ntinted\n")
    assert said.exit_code == DONE, said.output
    after = Path("platemark.toml").read_text(encoding="utf-8")
    assert after == PAPERS + '\n[printer]\nprofiles = "ignored"\nline = "99 mm"\ngrey = "tinted"\n'
    assert "99 % of their size" in said.output


def test_later_prints_know_the_answers(platemark: Command) -> None:
    assert platemark("pathtest", "--line", "98 mm").exit_code == DONE
    scan = write_scan(Path("scans/heron.tif"))
    said = platemark("prepare", scan)
    assert "100 mm come out as 98 mm" in " ".join(said.output.split())


@pytest.mark.parametrize(("line", "says"), [("20 mm", "below"), ("long", "not a length")])
def test_an_answer_that_cannot_be_is_refused_and_the_config_stays(platemark: Command, line: str, says: str) -> None:
    said = platemark("pathtest", "--line", line)
    assert said.exit_code == WRONG
    assert says in said.output
    assert Path("platemark.toml").read_text(encoding="utf-8") == PAPERS


def test_parts_of_an_original_that_are_not_all_named_are_told(platemark: Command) -> None:
    said = platemark("strip", write_scan(Path("heron_1of2.tif")))
    assert said.exit_code == WRONG
    assert "heron_2of2 is missing: name all scans of the set together" in said.output
    two = platemark("strip", write_scan(Path("heron.tif")), write_scan(Path("wren.tif")))
    assert "one original" in two.output


def test_a_strip_goes_out_in_the_printers_colours_where_the_file_converts(platemark: Command) -> None:
    with_paper_and_own_stage(Path())
    more = 'profile = "rag.icc"\n[printer]\ncolour = "file"\n'
    Path("platemark.toml").write_text(PAPERS.partition("[print.mini]")[0] + "[paper.rag]\n" + more, encoding="utf-8")
    assert platemark("strip", write_scan(Path("heron.tif"))).exit_code == DONE
    assert embedded(Path("ready/heron.strip-rag-1of4.jpg")).profile.device_class == "prtr"
    # The page tries the way itself: it goes out as it is, whoever converts pictures.
    assert platemark("pathtest", "--paper", "rag").exit_code == DONE
    assert embedded(Path("ready/pathtest.rag.jpg")).profile.device_class == "mntr"

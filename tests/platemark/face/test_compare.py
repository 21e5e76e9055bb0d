"""The command that holds a print against its model, and its page."""

import tomllib
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
import tifffile
from click.testing import CliRunner

from platemark.face.cli import main

PPI = 100


def sheet(seed: int = 3, tone: float = 1.0) -> np.ndarray:
    """A sheet of 60 x 75 mm with soft blots of many colours, on a bed of 80 x 95 mm, 8 bits."""
    rows, columns = (round(side / 25.4 * PPI) for side in (95, 80))
    y, x = (np.mgrid[0:rows, 0:columns] + 0.5) * (25.4 / PPI)
    random = np.random.default_rng(seed)
    picture = np.full((rows, columns, 3), 238.0)
    for _ in range(60):
        at, size = random.uniform((16, 16), (64, 79)), random.uniform(1, 5)
        share = np.clip((size - np.hypot(x - at[0], y - at[1])) * 3 + 0.5, 0, 1)[..., None]
        picture += share * (random.uniform(40, 200, 3) - picture)
    inside = np.clip((30 - np.abs(x - 40)) * 4 + 0.5, 0, 1) * np.clip((37.5 - np.abs(y - 47.5)) * 4 + 0.5, 0, 1)
    bed = 60 + inside[..., None] * (picture * tone - 60)
    noise = np.random.default_rng(seed + round(100 * tone)).normal(0, 1, bed.shape)
    return np.clip(np.rint(bed + noise), 0, 255).astype(np.uint8)


def save(path: Path, array: np.ndarray) -> Path:
    tifffile.imwrite(path, array, photometric="rgb", resolution=(PPI, PPI), resolutionunit="INCH")
    return path


def compare(*words: object, into: Path) -> tuple[int, str]:
    done = CliRunner().invoke(main, ["compare", *map(str, words), "--into", str(into)], catch_exceptions=False)
    return done.exit_code, done.output


@pytest.fixture
def model(tmp_path: Path) -> Path:
    return save(tmp_path / "model.tif", sheet())


class Page(HTMLParser):
    """What a browser would load and show."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.sources: list[str] = []
        self.words = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.sources += [value or "" for name, value in attrs if name in {"src", "href", "onerror"}]

    def handle_data(self, data: str) -> None:
        self.words += data


def test_a_reprint_that_matches_passes_and_a_page_and_figures_lie_there(model: Path, tmp_path: Path) -> None:
    code, said = compare(model, save(tmp_path / "reprint.tif", sheet(tone=1.003)), into=tmp_path / "out")
    assert code == 0
    assert "Passes: " in said
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == [
        "model against reprint compared.html",
        "model against reprint compared.toml",
    ]
    figures = tomllib.loads((tmp_path / "out" / "model against reprint compared.toml").read_text("utf-8"))
    assert figures["verdict"] == "passes"
    assert figures["colour"]["mean"] <= 1.5
    assert figures["thresholds"]["mean_stops"] == 3.0


def test_the_page_needs_nothing_beside_itself_and_runs_nothing(model: Path, tmp_path: Path) -> None:
    nasty = save(tmp_path / "a<img src=x onerror=alert(1)>.tif", sheet(tone=1.003))
    compare(model, nasty, into=tmp_path / "out")
    [path] = (tmp_path / "out").glob("*.html")
    page = Page(path.read_text("utf-8"))
    assert "script" not in page.tags
    assert all(source.startswith("data:image/") for source in page.sources)
    assert "a<img src=x onerror=alert(1)>.tif" in page.words, "the name as it is, as text"
    assert path.stat().st_size < 2_000_000


def test_a_print_far_off_does_not_match_and_says_why(model: Path, tmp_path: Path) -> None:
    code, said = compare(model, save(tmp_path / "dark.tif", sheet(tone=0.85)), into=tmp_path / "out")
    assert code == 1
    assert "Does not match: the colours differ by" in said
    assert "darker" in said


def test_both_may_lie_in_one_scan_and_an_older_report_stays(tmp_path: Path) -> None:
    both = save(tmp_path / "both.tif", np.concatenate([sheet(), sheet(tone=0.995)], axis=1))
    for _ in range(2):
        code, said = compare(both, into=tmp_path / "out")
        assert code == 0, said
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == [
        "both compared-2.html",
        "both compared-2.toml",
        "both compared.html",
        "both compared.toml",
    ]


def refused(*words: object, tmp_path: Path) -> str:
    code, said = compare(*words, into=tmp_path / "out")
    assert code == 1
    assert not (tmp_path / "out").exists(), "nothing is written"
    return said


def test_two_different_pictures_are_refused(model: Path, tmp_path: Path) -> None:
    said = refused(model, save(tmp_path / "other.tif", sheet(seed=11)), tmp_path=tmp_path)
    assert "not two scans of the same picture" in said


def test_what_is_no_picture_is_named(model: Path, tmp_path: Path) -> None:
    note = tmp_path / "note.tif"
    note.write_text("no picture")
    assert "note.tif is not an image that can be used" in refused(model, note, tmp_path=tmp_path)


def test_one_scan_with_one_sheet_is_not_two(model: Path, tmp_path: Path) -> None:
    assert "1 sheet lies on model.tif, not 2" in refused(model, tmp_path=tmp_path)


def test_a_scan_whose_sheet_is_not_certain_is_named(model: Path, tmp_path: Path) -> None:
    cut = save(tmp_path / "cut.tif", sheet()[150:250, 60:260])
    assert "cut.tif" in refused(model, cut, tmp_path=tmp_path)

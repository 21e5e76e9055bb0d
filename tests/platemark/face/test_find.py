"""The command that only looks."""

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from conftest import sheet_scan, write_scan
from platemark.face.cli import main


@pytest.fixture
def scan(tmp_path: Path) -> Path:
    # 50 x 65 mm, turned by 2 degrees; a wider bed than that of other tests is not needed: nothing lies near its rim.
    return write_scan(tmp_path / "heron.tif", sheet_scan(seed=3, skew=2.0))


def find(*words: object) -> tuple[int, str]:
    done = CliRunner().invoke(main, ["find", *map(str, words)], catch_exceptions=False)
    return done.exit_code, done.output


def test_the_form_for_programs_has_corners_skew_and_confidence(scan: Path) -> None:
    code, said = find(scan, "--json")
    look = json.loads(said)["heron.tif"]
    assert (code, look["decision"]) == (0, "crop")
    [item] = look["items"]
    assert item["skew_deg"] == pytest.approx(2.0, abs=0.06)
    # The bed is 384 x 472 pixels and the sheet 50 x 65 mm at 150 ppi about its middle: see conftest.sheet_scan.
    across = item["corners_px"][1][0] - item["corners_px"][0][0]
    assert across == pytest.approx(50 / 25.4 * 150, abs=1.5)
    assert 0.5 < item["confidence"] <= 1


def test_a_person_reads_size_and_skew(scan: Path) -> None:
    code, said = find(scan)
    assert code == 0
    assert "+2.0" in said
    assert "50." in said or "49." in said


def test_the_sheet_is_drawn_on_a_small_picture(scan: Path, tmp_path: Path) -> None:
    find(scan, "--picture", tmp_path / "drawn")
    with Image.open(tmp_path / "drawn" / "heron.found.jpg") as picture:
        assert picture.convert("RGB").getextrema()[0][1] > 250, "the orange line"


def test_what_is_no_scan_is_held_with_the_reason_and_nothing_is_made(tmp_path: Path) -> None:
    broken = tmp_path / "note.tif"
    broken.write_text("no picture")
    code, said = find(broken, "--json")
    look = json.loads(said)["note.tif"]
    assert (code, look["decision"], look["items"]) == (1, "held", [])
    assert "no TIFF, PNG or JPEG" in look["reason"]
    assert [path.name for path in tmp_path.iterdir()] == ["note.tif"]


def test_a_scan_that_does_not_say_its_resolution_is_looked_at_all_the_same(tmp_path: Path) -> None:
    path = tmp_path / "bare.png"
    Image.fromarray(sheet_scan(seed=3, skew=2.0)).resize((1427, 1754)).save(path)  # as long as an A4 bed at 150 ppi
    code, said = find(path, "--json")
    assert code == 0
    assert json.loads(said)["bare.png"]["items"][0]["skew_deg"] == pytest.approx(2.0, abs=0.35)


def test_parts_are_looked_at_as_one_and_it_is_told_how_they_lie(tmp_path: Path) -> None:
    # Two cuts of one scan; grain makes every place of it another. The second begins 84 pixels further right.
    grain = np.random.Generator(np.random.PCG64(9)).integers(-12, 12, (59, 48, 1))
    whole = sheet_scan(seed=3) + np.kron(grain, np.ones((8, 8, 1), int))
    cuts = {"heron_1of2.tif": whole[:, :300], "heron_2of2.tif": whole[:, 84:]}
    files = [write_scan(tmp_path / name, np.clip(cut, 0, 255).astype(np.uint8)) for name, cut in cuts.items()]
    said = json.loads(find(*files, "--json", "--picture", tmp_path / "drawn")[1])
    join = said["joins"]["heron"]
    assert join["decision"] == "join"
    assert set(join["to_reference"]) == set(cuts)
    first, second = (join["to_reference"][name] for name in cuts)
    # Only how they lie to each other counts: the frame may begin anywhere.
    apart = [[b - a for a, b in zip(*rows, strict=True)] for rows in zip(first, second, strict=True)]
    assert apart == [pytest.approx([0, 0, 84], abs=0.05), pytest.approx([0, 0, 0], abs=0.05)]
    assert said["heron"]["decision"] in {"crop", "held", "leave"}
    assert (tmp_path / "drawn" / "heron.found.jpg").is_file()


def test_one_part_alone_says_which_is_missing(tmp_path: Path) -> None:
    code, said = find(write_scan(tmp_path / "heron_1of2.tif"), "--json")
    looked = json.loads(said)
    assert (code, looked["joins"]["heron"]["decision"]) == (1, "held")
    assert "heron_2of2 is missing" in looked["heron"]["reason"]

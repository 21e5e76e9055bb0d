"""A new stage works as it is written, and so does its test."""

import subprocess
import sys
from pathlib import Path

import pytest

from conftest import CONFIG, Bench
from platemark.contract.plugins import load_plugins
from platemark.errors import PlatemarkError
from platemark.face.new_stage import write_new_stage
from platemark.testing import check_stage


def test_the_stage_that_is_written_keeps_the_contract(tmp_path: Path) -> None:
    write_new_stage("warm_tone", tmp_path)
    found = load_plugins(tmp_path)
    assert found.refused == {}
    stage = found.stage("warm_tone")
    assert stage.kind.__name__ == "WarmTone"
    check_stage(stage.kind)


def test_its_own_test_passes_where_it_was_written(tmp_path: Path) -> None:
    write_new_stage("tone", tmp_path)
    run = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", str(tmp_path)],
        check=False,
        capture_output=True,
        text=True,
        cwd=tmp_path,
    )
    assert "2 passed" in run.stdout, run.stdout


def test_it_makes_prints_once_the_config_names_it(tmp_path: Path) -> None:
    bench = Bench(tmp_path / "studio")
    write_new_stage("tone", bench.root / "stages")
    chain = 'stages_dir = "stages"\nstages = ["deskew", "crop", "resample", "tone", "border", "jpeg"]\n'
    bench.file.write_text(chain + CONFIG + "[stage.tone]\npercent = -3\n")
    bench.drop("heron.tif")
    assert {outcome.status for outcome in bench.run()} == {"ready"}
    # -3 per cent of 65535 levels, rounded down.
    assert "add = -1967" in (bench.root / "ready" / "heron.card.toml").read_text()


def test_two_files_are_written_and_said(tmp_path: Path) -> None:
    new = tmp_path / "new"
    assert write_new_stage("tone", new) == (new / "tone.py", new / "test_tone.py")


@pytest.mark.parametrize("name", ["Tone", "2nd", "to-ne", "", "class", "test_tone", "../tone", "töne"])
def test_a_name_that_no_stage_can_have_is_refused_with_what_can(tmp_path: Path, name: str) -> None:
    with pytest.raises(PlatemarkError, match="no name for a stage") as told:
        write_new_stage(name, tmp_path)
    assert "small letters" in (told.value.remedy or "")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", ["random", "numpy", "platemark"])
def test_a_name_that_python_knows_already_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(PlatemarkError, match=f'called "{name}" already'):
        write_new_stage(name, tmp_path)


@pytest.mark.parametrize("there", ["tone.py", "test_tone.py"])
def test_what_lies_there_is_left_as_it_is(tmp_path: Path, there: str) -> None:
    (tmp_path / there).write_text("mine")
    with pytest.raises(PlatemarkError, match=f"{there} is there already"):
        write_new_stage("tone", tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == [there]
    assert (tmp_path / there).read_text() == "mine"


def test_a_folder_that_cannot_be_made_is_told(tmp_path: Path) -> None:
    (tmp_path / "stages").write_text("a file")
    with pytest.raises(PlatemarkError, match="cannot be made"):
        write_new_stage("tone", tmp_path / "stages" / "deep")

"""Carrying: a scan that is sent away gives the same files in the same places as one that is worked on here."""

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from conftest import CONFIG, Bench, sheet_scan, with_paper_and_own_stage
from platemark.config.model import Config
from platemark.errors import PlatemarkError
from platemark.flow.prepare import prepare
from platemark.flow.workers.carrying import Carried
from platemark.flow.workers.here import Here
from platemark.flow.workers.parcel import check_can_be_carried
from platemark.flow.workers.processes import Processes

EVERYTHING = (
    'stages_dir = "stages"\nstages = ["deskew", "crop", "resample", "proof", "tint", "border", "jpeg"]\n'
    + CONFIG.replace("[print.card]\n", '[print.card]\npaper = "rag"\n')
    + '\n[paper.rag]\nprofile = "rag.icc"\n'
)


@pytest.fixture(scope="module")
def carried() -> Iterator[Carried]:
    """Away are processes that see nothing of the studio; here is this one."""
    executor = Carried(Processes(2), Here())
    yield executor
    executor.shutdown()


def studio(root: Path) -> Bench:
    root.mkdir()
    with_paper_and_own_stage(root)
    bench = Bench(root, EVERYTHING)
    bench.drop("heron.tif")
    (bench.root / "scans" / "heron.toml").write_text('title = "Heron, first light"\n', encoding="utf-8")
    bench.drop("wren.tif", sheet_scan(seed=2, skew=1.5))
    bench.drop("egret.tif", sheet_scan(seed=3, bits=16))
    return bench


def scans(bench: Bench) -> list[Path]:
    return sorted((bench.root / "scans").glob("*.tif"))


def contents(bench: Bench) -> dict[str, bytes]:
    """All files of a studio; of a manifest what does not tell when and where it was made."""
    paths = [path for folder in bench.root.iterdir() if folder.is_dir() for path in folder.rglob("*")]
    return {
        path.relative_to(bench.root).as_posix(): path.read_bytes().partition(b"\n[made]")[0]
        for path in paths
        if path.is_file() and not path.name.startswith(".") and "__pycache__" not in path.parts
    }


def test_what_comes_back_is_what_would_have_been_made_here(tmp_path: Path, carried: Carried) -> None:
    here, away = studio(tmp_path / "here"), studio(tmp_path / "away")
    made_here = [outcome for told in prepare(here.studio, scans(here)) for outcome in told]
    made_away = [outcome for told in prepare(away.studio, scans(away), carried, 2) for outcome in told]
    assert [(one.scan, one.print_name, one.status) for one in made_away] == [
        (one.scan, one.print_name, one.status) for one in made_here
    ]
    assert contents(away) == contents(here)
    assert all(outcome.export and outcome.export.is_file() for outcome in made_away)


def test_a_scan_that_is_held_away_is_held_here_with_its_note(tmp_path: Path, carried: Carried) -> None:
    bench = studio(tmp_path / "studio")
    bench.drop("heron.tif", sheet_scan()[:, :, :3] * 0 + 200)
    outcomes = [outcome for told in prepare(bench.studio, scans(bench), carried, 2) for outcome in told]
    assert {outcome.status for outcome in outcomes if outcome.scan == "heron.tif"} == {"held"}
    assert "heron.tif" in bench.names("held")
    assert "heron.held.toml" in bench.names("held")


def test_a_name_that_is_taken_here_is_passed_over(tmp_path: Path, carried: Carried) -> None:
    bench = studio(tmp_path / "studio")
    list(prepare(bench.studio, scans(bench), carried, 2))
    bench.drop("heron.tif", sheet_scan(seed=77))
    outcomes = [outcome for told in prepare(bench.studio, scans(bench), carried, 2) for outcome in told]
    assert [outcome.export.name for outcome in outcomes if outcome.export] == ["heron-2.card.jpg", "heron-2.mini.jpg"]


def test_a_set_is_carried_whole(tmp_path: Path, carried: Carried) -> None:
    bench = Bench(tmp_path / "studio")
    whole = sheet_scan(seed=3)
    parts = [bench.drop("heron_1of2.tif", whole[:, :300]), bench.drop("heron_2of2.tif", whole[:, 84:])]
    outcomes = [outcome for told in prepare(bench.studio, parts, carried, 2) for outcome in told]
    assert [(outcome.scan, outcome.status) for outcome in outcomes] == [("heron.tif", "ready")] * 2
    assert bench.names("scans") == []
    assert len(bench.names("originals")) == 2


def test_folders_that_lie_elsewhere_cannot_be_carried(tmp_path: Path) -> None:
    bench = Bench(tmp_path / "studio")
    folders = bench.studio.config.folders.model_copy(update={"ready": tmp_path / "elsewhere"})
    config: Config = bench.studio.config.model_copy(update={"folders": folders})
    with pytest.raises(PlatemarkError, match='folders = "shared"'):
        check_can_be_carried(bench.file, config)
    shutil.rmtree(bench.root)

"""What a manifest tells of its making is what a resolver needs, and platemark itself is archived whole."""

import importlib.metadata
import io
import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name, parse_wheel_filename

import platemark
import platemark_stages
from conftest import Bench
from platemark.records.distributions import _head, damaged_files, installed, installed_in, pinned
from platemark.records.making import making_of, this_engine
from platemark.records.manifest import read_manifest
from platemark.records.store import sha256_of
from platemark.records.wheel import file_name, packed


@pytest.fixture(autouse=True)
def just_started() -> None:
    """What is installed is looked up once a process, and other tests install other things."""
    this_engine.cache_clear()


def needed(name: str, extra: str = "") -> set[str]:
    """What a distribution needs here. The library `packaging` is the judge, which works out the conditions."""
    found = set[str]()
    for words in importlib.metadata.requires(name) or []:
        asked = Requirement(words)
        if asked.marker is None or asked.marker.evaluate({"extra": extra}):
            found |= {canonicalize_name(asked.name)}.union(*(needed(asked.name, own) for own in ["", *asked.extras]))
    return found


def test_every_distribution_that_platemark_needs_is_written_down_and_none_of_the_tests(bench: Bench) -> None:
    bench.drop("heron.tif")
    bench.run()
    path = bench.root / "ready" / "heron.card.toml"
    making = making_of(read_manifest(path).made, path.name)
    assert making is not None
    assert {one.name for one in making.distributions} == needed("platemark")
    assert all(one.version == importlib.metadata.version(one.name) for one in making.distributions)
    assert making.python == ".".join(map(str, sys.version_info[:3]))
    assert [one.name for one in making.wheels] == ["platemark"]
    for one in making.wheels:
        assert sha256_of(bench.root / "originals" / "wheels" / f"{one.sha256}.whl") == one.sha256


def test_what_is_read_of_a_distribution_without_its_description_is_what_python_itself_reads() -> None:
    for found in importlib.metadata.distributions():
        for key in ("Name", "Version", "Requires-Dist"):
            assert _head(found).get_all(key) == found.metadata.get_all(key), found.name


def test_the_archived_wheel_is_one_that_pip_installs_and_holds_all_that_runs(tmp_path: Path) -> None:
    (wheel,) = this_engine().wheels
    path = tmp_path / file_name(wheel)
    path.write_bytes(wheel)
    assert parse_wheel_filename(path.name)[0] == "platemark"
    options = ["--no-deps", "--no-index", "--no-compile", "--quiet", "--disable-pip-version-check"]
    target = tmp_path / "installed"
    command = [sys.executable, "-m", "pip", "install", *options, "--target", str(target), str(path)]
    subprocess.run(command, check=True, env={**os.environ, "PIP_FIND_LINKS": ""})
    for package in (platemark, platemark_stages):
        root = Path(str(package.__file__)).parent
        for file in (file for file in root.rglob("*") if file.is_file() and file.suffix != ".pyc"):
            assert (target / root.name / file.relative_to(root)).read_bytes() == file.read_bytes()
    found = installed_in(target)["platemark"]
    assert list(damaged_files(found)) == []
    assert "built-in" in {point.name for point in found.entry_points}


def test_the_same_code_makes_the_same_wheel_wherever_it_was_installed_from() -> None:
    distribution = importlib.metadata.distribution("platemark")
    assert packed(distribution) == packed(distribution)
    with zipfile.ZipFile(io.BytesIO(packed(distribution))) as wheel:
        assert {entry.date_time for entry in wheel.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        assert not [name for name in wheel.namelist() if "direct_url" in name or name.endswith((".pth", ".pyc"))]


@pytest.fixture
def click_elsewhere(tmp_path: Path) -> Path:
    """The library click as another installer leaves it: other notes of its own, a start script, compiled files."""
    source = installed("click")
    assert source is not None
    for file in source.files or []:
        if ".." not in file.parts and file.suffix != ".pyc":
            target = tmp_path / file
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(Path(str(file.locate())).read_bytes())
    (record,) = tmp_path.glob("click-*.dist-info/RECORD")
    rows = [row for row in record.read_text().splitlines() if "INSTALLER" not in row and ".pyc" not in row]
    added = ["../../../bin/click,sha256=abc,3", "click/__pycache__/core.cpython-311.pyc,,"]
    record.write_text("\n".join([*reversed(rows), *added]) + "\n")
    return tmp_path


def test_who_installed_a_distribution_and_where_does_not_count_but_a_changed_file_does(click_elsewhere: Path) -> None:
    here, there = installed("click"), installed_in(click_elsewhere)["click"]
    assert here is not None
    assert pinned(here) == pinned(there)
    assert list(damaged_files(there)) == []
    (click_elsewhere / "click" / "core.py").write_text("pass\n")
    (click_elsewhere / "click" / "termui.py").unlink()
    assert sorted(damaged_files(there)) == ["click/core.py", "click/termui.py"]


def test_what_is_no_wheel_is_refused() -> None:
    with pytest.raises(ValueError, match="not a zip"):
        file_name(b"no wheel")

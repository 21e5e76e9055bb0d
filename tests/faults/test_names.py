"""Section A of the faults, names: scans that want one name, hostile names, folders inside folders; see README.md."""

import errno
import os
import tomllib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from structlog.testing import capture_logs

from conftest import BOTH, PLAIN, Bench, sheet_scan, write_scan
from platemark.errors import ConfigError, StoreError
from platemark.flow.studio import open_studio
from platemark.records import disk, store
from platemark.records.names import name_key
from scan_files import jpeg, noise, opened, widened


@pytest.fixture
def studio(tmp_path: Path) -> Bench:
    """Two prints, of scans that are sheets themselves."""
    return Bench(tmp_path / "studio", PLAIN)


def test_f21_two_scans_of_one_name_get_exports_of_their_own(studio):
    studio.drop("heron.tif")
    studio.drop("heron.tiff", sheet_scan(seed=1))
    studio.run()
    assert studio.names("ready") == sorted([*BOTH, *(name.replace("heron", "heron-2") for name in BOTH)])


@pytest.mark.parametrize(("one", "other"), [("Heron.tif", "heron.tif"), ("caf\u00e9.tif", "cafe\u0301.tif")])
def test_f21_names_that_are_one_on_some_disks_get_exports_of_their_own(studio, one, other):
    studio.drop(one)
    studio.drop(other, sheet_scan(seed=1))
    if len(list((studio.root / "scans").iterdir())) == 1:
        pytest.skip("these two are one name on this disk")
    studio.run()
    keys = {name_key(name) for name in studio.names("ready")}
    assert len(keys) == len(studio.names("ready")) == 8
    assert [status for _print, status in studio.statuses] == ["ready"] * 4


@pytest.mark.parametrize(
    "name",
    [
        "-rf.tif",
        "line\nbreak.tif",
        "red\x1b[31m.tif",
        os.fsdecode(b"latin1-\xe9.tif"),
        "x.tif[page=8]",
        "x" * 251 + ".tif",
        "no ending",
    ],
    ids=ascii,
)
def test_f22_f23_a_scan_of_a_hostile_name_is_printed_like_any_other(studio, tmp_path, name):
    write_scan(tmp_path / "plain.tif").rename(studio.root / "scans" / name)
    outcomes = studio.run()
    assert [outcome.status for outcome in outcomes] == ["ready", "ready"]
    assert studio.names("scans") == []
    for outcome in outcomes:
        assert outcome.export is not None
        assert outcome.export.name.isprintable()
        assert outcome.scan.encode("utf-8").isascii() or outcome.scan.isprintable()


@pytest.mark.parametrize(
    "name", ["line\nbreak.tif", os.fsdecode(b"latin1-\xe9.tif"), "x" * 251 + ".tif"], ids=["newline", "bytes", "long"]
)
def test_f22_f23_a_scan_of_a_hostile_name_is_held_like_any_other(studio, name):
    (studio.root / "scans" / name).write_bytes(b"no picture")
    [outcome] = studio.run()
    assert outcome.status == "held"
    assert (studio.root / "held" / name).read_bytes() == b"no picture"
    [note] = (studio.root / "held").glob("*.held.toml")
    assert tomllib.loads(note.read_text(encoding="utf-8"))["held"]


@pytest.mark.parametrize(
    "name", [b"x.jpg[shrink=8]", b"two\nlines.tif", b"not-utf8-\xff\xfe.tif", b"-rf.tif", "\u202egnp.tif".encode()]
)
def test_f22_a_strange_name_is_only_a_name(tmp_path: Path, name: bytes) -> None:
    path = Path(os.fsdecode(os.fsencode(tmp_path) + b"/" + name))
    try:
        path.touch()
    except OSError:
        pytest.skip("this file system does not take the name")
    assert np.array_equal(opened(jpeg(path, noise())), widened(np.asarray(Image.open(path))))


def test_f24_a_file_that_another_program_has_open_is_waited_for(tmp_path, monkeypatch):
    waits: list[float] = []
    monkeypatch.setattr(disk.time, "sleep", waits.append)
    path, unlink, refusals = write_scan(tmp_path / "heron.tif"), Path.unlink, iter([32, 5])

    def busy(self: Path, *, missing_ok: bool = False) -> None:
        code = next(refusals, None)
        if code:
            fault = PermissionError(errno.EACCES, "in use")
            fault.winerror = code
            raise fault
        unlink(self, missing_ok=missing_ok)

    monkeypatch.setattr(Path, "unlink", busy)
    store.remove(path, step="test")
    assert not path.exists()
    assert len(waits) == 2


def test_f24_a_file_that_stays_open_is_told_in_the_end(tmp_path, monkeypatch):
    waits: list[float] = []
    monkeypatch.setattr(disk.time, "sleep", waits.append)
    fault = PermissionError(errno.EACCES, "in use")
    fault.winerror = 32  # ERROR_SHARING_VIOLATION

    def busy(_path: Path, *, missing_ok: bool = False) -> None:  # noqa: ARG001
        raise fault

    monkeypatch.setattr(Path, "unlink", busy)
    with pytest.raises(StoreError, match="heron"):
        store.remove(tmp_path / "heron.tif", step="test")
    assert 0 < sum(waits) < 10


NESTED = [("ready", "scans/out"), ("originals", "scans"), ("held", "scans/held"), ("scans", "ready/in")]


@pytest.mark.parametrize(("folder", "inside"), [*NESTED, ("ready", "link")], ids=str)
def test_f25_a_folder_inside_another_stops_with_both_paths(tmp_path, folder, inside):
    (tmp_path / "scans").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "scans", target_is_directory=True)
    config = tmp_path / "platemark.toml"
    config.write_text(f'{PLAIN}[folders]\n{folder} = "{inside}"\n')
    with pytest.raises(ConfigError) as refused:
        open_studio(config)
    assert str((tmp_path / inside).resolve()) in str(refused.value)
    assert str(tmp_path / ("ready" if folder == "scans" else "scans")) in str(refused.value)
    assert "lies inside" in str(refused.value)


def test_f27_the_same_scan_under_another_name_is_not_kept_or_printed_twice_and_the_log_says_so(studio):
    for name in ("heron.tif", "other.tif"):
        studio.drop(name)
    with capture_logs() as log:
        studio.run()
    assert studio.statuses == [("card", "ready"), ("mini", "ready"), ("card", "known"), ("mini", "known")]
    assert studio.names("ready") == BOTH
    assert len(list((studio.root / "originals").glob("*.tif"))) == 1
    told = [line for line in log if "not made again" in line["event"]]
    assert [(line["scan"], line["export"]) for line in told] == [("other.tif", BOTH[0]), ("other.tif", BOTH[2])]

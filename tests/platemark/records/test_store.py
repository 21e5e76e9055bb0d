"""The store writes files so that they last, and keeps originals by content."""

import errno
import hashlib
import os
import stat
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from platemark.errors import StoreError
from platemark.records import store
from platemark.records.names import name_key, readable_stem, shown

SCAN = b"what a scanner wrote" * 1000


def scan_named(folder: Path, name: str | bytes, content: bytes = SCAN) -> Path:
    path = folder / os.fsdecode(name)
    path.write_bytes(content)
    return path


@pytest.fixture
def originals(tmp_path: Path) -> Path:
    folder = tmp_path / "originals"
    folder.mkdir()
    return folder


def refusing(code: int):
    def refuse(*_arguments: object, **_options: object) -> None:
        raise OSError(code, os.strerror(code))

    return refuse


# Originals.


def test_an_original_is_kept_under_a_readable_name_with_the_start_of_its_hash(tmp_path, originals):
    kept = store.keep_original(scan_named(tmp_path, "heron.TIF"), originals)
    assert kept.path.name == f"heron-{hashlib.sha256(SCAN).hexdigest()[:12]}.tif"
    assert kept.path.read_bytes() == SCAN
    assert [path.name for path in originals.iterdir()] == [kept.path.name]


def test_the_same_content_under_another_name_is_kept_once(tmp_path, originals):
    first = store.keep_original(scan_named(tmp_path, "heron.tif"), originals)
    second = store.keep_original(scan_named(tmp_path, "heron again.tif"), originals)
    assert (second.path, second.first_stem, second.stem) == (first.path, "heron", "heron again")
    assert len(list(originals.iterdir())) == 1


@pytest.mark.parametrize("damage", [b"", SCAN[:-1], b"x" + SCAN[1:]], ids=["empty", "short", "changed"])
def test_a_damaged_original_is_set_aside_in_sight_and_written_anew(tmp_path, originals, damage):
    scan = scan_named(tmp_path, "heron.tif")
    kept = store.keep_original(scan, originals)
    kept.path.write_bytes(damage)
    assert store.keep_original(scan, originals) == kept
    assert kept.path.read_bytes() == SCAN
    assert kept.path.with_name(f"{kept.path.name}.damaged").read_bytes() == damage


def test_two_damaged_originals_are_both_set_aside(tmp_path, originals):
    scan = scan_named(tmp_path, "heron.tif")
    for damage in (b"first", b"second"):
        store.keep_original(scan, originals).path.write_bytes(damage)
    store.keep_original(scan, originals)
    assert {path.read_bytes() for path in originals.iterdir()} == {b"first", b"second", SCAN}


def test_a_damaged_profile_is_set_aside_and_written_anew(tmp_path):
    kept = store.keep_by_content(b"profile", tmp_path / "profiles", ".icc")
    kept.write_bytes(b"prof")
    assert store.keep_by_content(b"profile", tmp_path / "profiles", ".icc") == kept
    assert sorted(path.read_bytes() for path in kept.parent.iterdir()) == [b"prof", b"profile"]


@pytest.mark.parametrize(
    "name",
    [
        "no ending",
        "dots.2024-05-01",
        "-rf.tif",
        "line\nbreak.tif",
        "red\x1b[31m.tif",
        b"latin1-\xe9.tif",
        "x.jpg[shrink=8]",
        "x" * 251 + ".tif",
        "x." + "y" * 253,
        "con.tif",
        "\u202ereversed.tif",
    ],
)
def test_a_hostile_name_is_kept_once_under_a_name_that_any_disk_takes(tmp_path, originals, name):
    scan = scan_named(tmp_path, name)
    kept = store.keep_original(scan, originals)
    assert store.keep_original(scan, originals) == kept
    assert kept.path.name.isprintable()
    assert len(kept.path.name.encode()) <= 255  # NAME_MAX of POSIX file systems
    assert not set(kept.path.name) & set('<>:"/\\|?*')  # what Windows reserves
    assert kept.path.name.startswith(f"{kept.stem}-")


def test_an_original_that_the_disk_did_not_keep_is_not_trusted(tmp_path, originals, monkeypatch):
    monkeypatch.setattr(store.shutil, "copyfileobj", lambda source, target, _size: target.write(source.read()[:-1]))
    with pytest.raises(StoreError, match="not what was written"):
        store.keep_original(scan_named(tmp_path, "heron.tif"), originals)
    assert list(originals.iterdir()) == []


# Writing.


def test_a_file_is_synced_before_it_gets_its_name_and_the_name_after(tmp_path, monkeypatch):
    # Without the first a power cut leaves an empty file of that name, without the second no file at all
    # (Pillai et al., OSDI 2014).
    done: list[str] = []
    link = os.link

    def sync(descriptor: int) -> None:
        done.append("folder" if stat.S_ISDIR(os.fstat(descriptor).st_mode) else "file")

    monkeypatch.setattr(store.os, "link", lambda *names: (done.append("name"), link(*names)))
    monkeypatch.setattr(store.os, "fsync", sync)
    store.write_whole(tmp_path / "export.jpg", b"jpeg", step="out")
    assert done == ["file", "name", "folder"]


@pytest.mark.parametrize("links", [True, False], ids=["with hard links", "without"])
def test_a_file_of_that_name_is_never_overwritten(tmp_path, monkeypatch, links):
    if not links:
        monkeypatch.setattr(store.os, "link", refusing(errno.EPERM))
    target = tmp_path / "export.jpg"
    target.write_bytes(b"hers")
    with pytest.raises(FileExistsError):
        store.write_whole(target, b"ours", step="out")
    assert [path.read_bytes() for path in tmp_path.iterdir()] == [b"hers"]


def test_a_disk_without_hard_links_is_written_to_all_the_same(tmp_path, monkeypatch):
    monkeypatch.setattr(store.os, "link", refusing(errno.EPERM))
    store.write_whole(tmp_path / "export.jpg", b"jpeg", step="out")
    assert [(path.name, path.read_bytes()) for path in tmp_path.iterdir()] == [("export.jpg", b"jpeg")]


def test_a_left_over_second_name_of_a_finished_file_is_not_written_through(tmp_path, monkeypatch):
    target = tmp_path / "note.toml"
    # A crash after the name was given and before the temporary one was taken away.
    with monkeypatch.context() as crash:
        crash.setattr(Path, "unlink", lambda _path, missing_ok=False: None)  # noqa: ARG005
        store.write_whole(target, b"finished", step="out")
    monkeypatch.setenv("PLATEMARK_FAILPOINT", "out.sync:enospc")
    with pytest.raises(StoreError):
        store.write_whole(target, b"half", step="out", replace=True)
    assert target.read_bytes() == b"finished"


@pytest.mark.parametrize("step", ["write", "sync", "publish"])
def test_a_full_disk_leaves_nothing_and_the_message_names_file_and_remedy(tmp_path, monkeypatch, step):
    monkeypatch.setenv("PLATEMARK_FAILPOINT", f"out.{step}:enospc")
    with pytest.raises(StoreError) as refused:
        store.write_whole(tmp_path / "export.jpg", b"jpeg", step="out")
    assert str(tmp_path / "export.jpg") in refused.value.what
    assert f"make room on the disk of {tmp_path}" in (refused.value.remedy or "")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("code", "remedy"), [(errno.EROFS, "allow writing"), (errno.EACCES, "allow writing"), (errno.EIO, "look after")]
)
def test_a_refusing_disk_is_told_with_path_and_remedy(tmp_path, monkeypatch, code, remedy):
    monkeypatch.setattr(store.os, "fsync", refusing(code))
    with pytest.raises(StoreError) as refused:
        store.write_whole(tmp_path / "export.jpg", b"jpeg", step="out")
    assert os.strerror(code) in refused.value.what
    assert (refused.value.remedy or "").startswith(remedy)
    assert str(tmp_path) in (refused.value.remedy or "")


def test_only_our_own_left_overs_are_cleared(tmp_path):
    ours, hers = tmp_path / f"{store.TEMPORARY}abc", tmp_path / "upload.part"
    for path in (ours, hers):
        path.write_bytes(b"half")
    store.clear_temporary(tmp_path)
    assert list(tmp_path.iterdir()) == [hers]


# Moving and taking away.


def test_a_file_is_moved_under_the_new_name(tmp_path):
    store.move(scan_named(tmp_path, "heron.tif"), tmp_path / "held.tif")
    assert [(path.name, path.read_bytes()) for path in tmp_path.iterdir()] == [("held.tif", SCAN)]


def test_a_file_is_moved_to_another_disk_whole(tmp_path, monkeypatch):
    link = os.link

    def to_another_disk(source: Path, target: Path) -> None:
        if Path(source).name == "heron.tif":
            raise OSError(errno.EXDEV, os.strerror(errno.EXDEV))
        link(source, target)

    monkeypatch.setattr(store.os, "link", to_another_disk)
    store.move(scan_named(tmp_path, "heron.tif"), tmp_path / "held.tif")
    assert [(path.name, path.read_bytes()) for path in tmp_path.iterdir()] == [("held.tif", SCAN)]


def test_a_move_never_overwrites(tmp_path):
    source, place = scan_named(tmp_path, "heron.tif"), scan_named(tmp_path, "held.tif", b"another")
    with pytest.raises(StoreError, match="taken"):
        store.move(source, place)
    assert (source.read_bytes(), place.read_bytes()) == (SCAN, b"another")


def test_a_move_that_a_crash_cut_short_is_finished(tmp_path):
    source, place = scan_named(tmp_path, "heron.tif"), tmp_path / "held.tif"
    os.link(source, place)
    store.move(source, place)
    assert [path.name for path in tmp_path.iterdir()] == ["held.tif"]


# Names.


@given(st.binary(min_size=1, max_size=255).filter(lambda raw: not set(raw) & {0, ord("/")}))
def test_any_name_becomes_one_that_every_disk_takes(raw):
    stem = readable_stem(os.fsdecode(raw))
    assert 0 < len(stem.encode()) <= 200
    assert not stem.endswith((" ", "."))  # Windows drops them in silence
    assert stem == readable_stem(stem) or len(stem.encode()) > 180


@given(st.text(min_size=1, max_size=20), st.text(min_size=1, max_size=20))
def test_names_that_had_to_be_changed_stay_apart(one, other):
    if one != other and readable_stem(one) != one and readable_stem(other) != other:
        assert readable_stem(one) != readable_stem(other)


@pytest.mark.parametrize(("one", "other"), [("A.tif", "a.TIF"), ("caf\u00e9", "cafe\u0301"), ("STRASSE", "straße")])
def test_names_that_are_one_on_some_disks_have_one_key(one, other):
    assert name_key(one) == name_key(other)


@given(st.binary(max_size=50))
def test_any_name_can_be_shown(raw):
    words = shown(os.fsdecode(raw))
    words.encode("utf-8")
    assert "\x1b" not in words
    assert "\n" not in words

"""One worker a studio: the second is told who holds it, and no crash locks anybody out."""

import errno
import os

import pytest
from filelock import FileLock

from platemark.errors import PlatemarkError
from platemark.flow.holder import sole_worker


def test_a_folder_is_let_go_when_the_work_ends_well_or_badly(tmp_path):
    with pytest.raises(ValueError, match="badly"), sole_worker(tmp_path, tmp_path / "scans"):
        raise ValueError("badly")
    with sole_worker(tmp_path, tmp_path / "scans"):
        pass
    assert not (tmp_path / ".platemark.holder").exists()


def test_a_folder_that_cannot_be_written_is_told_with_path_and_remedy(tmp_path, monkeypatch):
    def refuse(_lock: FileLock, timeout: float) -> None:  # noqa: ARG001
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    monkeypatch.setattr(FileLock, "acquire", refuse)
    with pytest.raises(PlatemarkError, match=str(tmp_path)) as refused, sole_worker(tmp_path, tmp_path / "scans"):
        pass
    assert f"allow writing in {tmp_path}" in (refused.value.remedy or "")


def test_a_folder_that_goes_while_it_is_held_spoils_nothing(tmp_path):
    folder = tmp_path / "scans"
    folder.mkdir()
    with sole_worker(folder, folder):
        for path in folder.iterdir():
            path.unlink()
        folder.rmdir()

"""One worker a studio: the second is told who holds it, and no crash locks anybody out."""

import errno
import os
import subprocess
import sys
from pathlib import Path

import pytest
from filelock import FileLock

from platemark.errors import PlatemarkError
from platemark.flow.holder import sole_worker

HOLD_AND_WAIT = """
import sys
from pathlib import Path
from platemark.flow.holder import sole_worker
with sole_worker(Path(sys.argv[1]), Path("scans")):
    print("held", flush=True)
    sys.stdin.read()
"""


@pytest.fixture
def other(tmp_path: Path):
    """Another process that holds the folder."""
    order = [sys.executable, "-c", HOLD_AND_WAIT, str(tmp_path)]
    with subprocess.Popen(order, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "held\n"
        yield process
        process.kill()


def test_a_second_worker_is_told_the_process_that_holds_the_folder(tmp_path, other):
    with pytest.raises(PlatemarkError) as refused, sole_worker(tmp_path, tmp_path / "scans"):
        pass
    assert f"process {other.pid}" in refused.value.what
    assert str(tmp_path / "scans") in (refused.value.remedy or "")


def test_after_a_kill_the_next_worker_starts(tmp_path, other):
    other.kill()
    other.wait()
    with sole_worker(tmp_path, tmp_path / "scans"):
        assert f"process {os.getpid()}\n" in (tmp_path / ".platemark.holder").read_text()


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

"""A room of its own: nobody else's is touched while it is used, and what a killed process left is cleared away."""

import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from platemark.flow.workers.own_room import own_room

STAYING = (
    "import sys, tempfile; tempfile.tempdir = sys.argv[1]\n"
    "from platemark.flow.workers.own_room import own_room\n"
    "with own_room() as room:\n"
    "    (room / 'heron.tif').write_bytes(b'heron')\n"
    "    print(room, flush=True)\n"
    "    sys.stdin.read()\n"
)


@pytest.fixture(autouse=True)
def places(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where this machine keeps what is temporary."""
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    return tmp_path


def test_nothing_is_left_of_it(places: Path) -> None:
    with own_room() as room:
        (room / "heron.tif").write_bytes(b"heron")
    assert list(places.iterdir()) == []


def test_the_room_of_another_is_left_alone_until_it_is_killed(places: Path) -> None:
    order = [sys.executable, "-c", STAYING, str(places)]
    with subprocess.Popen(order, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as other:
        assert other.stdout
        hers = Path(other.stdout.readline().strip())
        with own_room():
            assert (hers / "heron.tif").is_file()
        other.kill()
    with own_room():
        assert not hers.exists()
    assert list(places.iterdir()) == []

"""A room of its own for a scan that is away from home; what a process that was killed left there goes with the next."""

import contextlib
import secrets
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

from filelock import FileLock, Timeout

_PREFIX = "platemark-away-"
_LOCK = ".lock"


@contextlib.contextmanager
def own_room() -> Iterator[Path]:
    """A new folder among the temporary ones of this machine, gone when the block ends."""
    _sweep()
    room = Path(tempfile.gettempdir()) / f"{_PREFIX}{secrets.token_hex(8)}"
    with _held(room):  # before it is there, so that nobody sweeps it away
        room.mkdir(mode=0o700)
        try:
            yield room
        finally:
            shutil.rmtree(room, ignore_errors=True)


def _sweep() -> None:
    """Take away rooms that nobody holds."""
    for room in Path(tempfile.gettempdir()).glob(f"{_PREFIX}*"):
        if room.suffix != _LOCK:
            with contextlib.suppress(Timeout, OSError), _held(room):
                shutil.rmtree(room, ignore_errors=True)


@contextlib.contextmanager
def _held(room: Path) -> Iterator[None]:
    """Hold it; the system lets go of it even after a kill.

    Raises:
        Timeout: somebody else holds it.
    """
    lock = room.with_name(f"{room.name}{_LOCK}")
    with FileLock(lock, timeout=0):
        yield
    with contextlib.suppress(OSError):
        lock.unlink(missing_ok=True)

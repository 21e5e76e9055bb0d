"""One worker a studio: who holds the folder, and a clear word to the second."""

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path

from filelock import FileLock, Timeout

from platemark.errors import PlatemarkError
from platemark.records.disk import errors_named

LOCK = ".platemark.lock"
# Beside the lock, because taking the lock empties the lock file itself.
HOLDER = ".platemark.holder"


@contextlib.contextmanager
def sole_worker(folder: Path, scans: Path) -> Iterator[None]:
    """Hold a studio while the block runs; the system lets go of it even after a kill.

    Args:
        folder: where the lock lies: one that is not taken away and made anew, as `scans/` may be.
        scans: where scans are dropped, to say so.

    Raises:
        PlatemarkError: somebody else holds it; says who. Or it cannot be written.
    """
    lock = FileLock(folder / LOCK)
    holder = folder / HOLDER
    with errors_named(folder / LOCK):
        try:
            lock.acquire(timeout=0)
        except Timeout as fault:
            raise PlatemarkError(
                f"this studio is being worked on by {holder_of(folder)}",
                remedy=f"drop scans into {scans} and it will take them, or end it first",
            ) from fault
    try:
        with errors_named(holder):  # it need not outlast a crash, so no disk is waited for
            holder.write_text(f"platemark, process {os.getpid()}\n", encoding="utf-8")
        yield
    finally:
        with contextlib.suppress(OSError):  # the folder may be gone by now
            holder.unlink(missing_ok=True)
        lock.release()


def holder_of(folder: Path) -> str:
    """Who holds the studio whose lock lies in a folder, or held it last and was killed."""
    try:
        return (folder / HOLDER).read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        return "another process"

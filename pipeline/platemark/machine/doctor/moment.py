"""The clock, and who works on the studio at this moment."""

import contextlib
import time
from collections.abc import Iterator
from datetime import UTC, datetime

from filelock import FileLock, Timeout

from platemark.flow.holder import HOLDER, LOCK, holder_of
from platemark.machine.doctor.check import Check
from platemark.machine.doctor.folders import write_probe
from platemark.machine.subject import Subject

# Clocks of a machine and of a share it writes to differ by seconds; by two minutes, one of them is not kept right.
_APART = 120.0


def clock(subject: Subject, now: float | None = None) -> Iterator[Check]:
    """Whether the clock can be right: not before the config was saved, and the same as that of the disk.

    Args:
        subject: the studio.
        now: seconds since 1970, or None to look at the clock.
    """
    now = time.time() if now is None else now
    said = datetime.fromtimestamp(now, UTC).strftime("%Y-%m-%d %H:%M UTC")
    remedy = "set the clock of this machine; let the system keep it by the network"
    saved = subject.file.stat().st_mtime
    if now < saved - _APART:
        when = datetime.fromtimestamp(saved, UTC).strftime("%Y-%m-%d %H:%M UTC")
        yield Check("clock", "bad", f"it says {said}, but {subject.file.name} was saved later, at {when}", remedy)
        return
    with contextlib.suppress(OSError):  # told by `folders`
        probe = write_probe(subject.folders.scans)
        written = probe.stat().st_mtime
        probe.unlink()
        if abs(written - now) > _APART:
            apart = f"a file written now has a time that is {abs(written - now):.0f} s off"
            yield Check(
                "clock", "note", apart, "set the clock of the machine that holds the folder; no print depends on it"
            )
            return
    yield Check("clock", "good", said)


def lock(subject: Subject) -> Iterator[Check]:
    """Whether somebody works on the studio. The system lets go of the lock of a process that died."""
    folder = subject.folders.originals
    held = FileLock(folder / LOCK)
    if not (folder / LOCK).is_file():  # asking would make it
        yield Check("worker", "good", "nobody works on this studio at the moment")
        return
    try:
        held.acquire(timeout=0)
    except Timeout:
        yield Check("worker", "good", f"this studio is being worked on by {holder_of(folder)}")
        return
    except OSError as fault:
        yield Check(
            "worker", "bad", f"the lock {folder / LOCK} cannot be taken ({fault.strerror})", "see folder originals"
        )
        return
    stale = (folder / HOLDER).exists()
    held.release()
    if stale:
        told = f"{holder_of(folder)} worked on this studio and was ended without warning"
        yield Check("worker", "note", told, "start watch again: it finishes what was left, and nothing is lost")
    else:
        yield Check("worker", "good", "nobody works on this studio at the moment")

"""The four folders: there, readable, writable, files can be renamed in them, and on which disk they are."""

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path

from platemark.machine.doctor.check import Check
from platemark.machine.subject import Subject

# Hidden, so the watcher never takes it for a scan; a number, so that two doctors do not meet.
PROBE = f".platemark-probe-{os.getpid()}"


def folders(subject: Subject) -> Iterator[Check]:
    """Each folder by itself."""
    for name, folder in subject.places.items():
        yield _folder(f"folder {name}", folder)


def _folder(name: str, folder: Path) -> Check:
    if not folder.is_dir():
        if folder.exists() or folder.is_symlink():
            return Check(name, "bad", f"{folder} is no folder", "move that away, or name another in [folders]")
        remedy = "if it is on a disk or share, connect that; otherwise watch makes it when it starts"
        return Check(name, "bad", f"{folder} is not there", remedy)
    try:
        next(folder.iterdir(), None)
    except OSError as fault:
        return Check(name, "bad", f"{folder} cannot be read ({fault.strerror})", "allow yourself to read it")
    try:
        _try_out(folder)
    except OSError as fault:
        remedy = "allow yourself to write there; a disk that is full or locked must be freed first"
        return Check(name, "bad", f"{folder} cannot be written ({fault.strerror})", remedy)
    return Check(name, "good", f"{folder} can be read and written, and files renamed in it")


def _try_out(folder: Path) -> None:
    """What every file here goes through: it is written under one name and gets its own by a rename."""
    probe = write_probe(folder)
    named = probe.with_name(f"{PROBE}-named")
    try:
        probe.replace(named)
    finally:
        for path in (probe, named):
            path.unlink(missing_ok=True)


def write_probe(folder: Path) -> Path:
    """An empty file that no watcher takes up. The caller takes it away.

    Raises:
        OSError: it cannot be written.
    """
    probe = folder / PROBE
    probe.touch()
    return probe


def same_disk(subject: Subject) -> Iterator[Check]:
    """A scan that is held is renamed; across disks it must be copied."""
    disks: dict[str, int] = {}
    for name in ("scans", "held"):
        with contextlib.suppress(OSError):  # told by `folders`
            disks[name] = subject.places[name].stat().st_dev
    if len(set(disks.values())) < 2:
        yield Check("disks", "good", "scans and held lie on one disk, so that a scan is moved by a rename")
        return
    yield Check(
        "disks",
        "note",
        "held and scans lie on different disks: a scan that is held is copied and read back instead of renamed",
        "nothing is lost by that; to be faster, put both on one disk",
    )

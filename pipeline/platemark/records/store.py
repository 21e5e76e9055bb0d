"""The store: the one place that writes files, so that they last.

A file is written aside under a temporary name in the same folder, synced, and renamed; a reader
never meets half a file, and an existing file is never overwritten. Originals, profiles and stage
sources are kept by content: the name carries the start of the sha256.
"""

import contextlib
import hashlib
import os
import re
import shutil
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from platemark.errors import StoreError
from platemark.records.failpoint import reach

TEMPORARY = ".platemark-part-"
_CHUNK = 1 << 20
# 12 hexadecimal digits: among a million originals the odds of two alike are 1 in 500.
# A clash costs nothing but a longer name, since contents are compared in full.
_SHORT = 12
# NAME_MAX is 255 bytes on the file systems in use; the hash, the ending and the temporary prefix need room.
_LONGEST_STEM = 180


@dataclass(frozen=True)
class Kept:
    """A scan in the archive: where, and under which readable name its exports go."""

    path: Path
    stem: str
    sha256: str
    size: int


def sha256_of(path: Path) -> str:
    """Hash of a file's content, in hexadecimal."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def keep_original(scan: Path, originals: Path) -> Kept:
    """Copy a scan into the archive and read it back; a content that is there already stays.

    Raises:
        StoreError: the scan changed while it was copied, or the archive cannot be written.
    """
    digest, size = sha256_of(scan), scan.stat().st_size
    known = find_original(originals, digest)
    if known is not None:
        return known
    stem = readable_stem(scan.stem)
    target = originals / f"{stem}-{digest[:_SHORT]}{scan.suffix.lower()}"
    with _errors_named(target), _aside(target, "archive") as file, scan.open("rb") as original:
        shutil.copyfileobj(original, file, _CHUNK)
        file.flush()
        _check_copy(Path(file.name), scan, digest)
    return Kept(target, stem, digest, size)


def find_original(originals: Path, digest: str) -> Kept | None:
    """The archived scan of this content, checked against its hash, or None.

    An archived file that does not hash to its name (an old crash, a bad disk) is not trusted.
    """
    for path in sorted(originals.glob(f"*-{digest[:_SHORT]}.*")):
        if path.suffix != ".toml" and sha256_of(path) == digest:
            return Kept(path, path.stem[: -_SHORT - 1], digest, path.stat().st_size)
    return None


def keep_by_content(data: bytes, folder: Path, ending: str) -> Path:
    """Keep bytes under their own hash: a profile, the source of a stage."""
    target = folder / f"{hashlib.sha256(data).hexdigest()}{ending}"
    if not (target.exists() and target.read_bytes() == data):
        folder.mkdir(parents=True, exist_ok=True)
        write_whole(target, data, step="keep", replace=True)
    return target


def write_whole(target: Path, data: bytes, *, step: str, replace: bool = False) -> None:
    """Write a file whole or not at all, and durably.

    Args:
        target: the final name.
        data: all of it.
        step: what is being written, for fault tests: `out`, `manifest` ...
        replace: False refuses to overwrite.

    Raises:
        StoreError: the disk is full or the folder cannot be written; nothing is left behind.
        FileExistsError: the name is taken and `replace` is False.
    """
    with _errors_named(target), _aside(target, step, replace=replace) as file:
        reach(f"{step}.write")
        file.write(data)


@contextlib.contextmanager
def _aside(target: Path, step: str, *, replace: bool = False) -> Iterator[BinaryIO]:
    """A temporary file beside the target that takes its name when the block ends well."""
    part = target.with_name(f"{TEMPORARY}{target.name}")
    try:
        with part.open("wb") as file:
            yield file
            file.flush()
            reach(f"{step}.sync")
            os.fsync(file.fileno())
        reach(f"{step}.publish")
        if replace:
            part.replace(target)
        else:
            _publish(part, target)
        reach(f"{step}.dirsync")
        sync_folder(target.parent)
    finally:
        part.unlink(missing_ok=True)


def _publish(part: Path, target: Path) -> None:
    """Give the file its name unless the name is taken: a hard link refuses, a rename would not."""
    try:
        os.link(part, target)
    except FileExistsError:
        raise
    except OSError:  # a file system without hard links (FAT, some shares)
        if target.exists():
            raise FileExistsError(str(target)) from None
        part.rename(target)


def sync_folder(folder: Path) -> None:
    """Make names in a folder last. Windows has no such call and needs none."""
    if os.name == "nt":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def move(source: Path, target: Path) -> Path:
    """Move a file to the target's folder, under the next free name; returns where it went.

    Raises:
        StoreError: it cannot be moved; it is still where it was.
    """
    target.parent.mkdir(parents=True, exist_ok=True)
    place = free_name(target)
    with _errors_named(place):
        try:
            os.link(source, place)
        except OSError:
            _copy_across(source, place)
        sync_folder(place.parent)
        source.unlink()
    return place


def _copy_across(source: Path, place: Path) -> None:
    """To another disk: the copy is safe before the original is let go."""
    with _aside(place, "move") as file, source.open("rb") as original:
        shutil.copyfileobj(original, file, _CHUNK)
        file.flush()
        _check_copy(Path(file.name), source, sha256_of(source))


def free_name(target: Path) -> Path:
    """The target, or NAME-2, NAME-3 ... where the name is taken."""
    place, number = target, 1
    while os.path.lexists(place):
        number += 1
        place = target.with_name(f"{target.stem}-{number}{target.suffix}")
    return place


def clear_temporary(folder: Path) -> None:
    """Take away our own half-written files, left by a crash; nobody else's."""
    for part in folder.glob(f"{TEMPORARY}*"):
        part.unlink(missing_ok=True)


def readable_stem(stem: str) -> str:
    """A name that every file system takes: no control or reserved characters, not too long.

    Names that are not UTF-8 and names of over 180 bytes end in a hash, so that they stay apart.
    """
    clean = re.sub(r'[\x00-\x1f\x7f-\x9f<>:"/\\|?*\u202a-\u202e\u2066-\u2069\ud800-\udfff]', "_", stem).strip(" .")
    if clean == stem and len(clean.encode()) <= _LONGEST_STEM:
        return clean
    raw = hashlib.sha256(os.fsencode(stem)).hexdigest()[:8]
    short = clean.encode()[:_LONGEST_STEM].decode(errors="ignore")
    return f"{short or 'scan'}-{raw}"


def _check_copy(copy: Path, original: Path, digest: str) -> None:
    if sha256_of(copy) != digest:
        raise StoreError(
            f"{original.name} changed while it was copied, or the disk did not keep it",
            remedy="it is left where it was; if this comes back, check the disk",
        )


def is_plain_file(path: Path) -> bool:
    """A regular file, not a link, folder, pipe or device."""
    try:
        return stat.S_ISREG(path.lstat().st_mode)
    except OSError:
        return False


@contextlib.contextmanager
def _errors_named(target: Path) -> Iterator[None]:
    """Say which file, what is wrong and what to do, when the disk refuses."""
    try:
        yield
    except FileExistsError:
        raise
    except OSError as fault:
        raise StoreError(
            f"{target} cannot be written ({fault.strerror or fault})",
            remedy=f"make room or allow writing in {target.parent}; nothing was lost, start again then",
        ) from fault

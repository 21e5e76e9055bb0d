"""The store: the one place that writes files, so that they last.

A file is written aside under a temporary name in the same folder, synced, and given its name; a
reader never meets half a file, and an existing file is never overwritten. Originals, profiles and
stage sources are kept by content: the name carries the start of the sha256.
"""

import contextlib
import errno
import hashlib
import itertools
import os
import secrets
import shutil
import stat
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import BinaryIO

import structlog

from platemark.errors import StoreError
from platemark.records.disk import errors_named, patiently
from platemark.records.failpoint import reach
from platemark.records.names import bytes_of_no_text, name_key, numbered, readable_ending, readable_stem

log = structlog.get_logger("platemark")

TEMPORARY = ".platemark-part-"
DAMAGED = ".damaged"
_CHUNK = 1 << 20
# 12 hexadecimal digits: among a million originals the odds of two alike are 1 in 500.
# Contents are compared in full, so two alike are still kept apart by their readable names.
SHORT = 12


@dataclass(frozen=True)
class Kept:
    """A scan in the archive.

    Attributes:
        path: where.
        stem: the readable name under which its exports go: that of the scan in hand.
        sha256: of its content.
        size: in bytes.
        first_stem: the name under which this content was archived first, which may be another.
        others: the further scans of the set, where several became one picture.
        name_bytes: the name of the scan in hand, byte by byte in hexadecimal, where it is no UTF-8; else empty.
    """

    path: Path
    stem: str
    sha256: str
    size: int
    first_stem: str
    others: tuple["Kept", ...] = ()
    name_bytes: str = ""

    @property
    def hashes(self) -> list[str]:
        """The sha256 of each scan of the picture."""
        return [self.sha256, *(other.sha256 for other in self.others)]

    def numbered(self, item: int) -> "Kept":
        """The same scan, under the readable name of one of its items; 0 is the whole."""
        if not item:
            return self
        return replace(self, stem=f"{self.stem}-{item}", first_stem=f"{self.first_stem}-{item}")


def sha256_of(path: Path) -> str:
    """Hash of a file's content, in hexadecimal."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def keep_original(scan: Path, originals: Path, when: Callable[[], object] = lambda: None) -> Kept:
    """Copy a scan into the archive and read it back; a content that is there already stays.

    Args:
        scan: the file.
        originals: the archive.
        when: called before the copy gets its name; what it raises undoes the copy.

    Raises:
        OSError: the scan cannot be read.
        StoreError: the archive cannot be written, or does not keep what it is given.
    """
    digest = sha256_of(scan)
    stem, name_bytes = readable_stem(scan.stem), bytes_of_no_text(scan.name)
    target = originals / f"{stem}-{digest[:SHORT]}{readable_ending(scan.suffix)}"
    with errors_named(target):
        known = _sound_original(originals, digest)
        if known:
            sync_folder(originals)  # a crash may have come between its name and this
            return replace(known, stem=stem, name_bytes=name_bytes)
    try:
        with scan.open("rb") as original, errors_named(target), _aside(target, "archive") as file:
            reach("archive.write")
            shutil.copyfileobj(original, file, _CHUNK)
            file.flush()
            _check_copy(Path(file.name), scan, digest)
            when()
    except FileExistsError:
        known = _sound_original(originals, digest)
        if known is None:  # somebody else's file has that name
            raise
        # another worker kept the same content this moment
        return replace(known, stem=stem, name_bytes=name_bytes)
    return Kept(target, stem, digest, target.stat().st_size, stem, name_bytes=name_bytes)


def _sound_original(originals: Path, digest: str) -> Kept | None:
    """The archived scan of this content; one that does not hash to its name is not trusted."""
    short = digest[:SHORT]
    for path in _named_after(originals, short):
        found = sha256_of(path)
        if found == digest:
            stem = path.stem[: -SHORT - 1]
            return Kept(path, stem, digest, path.stat().st_size, stem)
        if not found.startswith(short):
            _set_aside(path, found)
    return None


def _named_after(originals: Path, short: str) -> list[Path]:
    """The files whose names end in the start of this hash, but for tickets."""
    names = os.listdir(originals)  # noqa: PTH208 - ten thousand names need no paths
    paths = [originals / name for name in sorted(names) if f"-{short}." in name]
    return [path for path in paths if path.suffix != ".toml" and path.stem.endswith(short)]


def _set_aside(path: Path, found: str) -> None:
    """Give a damaged file (an old crash, a bad disk) a name that shows it; nothing is deleted."""
    names = (numbered(path.with_name(path.name + DAMAGED), number) for number in itertools.count(1))
    place = next(name for name in names if not os.path.lexists(name))
    path.rename(place)
    log.error("an archived file is damaged; it is set aside and written anew", file=str(place), sha256=found)


def keep_by_content(data: bytes, folder: Path, ending: str) -> Path:
    """Keep bytes under their own hash: a profile, the source of a stage.

    Raises:
        StoreError: the folder cannot be written.
    """
    digest = hashlib.sha256(data).hexdigest()
    target = folder / f"{digest}{ending}"
    with errors_named(target):
        folder.mkdir(exist_ok=True)
        sync_folder(folder.parent)
        if target.exists():
            found = sha256_of(target)
            if found == digest:
                return target
            _set_aside(target, found)
    with contextlib.suppress(FileExistsError):  # another worker kept the same content this moment
        write_whole(target, data, step="keep")
    return target


def keep_copy(source: Path, target: Path) -> Path:
    """Copy a small file under the target's name or the next free one; returns where it is.

    Raises:
        StoreError: it cannot be copied.
    """
    number = 0
    while True:
        number += 1
        place = numbered(target, number)
        with errors_named(place), contextlib.suppress(FileExistsError):
            if not same_content(source, place):
                write_whole(place, source.read_bytes(), step="copy")
            return place


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
    with errors_named(target), _aside(target, step, replace=replace) as file:
        reach(f"{step}.write")
        file.write(data)


@contextlib.contextmanager
def _aside(target: Path, step: str, *, replace: bool = False) -> Iterator[BinaryIO]:
    """A temporary file beside the target that takes its name when the block ends well."""
    # A name that no other worker has: two may keep the same profile in the same moment.
    part = target.with_name(TEMPORARY + secrets.token_hex(8))
    try:
        with part.open("xb") as file:
            yield file
            file.flush()
            reach(f"{step}.sync")
            # On macOS this leaves the drive's own cache; F_FULLFSYNC would empty it, at some 50 ms a file.
            os.fsync(file.fileno())
        reach(f"{step}.publish")
        if replace:
            patiently(lambda: part.replace(target))
        else:
            _publish(part, target)
        _make_last(target, step, keep=replace)
    finally:
        with contextlib.suppress(OSError):  # the next start clears it
            part.unlink(missing_ok=True)


def _make_last(target: Path, step: str, *, keep: bool) -> None:
    """Sync the name; where the disk refuses, a new file is dropped: whether it would last, nobody knows."""
    try:
        reach(f"{step}.dirsync")
        sync_folder(target.parent)
    except OSError:
        if not keep:
            target.unlink(missing_ok=True)
        raise


def _publish(part: Path, target: Path) -> None:
    """Give the file its name unless the name is taken: a hard link refuses, a rename would not."""
    try:
        os.link(part, target)
    except FileExistsError:
        raise
    except OSError as fault:  # a file system without hard links (FAT, exFAT, some shares)
        if os.path.lexists(target):
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(target)) from fault
        patiently(lambda: part.rename(target))


def sync_folder(folder: Path) -> None:
    """Make names in a folder last. Windows has no such call and needs none."""
    if os.name == "nt":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    except OSError as fault:
        if fault.errno not in {errno.EINVAL, errno.ENOTSUP}:  # some network shares know no such call
            raise
    finally:
        os.close(descriptor)


def move(source: Path, place: Path) -> None:
    """Move a file to a name that is free, or that has its content already: a crash came between.

    Raises:
        StoreError: it cannot be moved, or something else took the name; it is still where it was.
    """
    name_again(source, place)
    remove(source, step="move.clear")


def name_again(source: Path, place: Path) -> None:
    """Let a file lie under a second name too, durably; one of its content may lie there already.

    Raises:
        StoreError: it cannot, or something else took the name.
    """
    with errors_named(place):
        reach("move.publish")
        if not same_content(source, place):
            _name_again(source, place)
        sync_folder(place.parent)


def _name_again(source: Path, place: Path) -> None:
    """A second name for a file; on another disk a second file."""
    try:
        os.link(source, place)
    except FileExistsError as fault:
        raise StoreError(f"{place} was taken this moment", remedy="it is tried again; nothing was lost") from fault
    except OSError:
        _copy_across(source, place)


def _copy_across(source: Path, place: Path) -> None:
    """To another disk: the copy is safe before the original is let go."""
    with _aside(place, "move") as file, source.open("rb") as original:
        shutil.copyfileobj(original, file, _CHUNK)
        file.flush()
        _check_copy(Path(file.name), source, sha256_of(source))


def remove(path: Path, *, step: str) -> None:
    """Take a file away, if it is there.

    Raises:
        StoreError: it cannot be taken away.
    """
    with errors_named(path, "taken away"):
        reach(step)
        patiently(lambda: path.unlink(missing_ok=True))


def same_content(path: Path, other: Path) -> bool:
    """True when both are plain files of the same bytes."""
    if not (is_plain_file(path) and is_plain_file(other)) or path.stat().st_size != other.stat().st_size:
        return False
    return path.samefile(other) or sha256_of(path) == sha256_of(other)


def names_in(folder: Path, beginning: str | tuple[str, ...] = "") -> set[str]:
    """The names of a folder as `name_key` tells them apart.

    Args:
        folder: which.
        beginning: only those that begin so, or in one of these ways, as `name_key` has it.

    Raises:
        StoreError: it is gone, or cannot be listed.
    """
    with errors_named(folder, "listed"):
        # Names alone: a path for each of a million takes ten times as long.
        return {key for key in map(name_key, os.listdir(folder)) if key.startswith(beginning)}  # noqa: PTH208


def clear_temporary(folder: Path) -> None:
    """Take away our own half-written files, left by a crash; nobody else's."""
    for part in folder.glob(f"{TEMPORARY}*"):
        with contextlib.suppress(OSError):
            part.unlink()


def is_file(path: Path) -> bool:
    """A file, or a link to one; a name that is too long for the disk is none."""
    try:
        return path.is_file()
    except OSError:
        return False


def is_plain_file(path: Path) -> bool:
    """A regular file, not a link, folder, pipe or device."""
    try:
        return stat.S_ISREG(path.lstat().st_mode)
    except OSError:
        return False


def _check_copy(copy: Path, original: Path, digest: str) -> None:
    if sha256_of(copy) != digest:
        raise StoreError(
            f"the copy of {original.name} in {copy.parent} is not what was written",
            remedy="it is left where it was; if this comes back, check the disk",
        )

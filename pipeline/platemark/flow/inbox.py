"""The inbox: which files in `scans/` are scans, and which of them stand still.

Events are hints only; what is true is what `stat` says. The clock and the listing are arguments,
so that tests drive time.
"""

import math
import os
import stat
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

import structlog

log = structlog.get_logger("platemark")

Stamp = tuple[int, int, int]
"""Size, modification time in nanoseconds, inode."""
Listing = Iterator[tuple[Path, Stamp | None]]
"""What lies in the folder; no stamp for what has the name of a scan and is none."""

# What programs and systems leave beside real files (common practice).
_LITTER_ENDINGS = (".part", ".tmp", ".temp", ".crdownload", ".partial", ".download", ".filepart", "~")
_LITTER_NAMES = ("thumbs.db", "desktop.ini", "icon\r")
_OURS = (".toml", ".txt", ".lock", ".held.jpg")


class Glance(NamedTuple):
    """A file as it was seen once: its stamp, and when that stamp was first seen."""

    stamp: Stamp
    since: float


def is_candidate(name: str) -> bool:
    """True for names that may be scans: not hidden, not temporary, not a ticket."""
    low = name.lower()
    hidden = low.startswith((".", "~$"))
    return not (hidden or low.endswith(_LITTER_ENDINGS) or low in _LITTER_NAMES or low.endswith(_OURS))


def has_settled(glance: Glance, now: float, quiet: float) -> bool:
    """True when size, time and inode stood still for `quiet` seconds."""
    return now - glance.since >= quiet


def list_scans(folder: Path) -> Listing:
    """What may be a scan in a folder and its sub-folders (one deep), in name order.

    Only `lstat` is asked, nothing is opened: a pipe would never answer.

    Raises:
        OSError: the folder cannot be listed.
    """
    for path in _candidates(folder):
        facts = _lstat(path)
        if facts and stat.S_ISDIR(facts.st_mode):
            yield from _list_inside(path)
        elif facts:
            yield path, _stamp(facts)


def _list_inside(folder: Path) -> Listing:
    try:
        inside = _candidates(folder)
    except OSError:  # gone this moment, or not ours to read
        yield folder, None
        return
    for path in inside:
        facts = _lstat(path)
        if facts:
            yield path, _stamp(facts)


@dataclass
class Inbox:
    """What is known of the files that are not done yet.

    Attributes:
        settle: seconds a file must stand still before it is taken.
        grace: seconds a file that stands still but is not whole may stay so before it is held.
    """

    folder: Path
    settle: float
    grace: float
    listing: Callable[[Path], Listing] = list_scans
    seen: dict[Path, Glance] = field(default_factory=dict)
    unfinished: dict[Path, Stamp] = field(default_factory=dict)
    ignored: set[Path] = field(default_factory=set)
    looked: float = 0.0

    def look(self, now: float) -> list[Path]:
        """Look once; returns the files that stand still and have not been found unfinished as they are.

        Files of one second's arrival come in name order, earlier arrivals first.

        Raises:
            OSError: the folder cannot be listed.
        """
        self.looked = now
        listed = dict(self.listing(self.folder))
        here = {path: stamp for path, stamp in listed.items() if stamp is not None}
        self._tell_ignored(listed.keys() - here.keys())
        self.seen = {
            path: self.seen[path] if path in self.seen and self.seen[path].stamp == stamp else Glance(stamp, now)
            for path, stamp in here.items()
        }
        self.unfinished = {path: stamp for path, stamp in self.unfinished.items() if here.get(path) == stamp}
        settled = [path for path, glance in self.seen.items() if has_settled(glance, now, self.settle)]
        return sorted(
            (path for path in settled if path not in self.unfinished or self._out_of_grace(path, now)),
            key=lambda path: (round(self.seen[path].since), path),
        )

    def not_whole(self, path: Path, now: float) -> bool:
        """Note that a file did not decode to its end; True when its time of grace is over."""
        if path not in self.seen:
            return False
        self.unfinished[path] = self.seen[path].stamp
        return self._out_of_grace(path, now)

    def is_as_seen(self, path: Path) -> bool:
        """True when a file is as it was at the last look."""
        facts = _lstat(path)
        return facts is not None and path in self.seen and _stamp(facts) == self.seen[path].stamp

    def postpone(self, path: Path, now: float) -> None:
        """Let a file wait anew, behind those that are here: it could not be worked on."""
        if path in self.seen:
            self.seen[path] = Glance(self.seen[path].stamp, now)

    @property
    def is_waiting(self) -> bool:
        """True while a file is here that may become ready without any event."""
        return bool(self.seen)

    @property
    def settled_in(self) -> float:
        """Seconds from the last look until the next file will have stood still long enough; infinite where none is."""
        left = (self.settle - (self.looked - glance.since) for glance in self.seen.values())
        return min((seconds for seconds in left if seconds > 0), default=math.inf)

    @property
    def is_settling(self) -> bool:
        """True when a file is here that had not stood still long enough at the last look."""
        return self.settled_in < math.inf

    def _out_of_grace(self, path: Path, now: float) -> bool:
        return has_settled(self.seen[path], now, self.grace)

    def _tell_ignored(self, paths: set[Path]) -> None:
        for path in sorted(paths - self.ignored):
            log.info("ignored: a link, a pipe, or a folder too deep or closed", path=str(path))
        self.ignored = paths


def _candidates(folder: Path) -> list[Path]:
    return sorted(path for path in folder.iterdir() if is_candidate(path.name))


def _lstat(path: Path) -> os.stat_result | None:
    try:
        return path.lstat()
    except OSError:  # gone between the listing and the look
        return None


def _stamp(facts: os.stat_result) -> Stamp | None:
    """The stamp of a plain file; None for links, pipes, sockets, devices and folders."""
    return (facts.st_size, facts.st_mtime_ns, facts.st_ino) if stat.S_ISREG(facts.st_mode) else None

"""The watcher: every scan in `scans/` is taken once it is whole, one after the other.

watchdog only wakes it up early. What counts is the listing, made after each wake and at every
sweep, so a lost event costs a minute at most and a doubled one nothing.
"""

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import structlog
from watchdog.events import FileSystemEvent, FileSystemEventHandler
from watchdog.observers import Observer
from watchdog.observers.api import BaseObserver
from watchdog.observers.polling import PollingObserver

from platemark.errors import Held, StoreError
from platemark.flow.delivery import Outcome, deliver, hold
from platemark.flow.inbox import Inbox
from platemark.flow.intake import Incomplete
from platemark.flow.studio import Studio

log = structlog.get_logger("platemark")

# A scanner that pauses longer than ten settle times between two strips has stopped.
GRACE = 10
# File systems that report no changes made on another machine.
_REMOTE = {"nfs", "nfs4", "cifs", "smb3", "smbfs", "fuse.sshfs", "9p", "afpfs", "davfs", "vboxsf"}
# Seconds between two tries while the disk refuses: long enough not to fill the log.
_PAUSE = 5.0


class _Bell(FileSystemEventHandler):
    """Rings for any event; looking is somebody else's work."""

    def __init__(self, ring: threading.Event) -> None:
        self.ring = ring

    def on_any_event(self, event: FileSystemEvent) -> None:
        """Wake the watcher up for what may be a new scan."""
        if event.event_type not in {"opened", "closed_no_write"}:
            self.ring.set()


@dataclass
class Watcher:
    """Watches the scans of one studio until it is told to stop."""

    studio: Studio
    on_outcome: Callable[[Outcome], None] = lambda _outcome: None
    clock: Callable[[], float] = time.monotonic
    stopped: threading.Event = field(default_factory=threading.Event)
    _bell: threading.Event = field(default_factory=threading.Event)
    _observer: BaseObserver | None = None
    _identity: tuple[int, int] | None = None

    def __post_init__(self) -> None:
        """Set up the inbox by the config."""
        settle = self.studio.config.watch.settle
        self.inbox = Inbox(self.studio.scans, settle, settle * GRACE)

    def stop(self) -> None:
        """Finish the scan in hand, then end."""
        self.stopped.set()
        self._bell.set()

    def run(self) -> None:
        """Watch until stopped. The watch stands before the first listing, so nothing falls between."""
        self._start_observer()
        try:
            while not self.stopped.is_set():
                pause = self._turn()
                self._bell.wait(pause)
                self._bell.clear()
        finally:
            self._end_observer()

    def _turn(self) -> float:
        """Look, work, and say how long to sleep."""
        if not self._folder_is_there():
            return _PAUSE
        self._mend_observer()
        try:
            for path in self.inbox.look(self.clock()):
                if self.stopped.is_set():
                    return 0.0
                self._take(path)
        except StoreError as fault:
            log.error("paused", fault=fault.what, remedy=fault.remedy)
            return _PAUSE
        watch = self.studio.config.watch
        return min(watch.sweep, watch.settle / 2) if self.inbox.is_waiting else watch.sweep

    def _take(self, path: Path) -> None:
        try:
            outcomes = deliver(self.studio, path)
        except Incomplete as unfinished:
            if not path.exists():
                log.info("gone before it was taken", scan=path.name)
                return
            if not self.inbox.not_whole(path, self.clock()):
                log.info("waiting: not whole yet", scan=path.name)
                return
            outcomes = hold(self.studio, path, unfinished)
        except Held as held:
            outcomes = hold(self.studio, path, held)
        for outcome in outcomes:
            self.on_outcome(outcome)

    # The folder and its observer.

    def _folder_is_there(self) -> bool:
        """A folder that was taken away and made anew is another folder: watch that one."""
        try:
            facts = self.studio.scans.stat()
        except OSError as fault:
            log.error("paused: the folder for scans is gone", folder=str(self.studio.scans), fault=fault.strerror)
            self._end_observer()
            self._identity = None
            return False
        identity = (facts.st_dev, facts.st_ino)
        if self._identity not in {None, identity}:
            log.warning("the folder for scans was replaced; watching the new one")
            self._end_observer()
        self._identity = identity
        return True

    def _start_observer(self) -> None:
        kind = self.studio.config.watch.observer
        remote = kind == "auto" and is_remote(self.studio.scans)
        if kind == "polling" or remote:
            self._observer = self._started(PollingObserver(timeout=self.studio.config.watch.settle))
            log.info("polling", folder=str(self.studio.scans), why="network folder" if remote else "as configured")
            return
        try:
            self._observer = self._started(Observer())
        except OSError as fault:
            # errno may say "no space left": it is the system's limit of watches, not the disk.
            log.warning(
                "the system gives no file events; polling instead",
                fault=fault.strerror,
                remedy="raise fs.inotify.max_user_watches and max_user_instances if this is Linux",
            )
            self._observer = self._started(PollingObserver(timeout=self.studio.config.watch.settle))

    def _started(self, observer: BaseObserver) -> BaseObserver:
        observer.schedule(_Bell(self._bell), str(self.studio.scans), recursive=True)
        observer.start()
        return observer

    def _mend_observer(self) -> None:
        observer = self._observer
        if observer and observer.is_alive() and all(emitter.is_alive() for emitter in observer.emitters):
            return
        if observer:
            log.warning("file events had stopped; watching anew")
        self._end_observer()
        self._start_observer()

    def _end_observer(self) -> None:
        if self._observer is not None and self._observer.is_alive():
            self._observer.stop()
            self._observer.join(timeout=5)
        self._observer = None


def is_remote(folder: Path, mounts: Path = Path("/proc/mounts")) -> bool:
    """True when the folder lies on a file system that another machine may change unseen (Linux only)."""
    try:
        lines = mounts.read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return False
    target = folder.resolve()
    best, kind = "", ""
    for line in lines:
        _device, point, system, *_ = [*line.split(), "", "", ""]
        point = point.replace("\\040", " ")
        if target.is_relative_to(point or "/nowhere") and len(point) >= len(best):
            best, kind = point, system
    return kind in _REMOTE

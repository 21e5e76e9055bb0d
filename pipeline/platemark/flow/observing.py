"""Observing: the system's file events for one folder, as a bell that rings; whatever ends them is mended.

Events are hints only. Where they are lost, or the system gives none, the folder is looked at all the same.
"""

import logging
import queue
from dataclasses import dataclass
from pathlib import Path

import structlog
from watchdog.events import FileSystemEvent, FileSystemEventHandler
from watchdog.observers import Observer
from watchdog.observers.api import BaseObserver
from watchdog.observers.polling import PollingObserver

from platemark.flow.studio import Studio

log = structlog.get_logger("platemark")

# File systems that report no changes made on another machine.
_REMOTE = {"nfs", "nfs4", "cifs", "smb3", "smbfs", "fuse.sshfs", "9p", "afpfs", "davfs", "vboxsf", "virtiofs"}
# The only sign that the system's queue ran over is a line that watchdog logs here.
_SYSTEMS_QUEUE = "watchdog.observers.inotify_c"

# The one queue that a signal handler may put into while its own thread waits on it; a `threading.Event`
# can lock up there (library reference of `queue.SimpleQueue`: `put` is reentrant).
Bell = queue.SimpleQueue[None]


class _Ringing(FileSystemEventHandler):
    """Rings for any event; looking is somebody else's work."""

    def __init__(self, bell: Bell) -> None:
        self.bell = bell

    def on_any_event(self, event: FileSystemEvent) -> None:
        """Wake the watcher up for what may be a new scan."""
        if event.event_type not in {"opened", "closed_no_write"} and self.bell.empty():
            self.bell.put(None)


class _Lost(logging.Handler):
    """Rings when events were lost, and says so in our own words."""

    def __init__(self, bell: Bell) -> None:
        super().__init__(logging.WARNING)
        self.bell = bell

    def emit(self, record: logging.LogRecord) -> None:
        """Hear that the queue ran over."""
        if "overflow" in record.getMessage():
            log.warning("the system lost file events, for there were too many; the folder is listed anew")
            self.bell.put(None)


@dataclass
class Observing:
    """The observer of one folder.

    Attributes:
        studio: whose scans are observed.
        bell: rung when something may have happened.
        observer: what watches now, or None.
    """

    studio: Studio
    bell: Bell
    observer: BaseObserver | None = None

    def mend(self) -> bool:
        """Begin, or begin anew where it died; False where all is well.

        Raises:
            OSError: the folder cannot be watched.
        """
        observer = self.observer
        if observer and observer.is_alive() and all(emitter.is_alive() for emitter in observer.emitters):
            return False
        if observer:
            log.warning("file events had stopped; watching anew")
        self.end()
        self.observer = self._new()
        self._hear_of_loss(_Lost(self.bell))
        return True

    def end(self) -> None:
        """End it."""
        self._hear_of_loss(None)
        if self.observer is not None and self.observer.is_alive():
            self.observer.stop()
            self.observer.join(timeout=5)
        self.observer = None

    def _hear_of_loss(self, handler: logging.Handler | None) -> None:
        logger = logging.getLogger(_SYSTEMS_QUEUE)
        for other in [other for other in logger.handlers if isinstance(other, _Lost) and other.bell is self.bell]:
            logger.removeHandler(other)
        if handler:
            logger.addHandler(handler)
        logger.propagate = not any(isinstance(other, _Lost) for other in logger.handlers)

    def _new(self) -> BaseObserver:
        kind = self.studio.config.watch.observer
        remote = kind == "auto" and is_remote(self.studio.scans)
        if kind == "polling" or remote:
            log.info("polling", folder=str(self.studio.scans), why="network folder" if remote else "as configured")
            return self._polling()
        try:
            return self._started(Observer())
        except OSError as fault:
            # errno may say "no space left": it is the system's limit of watches, not the disk.
            log.warning(
                "the system gives no file events; polling instead",
                fault=fault.strerror,
                remedy="raise fs.inotify.max_user_watches and max_user_instances if this is Linux",
            )
            return self._polling()

    def _polling(self) -> BaseObserver:
        return self._started(PollingObserver(timeout=self.studio.config.watch.settle))

    def _started(self, observer: BaseObserver) -> BaseObserver:
        observer.schedule(_Ringing(self.bell), str(self.studio.scans), recursive=True)
        observer.start()
        return observer


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

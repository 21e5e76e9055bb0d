"""File events in the inbox: a probe is dropped, and the system must tell of it."""

import queue
from collections.abc import Callable, Iterator
from pathlib import Path

from watchdog.events import FileSystemEvent, FileSystemEventHandler
from watchdog.observers import Observer
from watchdog.observers.api import BaseObserver

from platemark.flow.observing import is_remote
from platemark.machine.doctor.check import Check
from platemark.machine.doctor.folders import PROBE, write_probe
from platemark.machine.subject import Subject

# Systems tell within a few hundredths of a second; macOS gathers events for up to a second or so.
_LONGEST = 5.0
_POLLING = 'write observer = "polling" in [watch]: then the folder is looked through again and again'


class _Listening(FileSystemEventHandler):
    """Passes on what is told of the probe."""

    def __init__(self) -> None:
        self.heard = queue.SimpleQueue[str]()

    def on_any_event(self, event: FileSystemEvent) -> None:
        """Keep the event, if it is about the probe."""
        if Path(str(event.src_path)).name == PROBE:
            self.heard.put(event.event_type)


def events(
    subject: Subject, observer: Callable[[], BaseObserver] = Observer, longest: float = _LONGEST
) -> Iterator[Check]:
    """Whether the system tells of a file that is dropped into `scans/`.

    Args:
        subject: the studio.
        observer: makes what listens.
        longest: seconds to wait.
    """
    scans = subject.folders.scans
    if not scans.is_dir():
        yield Check("events", "bad", f"{scans} is not there, so nothing can be dropped", "see folder scans")
    elif subject.watch.observer == "polling":
        yield Check("events", "good", 'not needed: observer = "polling"')
    elif subject.watch.observer == "auto" and is_remote(scans):
        yield Check("events", "good", f"not needed: {scans} is on a share, which watch looks through by itself")
    else:
        yield _heard(scans, observer, longest)


def _heard(scans: Path, observer: Callable[[], BaseObserver], longest: float) -> Check:
    listening = _Listening()
    try:
        watching = observer()
        watching.schedule(listening, str(scans))
        watching.start()
    except OSError as fault:  # on Linux the limit of watches, in words of a full disk
        told = f"the system gives no file events ({fault.strerror}); watch looks through the folder instead"
        return Check(
            "events", "note", told, "raise fs.inotify.max_user_watches and max_user_instances, if this is Linux"
        )
    try:
        probe = write_probe(scans)
        try:
            listening.heard.get(timeout=longest)
        finally:
            probe.unlink(missing_ok=True)
    except OSError as fault:
        return Check("events", "bad", f"no probe can be dropped into {scans} ({fault.strerror})", "see folder scans")
    except queue.Empty:
        return Check("events", "bad", f"a file dropped into {scans} was not told of within {longest:g} s", _POLLING)
    finally:
        watching.stop()
        watching.join(timeout=longest)
    return Check("events", "good", "a file dropped into scans is told of at once")

"""Making the service known, taking it away, and asking how it is."""

import contextlib
import sys
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from platemark.errors import PlatemarkError
from platemark.machine.service.description import Service
from platemark.machine.service.launchd import LAUNCHD
from platemark.machine.service.logon_task import LOGON_TASK
from platemark.machine.service.system import Run, System, run
from platemark.machine.service.systemd import SYSTEMD
from platemark.records.disk import errors_named, make_folder
from platemark.records.store import write_whole

_SYSTEMS = {"win32": LOGON_TASK, "darwin": LAUNCHD}


def system_here(platform: str = sys.platform) -> System:
    """The manager of services of this system, or of the one named as `sys.platform` names it."""
    return _SYSTEMS.get(platform, SYSTEMD)


@dataclass(frozen=True)
class Managing:
    """One service, and the manager that is asked to care for it.

    Attributes:
        service: what it is about.
        system: the manager.
        run: calls the manager.
        home: the user's home.
    """

    service: Service
    system: System = field(default_factory=system_here)
    run: Run = run
    home: Path = field(default_factory=Path.home)

    @property
    def file(self) -> Path:
        """Where the service is written down."""
        return self.system.place(self.service, self.home)

    def shown(self) -> str:
        """What `install` would write and do."""
        codec = "utf-16" if self.system is LOGON_TASK else "utf-8"
        commands = [" ".join(words) for words in self.system.start(self.service, self.file)]
        text = self.system.text(self.service).decode(codec)
        return "\n".join([f"{self.file}:", "", text, "then:", *commands])

    def install(self) -> str:
        """Write it down and start it; one that is there already is described anew. Returns a sentence.

        Raises:
            PlatemarkError: the manager cannot be reached, or refuses; then nothing is left behind.
            StoreError: the file cannot be written.
        """
        text = self.system.text(self.service)
        self._reach()
        if self.file.exists():
            self._end()
        make_folder(self.service.log.parent, remedy="name another file in [log]")
        make_folder(self.file.parent, remedy="allow writing there")
        write_whole(self.file, text, step="service", replace=True)
        for command in self.system.start(self.service, self.file):
            answer = self.run(command)
            if answer.code:
                self.remove()
                raise PlatemarkError(
                    f"{self.system.name} refused the service: {answer.line or f'status {answer.code}'}",
                    remedy="nothing was left behind; try again, or run watch in a terminal",
                )
        return f"{self.service.name} is installed: it watches now, and from every login on."

    def remove(self) -> str:
        """End it and take it away, whether it is there or not. Returns a sentence."""
        there = self.file.exists()
        reached = self._reached() is None
        if reached:
            self._end()
        with errors_named(self.file, "removed"):
            for path in (self.file, *self.system.links(self.service, self.home)):
                path.unlink(missing_ok=True)
        if not there:
            return f"{self.service.name} is not installed; there was nothing to remove."
        if reached:
            self._all(self.system.forget)
            return f"{self.service.name} is removed. What it made stays where it is."
        return f"{self.service.name} is removed and will not start again; if it runs now, it ends at logout."

    def status(self) -> tuple[bool, str]:
        """Whether all is well, and how it stands in a sentence.

        Raises:
            PlatemarkError: the manager cannot be reached.
        """
        if not self.file.exists():
            return False, f"{self.service.name} is not installed; service install does that."
        self._reach()
        answer = self.run(self.system.query(self.service))
        well, word = self.system.state(answer)
        how = f"{self.service.name} is installed; {self.system.name} calls it {word}."
        return well, f"{how} Its log: {self.service.log}." if well else f"{how} doctor says what may hinder it."

    def _reach(self) -> None:
        hindered = self._reached()
        if hindered is not None:
            raise PlatemarkError(
                f"{self.system.name} cannot be reached here ({hindered})",
                remedy=f"{self.system.missing}; or run watch in a terminal",
            )

    def _reached(self) -> str | None:
        """None where the manager answers, or what hinders."""
        command = self.system.ask()
        try:
            answer = self.run(command)
        except OSError:
            return f"there is no {command[0]}"
        return None if answer.code == 0 else answer.line[:200] or f"status {answer.code}"

    def _end(self) -> None:
        self._all(self.system.end(self.service))

    def _all(self, commands: Sequence[Sequence[str]]) -> None:
        """Each, whatever became of those before: what is not there cannot be ended."""
        for command in commands:
            with contextlib.suppress(OSError, PlatemarkError):
                self.run(command)

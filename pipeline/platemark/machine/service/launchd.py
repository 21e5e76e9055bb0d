"""An agent of launchd, on macOS.

Source:
    launchd.plist(5) and launchctl(1) of macOS: Label, ProgramArguments, WorkingDirectory, RunAtLoad, KeepAlive with
    SuccessfulExit, ThrottleInterval, ExitTimeOut, StandardErrorPath, ProcessType; the file
    is named by its label, as the manual expects; domain target `gui/UID`.
"""

import os
import plistlib
import re

from platemark.machine.service.description import Service
from platemark.machine.service.system import Answer, System


def agent(service: Service) -> bytes:
    """The property list."""
    return plistlib.dumps(
        {
            "Label": service.name,
            "ProgramArguments": list(service.command),
            "WorkingDirectory": str(service.folder),
            "RunAtLoad": True,  # an agent is loaded at login
            "KeepAlive": {"SuccessfulExit": False},  # started again unless it ended well
            "ThrottleInterval": service.delay,
            "ExitTimeOut": service.patience,
            "ProcessType": "Background",
            # It writes its log by itself. What goes wrong before that is kept beside it.
            "StandardErrorPath": str(service.faults),
        },
        sort_keys=False,
    )


def _domain() -> str:
    return f"gui/{os.getuid()}"


def _target(service: Service) -> str:
    return f"{_domain()}/{service.name}"


def _state(answer: Answer) -> tuple[bool, str]:
    said = re.search(r"^\s*state = (.+)$", answer.said, re.MULTILINE) if answer.code == 0 else None
    word = said[1] if said else "unknown"
    return word == "running", word


LAUNCHD = System(
    name="launchd",
    place=lambda service, home: home / "Library" / "LaunchAgents" / f"{service.name}.plist",
    text=agent,
    ask=lambda: ["launchctl", "print", _domain()],
    start=lambda service, file: [
        ["launchctl", "enable", _target(service)],
        ["launchctl", "bootstrap", _domain(), str(file)],
    ],
    end=lambda service: [["launchctl", "bootout", _target(service)]],
    forget=[],
    query=lambda service: ["launchctl", "print", _target(service)],
    state=_state,
    links=lambda _service, _home: [],
    missing="log in at the screen of this Mac, not from another machine, and try again",
)

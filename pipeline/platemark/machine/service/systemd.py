"""A user unit of systemd.

Source:
    systemd.unit(5), systemd.service(5), systemd.exec(5), systemd.kill(5) and systemd.syntax(7), release 252; file
    places: table 2 of systemd.unit(5), and the XDG Base Directory Specification for `XDG_CONFIG_HOME`.
"""

import os
from pathlib import Path

from platemark.errors import PlatemarkError
from platemark.machine.service.description import Service
from platemark.machine.service.system import Answer, System, Words

_UNIT = """\
[Unit]
Description={title}

[Service]
# The colon: no environment variable is meant, whatever a folder is called.
ExecStart=:{command}
WorkingDirectory={folder}/
Restart=on-failure
RestartSec={delay}
# The watcher is asked to end and finishes the scan in hand; what it started ends with it.
KillMode=mixed
TimeoutStopSec={patience}
# It writes its log by itself. What goes wrong before that is kept beside it.
StandardOutput=null
StandardError=append:{faults}

[Install]
WantedBy=default.target
"""


def unit(service: Service) -> bytes:
    """The unit file.

    Raises:
        PlatemarkError: a path holds what systemd cannot take in that place.
    """
    _check(service)
    text = _UNIT.format(
        title=_literal(service.title),
        command=" ".join(_quoted(word) for word in service.command),
        # The slash at the end keeps a blank or a backslash at the end of the name what it is.
        folder=_literal(str(service.folder)),
        delay=service.delay,
        patience=service.patience,
        faults=_literal(str(service.faults)),
    )
    return text.encode()


def _check(service: Service) -> None:
    # systemd: "Executable name contains special characters".
    if any(sign in service.command[0] for sign in "\"'\\"):
        raise PlatemarkError(
            f"the path of Python, {service.command[0]}, has a quotation mark or a backslash, which systemd refuses",
            remedy="install platemark in a folder without them",
        )


def _literal(text: str) -> str:
    """Without specifiers: a per cent sign begins one (systemd.unit(5), "Specifiers")."""
    return text.replace("%", "%%")


def _quoted(word: str) -> str:
    """One word of a command line (systemd.syntax(7), "Quoting")."""
    return '"' + _literal(word).replace("\\", "\\\\").replace('"', '\\"') + '"'


def _units(home: Path) -> Path:
    return Path(os.environ.get("XDG_CONFIG_HOME") or home / ".config") / "systemd" / "user"


def _file_name(service: Service) -> str:
    return f"{service.name}.service"


def _systemctl(*words: str) -> Words:
    return ["systemctl", "--user", *words]


def _start(service: Service, _file: Path) -> list[Words]:
    name = _file_name(service)
    # Restarted, because one that runs already would go on as it was described before.
    return [_systemctl("daemon-reload"), _systemctl("enable", name), _systemctl("restart", name)]


def _state(answer: Answer) -> tuple[bool, str]:
    return answer.code == 0, answer.line or "unknown"  # systemctl(1), "is-active": zero when the unit is active


SYSTEMD = System(
    name="systemd",
    place=lambda service, home: _units(home) / _file_name(service),
    text=unit,
    ask=lambda: _systemctl("show-environment"),
    start=_start,
    end=lambda service: [_systemctl("disable", "--now", _file_name(service))],
    forget=[_systemctl("daemon-reload")],
    query=lambda service: _systemctl("is-active", _file_name(service)),
    state=_state,
    links=lambda service, home: [_units(home) / "default.target.wants" / _file_name(service)],
    missing="log in as yourself, not by su or sudo; in a container, or on a Linux without systemd, let whatever starts "
    "programs there start the command that --show names",
)

"""A task at logon, for the Task Scheduler of Windows.

Source:
    Task Scheduler Schema, learn.microsoft.com/windows/win32/taskschd/task-scheduler-schema: taskType, logonTriggerType,
    principalType, settingsType, restartType (Interval PT1M to P31D, Count an unsigned byte of at least 1),
    execActionType; ExecutionTimeLimit PT0S means no limit. Switches: the pages
    "schtasks" there.
"""

import csv
import os
import re
import subprocess
import xml.etree.ElementTree as ET
from pathlib import Path, PureWindowsPath

from platemark.errors import PlatemarkError
from platemark.machine.service.description import Service
from platemark.machine.service.system import Answer, System

NAMESPACE = "http://schemas.microsoft.com/windows/2004/02/mit/task"
# Tries before the scheduler gives up until the next logon; the largest there is.
_TRIES = 255
# The scheduler fills in variables in the words of a command, and knows no sign against it.
_FILLED_IN = re.compile(r"%[^%]+%|\$\(")


def task(service: Service) -> bytes:
    """The task as XML, in UTF-16 as schtasks reads it.

    Raises:
        PlatemarkError: the scheduler would change a path.
    """
    for word in (*service.command, str(service.folder)):
        _check(word)
    user = {"UserId": service.user} if service.user else {}
    program, *words = service.command
    parts = {
        "RegistrationInfo": {"Description": service.title},
        "Triggers": {"LogonTrigger": {"Enabled": "true", **user}},
        "Principals": {"Principal": {**user, "LogonType": "InteractiveToken", "RunLevel": "LeastPrivilege"}},
        "Settings": {
            "MultipleInstancesPolicy": "IgnoreNew",
            "DisallowStartIfOnBatteries": "false",
            "StopIfGoingOnBatteries": "false",
            "StartWhenAvailable": "true",
            "ExecutionTimeLimit": "PT0S",  # the default would end it after three days
            "RestartOnFailure": {"Interval": f"PT{-(-service.delay // 60)}M", "Count": str(_TRIES)},
        },
        "Actions": {
            "Exec": {
                "Command": _without_window(program),
                "Arguments": subprocess.list2cmdline(words),
                "WorkingDirectory": str(service.folder),
            }
        },
    }
    root = _element("Task", parts)
    root.set("version", "1.2")
    root.find(f".//{{{NAMESPACE}}}Principal").set("id", "Author")  # type: ignore[union-attr]  # written just above
    root.find(f"{{{NAMESPACE}}}Actions").set("Context", "Author")  # type: ignore[union-attr]  # see above
    ET.register_namespace("", NAMESPACE)
    ET.indent(root)
    text: bytes = ET.tostring(root, encoding="utf-16", xml_declaration=True)
    return text


def _element(name: str, inside: str | dict[str, object]) -> ET.Element:
    element = ET.Element(f"{{{NAMESPACE}}}{name}")
    if isinstance(inside, str):
        element.text = inside
    else:
        element.extend(_element(key, value) for key, value in inside.items())  # type: ignore[arg-type]
    return element


def _check(word: str) -> None:
    if _FILLED_IN.search(word):
        raise PlatemarkError(
            f"{word} has signs, %...% or $(, that the Task Scheduler takes for a variable",
            remedy="rename that folder",
        )


def _without_window(python: str) -> str:
    """`pythonw.exe`, which opens no window, where it lies beside `python.exe`, as it usually does."""
    path = PureWindowsPath(python)
    silent = path.with_name("pythonw.exe")
    return str(silent) if path.name.lower() == "python.exe" and Path(silent).is_file() else python


def _kept(service: Service, home: Path) -> Path:
    return Path(os.environ.get("LOCALAPPDATA") or home / "AppData" / "Local") / "platemark" / f"{service.name}.xml"


def _state(answer: Answer) -> tuple[bool, str]:
    """The last field is the state, in the language of Windows: it is shown, not judged."""
    fields = next(csv.reader(answer.said.strip().splitlines()), [])
    return answer.code == 0, fields[-1] if answer.code == 0 and fields else "unknown"


LOGON_TASK = System(
    name="the Task Scheduler",
    place=_kept,
    text=task,
    ask=lambda: ["schtasks", "/Query", "/FO", "CSV", "/NH"],
    start=lambda service, file: [
        ["schtasks", "/Create", "/TN", service.name, "/XML", str(file), "/F"],
        ["schtasks", "/Run", "/TN", service.name],
    ],
    end=lambda service: [
        ["schtasks", "/End", "/TN", service.name],
        ["schtasks", "/Delete", "/TN", service.name, "/F"],
    ],
    forget=[],
    query=lambda service: ["schtasks", "/Query", "/TN", service.name, "/FO", "CSV", "/NH"],
    state=_state,
    links=lambda _service, _home: [],
    missing="allow the Task Scheduler for your account, or put the command that --show names into your startup folder",
)

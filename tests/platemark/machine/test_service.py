"""The watcher as a service: what is written for each system, and what is said where there is none."""

import plistlib
import shlex
import shutil
import subprocess
import sys
import xml.etree.ElementTree as ET
from collections.abc import Sequence
from pathlib import Path

import pytest
from click.testing import CliRunner

from platemark.errors import PlatemarkError
from platemark.face.cli import main
from platemark.machine.service.description import Service, name_for, service_for
from platemark.machine.service.launchd import LAUNCHD, agent
from platemark.machine.service.logon_task import LOGON_TASK, NAMESPACE, task
from platemark.machine.service.managing import Managing, system_here
from platemark.machine.service.system import Answer
from platemark.machine.service.systemd import SYSTEMD, unit

# Everything a folder may be called on Linux and macOS that means something to a shell, a unit file or XML.
ODD = [
    "prints of Ines",
    'the "best" ones',
    "Ines' prints",
    "50 % off",
    "%h %i 100%",
    "cost $5 $HOME ${HOME}",
    "Bücher & Größen <neu>",
    "back\\slash \\x41",
    "# hash; semicolon",
    " leading",
    "trailing ",
    "trailing\\",
    "-dash",
]


def described(folder: Path, python: str = sys.executable) -> Service:
    return service_for(folder / "platemark.toml", folder / "platemark.log", python)


def lines(text: bytes) -> dict[str, str]:
    """Key and value of a unit file; no key stands twice in ours."""
    pairs = [line.split("=", 1) for line in text.decode().splitlines() if "=" in line and not line.startswith("#")]
    return dict(pairs)


# One description


def test_two_studios_of_one_name_have_services_of_their_own(tmp_path: Path) -> None:
    first, second = tmp_path / "a" / "Atelier Süd", tmp_path / "b" / "Atelier Süd"
    assert name_for(first / "platemark.toml") != name_for(second / "platemark.toml")
    assert name_for(first / "platemark.toml").startswith("platemark-atelier-sud-")


def test_a_studio_has_the_same_service_whatever_way_leads_to_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "studio").mkdir()
    monkeypatch.chdir(tmp_path / "studio")
    assert name_for(Path("platemark.toml")) == name_for(tmp_path / "studio" / "platemark.toml")
    assert service_for(Path("platemark.toml"), Path("/log")).folder.is_absolute()


@pytest.mark.parametrize("sign", ["\n", "\r", "\t", "\x1b", "\udcff", "\uffff"])
def test_a_folder_whose_name_breaks_the_line_is_refused(sign: str, tmp_path: Path) -> None:
    with pytest.raises(PlatemarkError, match="rename that folder"):
        service_for(tmp_path.parent / f"two{sign}lines" / "platemark.toml", tmp_path / "log")


# systemd


@pytest.mark.parametrize("name", ODD)
def test_systemd_gets_the_folder_as_it_is_called(name: str, tmp_path: Path) -> None:
    # systemd.syntax(7): inside double quotes \" and \\ mean what they mean in a POSIX shell, which shlex reads; and
    # systemd.unit(5): %% is a per cent sign. systemd.service(5): with ":" in front no variable is filled in.
    service = described(tmp_path / name)
    told = lines(unit(service))
    command = told["ExecStart"]
    assert command.startswith(":")
    assert [word.replace("%%", "%") for word in shlex.split(command[1:])] == list(service.command)
    assert told["WorkingDirectory"].replace("%%", "%") == f"{service.folder}/"
    assert "%" not in command.replace("%%", "")


def verified(*services: Service, into: Path) -> list[str]:
    """What systemd finds wrong with the units of some services."""
    files = [into / f"{service.name}.service" for service in services]
    for file, service in zip(files, services, strict=True):
        file.write_bytes(unit(service))
    words = ["systemd-analyze", "verify", "--man=no", *map(str, files)]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    return [line for line in (done.stdout + done.stderr).splitlines() if "platemark-" in line]


@pytest.mark.skipif(not shutil.which("systemd-analyze"), reason="systemd is not installed")
def test_systemd_itself_finds_nothing_wrong_with_the_units(tmp_path: Path) -> None:
    for name in ODD:
        (tmp_path / name).mkdir()
    assert verified(*(described(tmp_path / name) for name in ODD), into=tmp_path) == []


@pytest.mark.skipif(not shutil.which("systemd-analyze"), reason="systemd is not installed")
def test_systemd_would_find_a_word_that_is_not_quoted(tmp_path: Path) -> None:
    # That the check above can fail: an interpreter that is not there, whose name was read with quotes and signs undone.
    told = verified(described(tmp_path, "/nowhere/100 % python"), into=tmp_path)
    assert any("/nowhere/100 % python" in line for line in told)


def test_systemd_starts_it_at_login_and_again_after_a_failure(tmp_path: Path) -> None:
    told = lines(unit(described(tmp_path)))
    assert told["WantedBy"] == "default.target"  # systemd.special(7): what a user's manager starts
    assert told["Restart"] == "on-failure"
    assert int(told["RestartSec"]) > 0
    assert told["StandardError"] == f"append:{tmp_path / 'platemark.service.log'}"


def test_an_interpreter_that_systemd_refuses_is_told_before(tmp_path: Path) -> None:
    with pytest.raises(PlatemarkError, match="quotation mark"):
        unit(described(tmp_path, '/opt/"py"/python'))


# launchd


@pytest.mark.parametrize("name", ODD)
def test_launchd_gets_the_folder_as_it_is_called(name: str, tmp_path: Path) -> None:
    service = described(tmp_path / name)
    told = plistlib.loads(agent(service))
    assert told["ProgramArguments"] == list(service.command)
    assert told["WorkingDirectory"] == str(tmp_path / name)
    assert told["StandardErrorPath"] == str(tmp_path / name / "platemark.service.log")


def test_launchd_starts_it_at_login_and_again_after_a_failure(tmp_path: Path) -> None:
    # launchd.plist(5): types of the keys; SuccessfulExit false restarts after anything but status 0.
    told = plistlib.loads(agent(described(tmp_path)))
    assert told["RunAtLoad"] is True
    assert told["KeepAlive"] == {"SuccessfulExit": False}
    assert isinstance(told["ThrottleInterval"], int)
    assert told["Label"] == name_for(tmp_path / "platemark.toml")
    # "the expected convention": the file is named by its label.
    assert LAUNCHD.place(described(tmp_path), Path("/Users/ines")).name == f"{told['Label']}.plist"


# Windows

# Task Scheduler Schema, pages settingsType, restartType, logonTriggerType, principalType, execActionType: the elements
# that each may hold. All but a trigger's stand in any order (xs:all); a trigger's own come after those of its base.
SCHEMA = {
    "Task": {"RegistrationInfo", "Triggers", "Principals", "Settings", "Actions"},
    "RegistrationInfo": {"URI", "SecurityDescriptor", "Source", "Date", "Author", "Version", "Description"},
    "Triggers": {"LogonTrigger"},
    "LogonTrigger": {"Enabled", "StartBoundary", "EndBoundary", "Repetition", "ExecutionTimeLimit", "UserId", "Delay"},
    "Principals": {"Principal"},
    "Principal": {"UserId", "LogonType", "GroupId", "DisplayName", "RunLevel"},
    "Settings": {
        "AllowStartOnDemand",
        "RestartOnFailure",
        "MultipleInstancesPolicy",
        "DisallowStartIfOnBatteries",
        "StopIfGoingOnBatteries",
        "AllowHardTerminate",
        "StartWhenAvailable",
        "Enabled",
        "Hidden",
        "ExecutionTimeLimit",
        "Priority",
    },
    "RestartOnFailure": {"Interval", "Count"},
    "Actions": {"Exec"},
    "Exec": {"Command", "Arguments", "WorkingDirectory"},
}


def windows(folder: str, user: str = "STUDIO\\Ines") -> Service:
    python = "C:\\Program Files\\platemark\\.venv\\Scripts\\python.exe"
    words = (python, "-P", "-m", "platemark", "watch", "--config", f"{folder}\\platemark.toml")
    return Service("platemark-test", words, Path(folder), Path(f"{folder}\\platemark.log"), user)


def read(service: Service) -> ET.Element:
    return ET.fromstring(task(service))  # noqa: S314 - our own text


def text_of(root: ET.Element, path: str) -> str:
    found = root.find("/".join(f"{{{NAMESPACE}}}{part}" for part in path.split("/")))
    assert found is not None, path
    return str(found.text)


def test_windows_gets_a_task_of_the_published_schema() -> None:
    root = read(windows("C:\\Users\\Ines\\studio"))
    assert root.tag == f"{{{NAMESPACE}}}Task"
    for element in root.iter():
        name = element.tag.removeprefix(f"{{{NAMESPACE}}}")
        inside = [child.tag.removeprefix(f"{{{NAMESPACE}}}") for child in element]
        assert set(inside) <= SCHEMA.get(name, set()), name
        assert len(inside) == len(set(inside))
    # actionsType: Context names the principal by its id, or the task is refused.
    principal = root.find(f".//{{{NAMESPACE}}}Principal")
    actions = root.find(f"{{{NAMESPACE}}}Actions")
    assert principal is not None
    assert actions is not None
    assert actions.get("Context") == principal.get("id")


def test_windows_starts_it_at_logon_and_again_after_a_failure() -> None:
    root = read(windows("C:\\Users\\Ines\\studio"))
    assert text_of(root, "Triggers/LogonTrigger/UserId") == "STUDIO\\Ines"
    assert text_of(root, "Principals/Principal/LogonType") == "InteractiveToken"
    assert text_of(root, "Settings/RestartOnFailure/Interval") == "PT1M"  # restartType: the least is a minute
    assert 1 <= int(text_of(root, "Settings/RestartOnFailure/Count")) <= 255  # restartType: an unsigned byte
    assert text_of(root, "Settings/ExecutionTimeLimit") == "PT0S"  # no limit; the default is PT72H


@pytest.mark.parametrize("name", ["prints of Ines", "Bücher & Größen <neu>", "cost $5", "50 % off", "Ines' prints"])
def test_windows_gets_the_folder_as_it_is_called(name: str) -> None:
    folder = f"C:\\Users\\Ines\\{name}"
    root = read(windows(folder))
    assert text_of(root, "Actions/Exec/WorkingDirectory") == folder
    # "Parsing C command-line arguments", learn.microsoft.com: a word with blanks stands in double quotes.
    word = f"{folder}\\platemark.toml"
    assert text_of(root, "Actions/Exec/Arguments").endswith(f'"{word}"' if " " in word else word)


@pytest.mark.parametrize("name", ["%TEMP%", "$(Arg0)"])
def test_a_folder_that_windows_would_take_for_a_variable_is_refused(name: str) -> None:
    with pytest.raises(PlatemarkError, match="variable"):
        task(windows(f"C:\\{name}"))


def test_windows_reads_the_file_in_its_own_encoding() -> None:
    assert task(windows("C:\\studio")).startswith((b"\xff\xfe<\0", b"\xfe\xff\0<"))  # UTF-16 with its mark


# The manager, through the seam


class Manager:
    """Stands for systemctl and the like: keeps what it was asked, and answers as it was told to."""

    def __init__(self, refused: str = "", said: str = "", *, missing: bool = False) -> None:
        self.asked: list[list[str]] = []
        self.refused, self.said, self.missing = refused, said, missing

    def __call__(self, command: Sequence[str]) -> Answer:
        self.asked.append(list(command))
        if self.missing:
            raise FileNotFoundError(2, "No such file or directory", command[0])
        failed = bool(self.refused) and self.refused in command
        return Answer(int(failed), f"{self.said}\n" if failed or not self.refused else "")


@pytest.mark.parametrize("system", [SYSTEMD, LAUNCHD, LOGON_TASK], ids=lambda system: system.name)
def test_what_was_installed_can_be_removed_and_removed_again(system, tmp_path: Path, monkeypatch) -> None:
    monkeypatch.delenv("XDG_CONFIG_HOME", raising=False)
    monkeypatch.delenv("LOCALAPPDATA", raising=False)
    managing = Managing(described(tmp_path / "studio"), system, Manager(), tmp_path / "home")
    assert "is installed" in managing.install()
    assert managing.file.read_bytes() == system.text(managing.service)
    assert managing.file.is_relative_to(tmp_path / "home")
    assert "is installed" in managing.install()  # again, after an update: described anew
    assert "is removed" in managing.remove()
    assert not managing.file.exists()
    assert "nothing to remove" in managing.remove()
    assert managing.status()[0] is False


def test_removing_ends_what_runs_and_only_that_studio(tmp_path: Path) -> None:
    manager = Manager()
    managing = Managing(described(tmp_path / "studio"), SYSTEMD, manager, tmp_path)
    managing.install()
    manager.asked.clear()
    managing.remove()
    name = f"{managing.service.name}.service"
    assert ["systemctl", "--user", "disable", "--now", name] in manager.asked


@pytest.mark.parametrize("system", [SYSTEMD, LAUNCHD, LOGON_TASK], ids=lambda system: system.name)
def test_without_a_manager_it_is_said_what_to_do_instead(system, tmp_path: Path) -> None:
    managing = Managing(described(tmp_path / "studio"), system, Manager(missing=True), tmp_path / "home")
    with pytest.raises(PlatemarkError, match=f"there is no {system.ask()[0]}.*run watch in a terminal"):
        managing.install()
    assert not managing.file.exists()
    assert "nothing to remove" in managing.remove()


def test_without_a_session_nothing_is_written_and_the_managers_words_are_told(tmp_path: Path) -> None:
    manager = Manager("show-environment", "Failed to connect to bus: No medium found")
    managing = Managing(described(tmp_path / "studio"), SYSTEMD, manager, tmp_path / "home")
    with pytest.raises(PlatemarkError, match=r"No medium found.*container"):
        managing.install()
    assert list(tmp_path.iterdir()) == []


def test_a_service_that_the_manager_refuses_leaves_nothing_behind(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.delenv("XDG_CONFIG_HOME", raising=False)
    managing = Managing(described(tmp_path), SYSTEMD, Manager("enable", "Unit is masked."), tmp_path / "home")
    with pytest.raises(PlatemarkError, match=r"Unit is masked\."):
        managing.install()
    assert [path for path in (tmp_path / "home").rglob("*") if path.is_file()] == []


def test_a_service_can_be_removed_where_its_manager_cannot_be_reached(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.delenv("XDG_CONFIG_HOME", raising=False)
    service = described(tmp_path / "studio")
    Managing(service, SYSTEMD, Manager(), tmp_path).install()
    cut_off = Managing(service, SYSTEMD, Manager(missing=True), tmp_path)
    link = cut_off.file.parent / "default.target.wants" / cut_off.file.name  # as `systemctl enable` lays it
    link.parent.mkdir()
    link.symlink_to(cut_off.file)
    assert "will not start again" in cut_off.remove()
    assert not cut_off.file.exists()
    assert not link.is_symlink()


@pytest.mark.parametrize(
    ("system", "said", "word"),
    [
        (SYSTEMD, "active", "active"),
        (LAUNCHD, "gui/501/platemark-x = {\n\tstate = running\n\tprogram = python\n", "running"),
        (LOGON_TASK, '"\\platemark-x","N/A","Running"', "Running"),
    ],
    ids=["systemd", "launchd", "Windows"],
)
def test_status_gives_the_managers_own_word(system, said: str, word: str, tmp_path: Path) -> None:
    managing = Managing(described(tmp_path / "studio"), system, Manager(said=said), tmp_path)
    managing.install()
    well, sentence = managing.status()
    assert well
    assert f"calls it {word}." in sentence
    assert str(managing.service.log) in sentence


def test_a_service_that_failed_sends_to_the_doctor(tmp_path: Path) -> None:
    service = described(tmp_path / "studio")
    Managing(service, SYSTEMD, Manager(), tmp_path).install()
    well, sentence = Managing(service, SYSTEMD, Manager("is-active", "failed"), tmp_path).status()
    assert not well
    assert "calls it failed" in sentence
    assert "doctor" in sentence


@pytest.mark.parametrize(
    ("platform", "system"), [("linux", SYSTEMD), ("darwin", LAUNCHD), ("win32", LOGON_TASK), ("freebsd14", SYSTEMD)]
)
def test_each_system_has_its_manager(platform: str, system) -> None:
    assert system_here(platform) is system


# The commands


def test_show_writes_nothing(bench, monkeypatch) -> None:
    monkeypatch.setenv("HOME", str(bench.root / "home"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(bench.root / "home"))
    before = sorted(bench.root.rglob("*"))
    done = CliRunner().invoke(main, ["service", "install", "--show", "--config", str(bench.file)])
    assert done.exit_code == 0
    assert str(bench.file) in done.output
    assert sorted(bench.root.rglob("*")) == before


def test_a_broken_config_is_told_before_anything_is_installed(bench) -> None:
    bench.file.write_text("[print.card]\nsheet = 5\n", encoding="utf-8")
    done = CliRunner().invoke(main, ["service", "install", "--config", str(bench.file)])
    assert done.exit_code == 2
    assert "[print.card], sheet = 5" in done.output


@pytest.mark.parametrize("command", ["status", "remove"])
def test_a_broken_config_hinders_neither_status_nor_remove(command: str, bench, monkeypatch) -> None:
    monkeypatch.setenv("HOME", str(bench.root / "home"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(bench.root / "home"))
    monkeypatch.setenv("PATH", "")  # no manager of this machine is called
    bench.file.write_text("[print.card\n", encoding="utf-8")
    done = CliRunner().invoke(main, ["service", command, "--config", str(bench.file)])
    assert "is not installed" in done.output
    assert done.exit_code == (1 if command == "status" else 0)

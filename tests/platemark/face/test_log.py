"""The log: a line for a person on the terminal, a line for a program in the file."""

import json
import logging
import logging.handlers
from pathlib import Path

import pytest
import structlog

from conftest import Bench
from platemark.errors import PlatemarkError
from platemark.face.log import log_file, printable, start_log

log = structlog.get_logger("platemark")


pytestmark = pytest.mark.usefixtures("log_as_it_was")


def lines(file: Path) -> list[dict[str, object]]:
    return [json.loads(line) for line in file.read_text(encoding="utf-8").splitlines()]


def test_the_file_holds_one_json_object_a_line(tmp_path: Path) -> None:
    start_log(tmp_path / "platemark.log", quiet=True)
    log.info("ready", scan="heron.tif", print="a4")
    log.warning("held", scan="wren.tif", print="a4")
    first, second = lines(tmp_path / "platemark.log")
    assert (first["event"], first["level"], first["scan"], first["print"]) == ("ready", "info", "heron.tif", "a4")
    assert second["level"] == "warning"
    assert str(first["timestamp"]).endswith("Z"), "in universal time: the clock of the house jumps twice a year"


def test_started_by_windows_at_logon_without_a_terminal_the_file_still_tells(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Library reference of `sys.__stderr__`: None where a program was started without a console, as by pythonw.
    monkeypatch.setattr("sys.stderr", None)
    monkeypatch.setattr("sys.stdout", None)
    start_log(tmp_path / "platemark.log")
    log.warning("held", scan="wren.tif")
    assert [line["scan"] for line in lines(tmp_path / "platemark.log")] == ["wren.tif"]


def test_the_terminal_says_the_same_in_one_readable_line(capsys: pytest.CaptureFixture[str]) -> None:
    start_log(None)
    log.warning("held", scan="wren.tif", reason="no edge")
    said = capsys.readouterr()
    assert said.out == "", "what is said of the work does not mix with what was asked for"
    (line,) = said.err.splitlines()
    for word in ("held", "warning", "wren.tif", "no edge"):
        assert word in line
    assert not line.startswith("{")


def test_a_traceback_goes_to_the_file_and_never_to_the_terminal(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    start_log(tmp_path / "platemark.log")
    try:
        raise ValueError("no edge")
    except ValueError:
        log.exception("a stage failed", stage="crop")
    assert "Traceback" not in capsys.readouterr().err
    assert "Traceback" in str(lines(tmp_path / "platemark.log")[0]["exception"])


def test_the_level_says_how_much_is_kept(tmp_path: Path) -> None:
    start_log(tmp_path / "platemark.log", "warning", quiet=True)
    log.info("ready")
    log.warning("held")
    assert [line["event"] for line in lines(tmp_path / "platemark.log")] == ["held"]


def test_a_name_that_would_command_the_terminal_is_only_shown(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    start_log(tmp_path / "platemark.log")
    log.info("ready", scan="a\x1b[2J\x07\u202eb\udcff.tif\nready forged")
    (line,) = capsys.readouterr().err.splitlines()
    assert "\x1b" not in line
    assert "\\x1b[2J" in line
    assert len(lines(tmp_path / "platemark.log")) == 1


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("Reiher über Öland 鷺", "Reiher über Öland 鷺"),
        ("a\tb\rc", "a\\tb\\rc"),
        ("\udce9t\udce9", "\\udce9t\\udce9"),
        ("right\u202eleft", "right\\u202eleft"),
    ],
)
def test_letters_of_all_languages_stay_and_the_rest_is_escaped(text: str, shown: str) -> None:
    assert printable(text) == shown


def test_a_stage_may_log_with_the_standard_library(tmp_path: Path) -> None:
    start_log(tmp_path / "platemark.log", quiet=True)
    logging.getLogger("platemark.grain").warning("grain of %d levels", 7)
    (line,) = lines(tmp_path / "platemark.log")
    assert (line["event"], line["level"]) == ("grain of 7 levels", "warning")


def test_the_file_turns_over_before_it_grows_without_end(tmp_path: Path) -> None:
    start_log(tmp_path / "platemark.log", quiet=True)
    (handler,) = [
        it for it in logging.getLogger("platemark").handlers if isinstance(it, logging.handlers.RotatingFileHandler)
    ]
    assert (handler.maxBytes, handler.backupCount) == (5_000_000, 3)
    handler.maxBytes = 500
    for number in range(30):
        log.info("ready", scan=f"heron-{number}.tif")
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "platemark.log",
        "platemark.log.1",
        "platemark.log.2",
        "platemark.log.3",
    ]


def test_starting_again_writes_no_line_twice(tmp_path: Path) -> None:
    for _ in range(3):
        start_log(tmp_path / "platemark.log", quiet=True)
    log.info("ready")
    assert len(lines(tmp_path / "platemark.log")) == 1


def test_a_log_in_a_new_folder_makes_the_folder(tmp_path: Path) -> None:
    start_log(tmp_path / "logs" / "platemark.log", quiet=True)
    assert log_file() == tmp_path / "logs" / "platemark.log"


def test_a_log_that_cannot_be_written_says_so_with_a_way_out(tmp_path: Path) -> None:
    (tmp_path / "logs").write_text("a file")
    with pytest.raises(PlatemarkError, match=r"platemark\.log cannot be written") as told:
        start_log(tmp_path / "logs" / "platemark.log")
    assert "[log]" in (told.value.remedy or "")


def test_a_command_that_tells_of_scans_itself_keeps_them_off_the_terminal(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    start_log(tmp_path / "platemark.log", quiet=True)
    log.info("ready", scan="heron.tif")
    log.error("paused: the folder for scans is gone")
    (line,) = capsys.readouterr().err.splitlines()
    assert "paused" in line
    assert len(lines(tmp_path / "platemark.log")) == 2


def test_without_a_file_there_is_none() -> None:
    start_log(None)
    assert log_file() is None


def test_what_becomes_of_each_print_stands_in_the_log_with_scan_and_print(bench: Bench) -> None:
    stage = "from platemark import Parameters, Settings, Stage, hookimpl\n"
    stage += "class Torn(Stage[Settings, Parameters]):\n    name = 'torn'\n"
    stage += "    def measure(self, picture, settings, job):\n"
    stage += "        if job.print_name == 'mini':\n            raise ValueError('torn')\n        return Parameters()\n"
    stage += "    def apply(self, picture, parameters):\n        return picture\n"
    stage += "@hookimpl\ndef platemark_stages():\n    return [Torn]\n"
    (bench.root / "stages").mkdir()
    (bench.root / "stages" / "torn.py").write_text(stage)
    chain = 'stages_dir = "stages"\nstages = ["deskew", "crop", "torn", "resample", "border", "jpeg"]\n'
    bench.file.write_text(chain + bench.config)
    start_log(bench.root / "platemark.log", quiet=True)
    bench.drop("heron.tif")
    bench.run()
    written = lines(bench.root / "platemark.log")
    assert {(line["event"], line["print"]) for line in written if line["event"] in {"ready", "held"}} == {
        ("ready", "card"),
        ("held", "mini"),
    }
    assert all("heron" in str(line["scan"]) for line in written)
    (failed,) = [line for line in written if line["event"] == "a stage failed"]
    assert (failed["print"], failed["stage"], failed["origin"]) == ("mini", "torn", "torn.py")
    assert "ValueError: torn" in str(failed["exception"])

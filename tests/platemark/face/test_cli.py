"""The commands, as they are typed: what they say, and the exit status that scripts go by."""

import os
from collections.abc import Callable
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result

from conftest import CONFIG, Bench, write_scan
from platemark.face.cli import check, main, make

DONE, NOT_AS_ASKED, WRONG = 0, 1, 2
COMMANDS = [
    "characterise",
    "compare",
    "demo",
    "doctor",
    "find",
    "init",
    "new-stage",
    "pathtest",
    "prepare",
    "profiles",
    "reproduce",
    "service",
    "stages",
    "strip",
]
COMMANDS += ["verify", "watch"]

Command = Callable[..., Result]


pytestmark = pytest.mark.usefixtures("log_as_it_was")


@pytest.fixture
def platemark(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Command:
    """Type a command in an empty folder, on a wide terminal; whatever comes, no traceback comes with it."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "200")

    def typed(*words: object) -> Result:
        result = CliRunner().invoke(main, [str(word) for word in words])
        assert "Traceback" not in result.output
        assert result.exception is None or isinstance(result.exception, SystemExit), repr(result.exception)
        return result

    return typed


@pytest.fixture
def studio(tmp_path: Path) -> Bench:
    """A studio with a finished print of each kind in ready/."""
    bench = Bench(tmp_path / "studio")
    bench.drop("heron.tif")
    bench.run()
    return bench


def manifest(bench: Bench) -> Path:
    return bench.root / "ready" / "heron.card.toml"


# Help.


def test_help_lists_every_command_with_a_whole_sentence(platemark: Command) -> None:
    said = platemark("--help")
    assert said.exit_code == DONE
    listed = {line.split()[0]: line for line in said.output.split("Commands:")[1].splitlines() if line.strip()}
    assert sorted(listed) == COMMANDS
    assert [line for line in listed.values() if not line.endswith(".") or line.endswith("...")] == []


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_and_option_explains_itself(platemark: Command, command: str) -> None:
    said = platemark(command, "-h")
    assert said.exit_code == DONE
    options = [
        option for option in main.get_command(click.Context(main), command).params if isinstance(option, click.Option)
    ]
    assert [option.name for option in options if not option.help] == []


def test_the_version_is_told(platemark: Command) -> None:
    said = platemark("--version")
    assert said.exit_code == DONE
    assert "0." in said.output


@pytest.mark.parametrize(
    "words", [["prnt"], ["prepare"], ["stages", "crop", "proof"], ["verify", "nowhere"], ["--loud"]]
)
def test_what_is_typed_wrong_is_told_and_nothing_is_done(platemark: Command, words: list[str], tmp_path: Path) -> None:
    said = platemark(*words)
    assert said.exit_code == WRONG
    assert "Error: " in said.output
    assert list(tmp_path.iterdir()) == []


# init.


def test_init_makes_a_studio_that_works_as_it_is(platemark: Command, tmp_path: Path) -> None:
    said = platemark("init", "studio")
    assert said.exit_code == DONE
    assert "platemark.toml" in said.output
    assert sorted(path.name for path in (tmp_path / "studio").iterdir()) == [
        "held",
        "originals",
        "platemark.toml",
        "ready",
        "scans",
    ]
    assert platemark("stages", "--config", "studio/platemark.toml").exit_code == DONE


def test_init_leaves_a_studio_that_is_there(platemark: Command, tmp_path: Path) -> None:
    (tmp_path / "platemark.toml").write_text("mine")
    said = platemark("init")
    assert said.exit_code == WRONG
    assert "is there already: it was left as it is" in said.output
    assert (tmp_path / "platemark.toml").read_text() == "mine"


def test_init_where_no_folder_can_be_made_says_so(platemark: Command, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    said = platemark("init", "file/studio")
    assert said.exit_code == WRONG
    assert "cannot be made" in said.output


# prepare.


def test_prepare_makes_every_print_of_a_scan_and_leaves_the_file(platemark: Command, tmp_path: Path) -> None:
    bench = Bench(tmp_path / "studio")
    scan = write_scan(tmp_path / "desk" / "heron.tif")
    said = platemark("prepare", scan, "--config", bench.file)
    assert said.exit_code == DONE, said.output
    assert "heron.card.jpg" in said.output
    assert "heron.mini.jpg" in said.output
    assert scan.is_file()
    assert said.output.count("ready") == 2


def test_prepare_again_makes_nothing_twice(platemark: Command, studio: Bench, tmp_path: Path) -> None:
    said = platemark("prepare", write_scan(tmp_path / "heron.tif"), "--config", studio.file)
    assert said.exit_code == DONE
    assert said.output.count("made before") == 2


def test_a_broken_file_among_good_ones_is_held_and_the_others_are_made(platemark: Command, tmp_path: Path) -> None:
    bench = Bench(tmp_path / "studio")
    whole, torn = bench.drop("heron.tif"), bench.drop("torn.tif")
    torn.write_bytes(torn.read_bytes()[: torn.stat().st_size // 2])
    junk = bench.root / "scans" / "a[b]junk\x1b[2J.tif"
    junk.write_bytes(b"not a picture")
    said = platemark("prepare", junk, torn, whole, "--config", bench.file)
    assert said.exit_code == NOT_AS_ASKED
    assert "heron.card.jpg" in said.output
    assert "a[b]junk\\x1b[2J.tif" in said.output, "shown as it is called, and doing nothing to the terminal"
    assert "\x1b[2J" not in said.output
    assert bench.names("ready") == ["heron.card.jpg", "heron.card.toml", "heron.mini.jpg", "heron.mini.toml"]
    assert "torn.tif" in bench.names("held")
    assert "torn.held.toml" in bench.names("held")


def test_a_ticket_among_the_files_is_read_with_its_scan(platemark: Command, tmp_path: Path) -> None:
    bench = Bench(tmp_path / "studio")
    scan = bench.drop("heron.tif")
    scan.with_suffix(".toml").write_text('prints = ["card"]\n')
    said = platemark("prepare", scan, scan.with_suffix(".toml"), "--config", bench.file)
    assert said.exit_code == DONE
    assert bench.names("ready") == ["heron.card.jpg", "heron.card.toml"]
    assert platemark("prepare", manifest(bench), "--config", bench.file).exit_code == WRONG


def test_a_wrong_config_is_told_with_a_line_for_each_fault(platemark: Command, tmp_path: Path) -> None:
    config = tmp_path / "platemark.toml"
    config.write_text('[print.a4]\nsheet = "A44"\nppi = 36\n[stage.jpeg]\nmin_quality = 99\n[log]\nlevle = "info"\n')
    said = platemark("prepare", write_scan(tmp_path / "heron.tif"))
    assert said.exit_code == WRONG
    lines = said.output.splitlines()
    assert len(lines) == 4
    assert all(line.startswith("platemark.toml, [") for line in lines)
    for address in ('sheet = "A44"', "ppi = 36", "min_quality = 99", 'the nearest is "level"'):
        assert any(address in line for line in lines), address
    assert sorted(path.name for path in tmp_path.iterdir()) == ["heron.tif", "platemark.toml"]


@pytest.mark.parametrize(
    ("config", "said"),
    [
        ("[print", "platemark.toml, line 1"),
        (CONFIG + '[log]\nfile = "heron.tif/x.log"\n', "the log"),
        ('stages = ["crop"]\n' + CONFIG, "must write the file"),
        ('stages = ["grain", "jpeg"]\n' + CONFIG, 'no stage is called "grain"'),
    ],
)
def test_a_config_that_cannot_work_is_told_in_one_line(
    platemark: Command, tmp_path: Path, config: str, said: str
) -> None:
    (tmp_path / "platemark.toml").write_text(config)
    answer = platemark("prepare", write_scan(tmp_path / "heron.tif"))
    assert answer.exit_code == WRONG
    assert said in answer.output


def test_a_missing_config_is_told_with_the_place_where_it_was_looked_for(platemark: Command, tmp_path: Path) -> None:
    said = platemark("prepare", write_scan(tmp_path / "heron.tif"))
    assert said.exit_code == WRONG
    assert "platemark.toml" in said.output


def test_a_stage_file_that_cannot_be_loaded_is_named_and_the_work_goes_on(platemark: Command, tmp_path: Path) -> None:
    bench = Bench(tmp_path / "studio")
    (bench.root / "stages").mkdir()
    (bench.root / "stages" / "veil.py").write_text("import nothing_of_this_name")
    bench.file.write_text('stages_dir = "stages"\n' + CONFIG)
    said = platemark("prepare", bench.drop("heron.tif"), "--config", bench.file)
    assert said.exit_code == DONE
    assert "Left out: the stage file veil.py cannot be loaded" in said.output


def test_a_fault_of_our_own_is_said_in_one_line_and_kept_in_the_log(
    platemark: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = Bench(tmp_path / "studio")

    def broken(*_: object) -> None:
        raise RuntimeError("the unexpected")

    monkeypatch.setattr(make, "prepare", broken)
    said = platemark("prepare", bench.drop("heron.tif"), "--config", bench.file)
    assert said.exit_code == WRONG
    assert "a fault of platemark itself (RuntimeError: the unexpected; test_cli.py, line" in said.output
    assert "platemark.log" in said.output
    assert "Traceback" in (bench.root / "platemark.log").read_text()


def test_a_fault_of_our_own_before_there_is_a_log_asks_for_the_line(
    platemark: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(_folder: Path) -> None:
        raise RuntimeError("the unexpected")

    monkeypatch.setattr(check, "verify", broken)
    said = platemark("verify", tmp_path)
    assert said.exit_code == WRONG
    assert "please report this line" in said.output


# stages.


def test_stages_lists_each_with_where_it_comes_from_and_what_it_writes(platemark: Command) -> None:
    said = platemark("stages")
    assert said.exit_code == DONE
    rows = {line.split()[0]: line for line in said.output.splitlines() if line.strip()}
    names = ["adjust", "border", "crop", "deskew", "dust", "join", "jpeg", "paper_white", "path_page", "proof"]
    assert list(rows) == ["stage", *names, "resample", "sharpen", "trial_strip", "turned"]
    assert "platemark 0." in rows["crop"]
    assert ".jpg" in rows["jpeg"]
    assert "Straightens the sheet." in rows["deskew"]


@pytest.mark.parametrize(
    ("stage", "words"),
    [
        ("border", ["keyline", '"0 mm"', 'at most "5 mm"', 'at least "1 mm"', "[print.NAME.border]", "true | false"]),
        ("crop", ["inset", '"0.3 mm"', "[corrections.crop]", "Pixels from the left edge"]),
        ("deskew", ["max_tilt", "12.0", "above 0, at most 45", "Degrees"]),
        ("jpeg", ["max_size", '"20 MB"', "at least 1, at most 100", '"srgb" | "keep"']),
        ("proof", ["effect", '"auto" | "report" | "convert" | "simulate"', "at least 200, at most 6000"]),
        ("resample", ["min_ppi", "180", "at least 1, at most 2400"]),
    ],
)
def test_a_stage_tells_its_settings_with_units_bounds_and_defaults(
    platemark: Command, stage: str, words: list[str]
) -> None:
    said = platemark("stages", stage)
    assert said.exit_code == DONE
    for word in words:
        assert word in said.output


def test_a_stage_that_is_not_there_is_told_with_those_that_are(platemark: Command) -> None:
    said = platemark("stages", "gild")
    assert said.exit_code == WRONG
    assert "no stage named gild: known are: adjust, border, crop" in said.output


def test_stages_of_your_own_are_listed_where_the_config_names_their_folder(platemark: Command, tmp_path: Path) -> None:
    wrote = platemark("new-stage", "tone")
    assert wrote.exit_code == DONE
    assert 'stages_dir = "stages"' in wrote.output
    (tmp_path / "platemark.toml").write_text('stages_dir = "stages"\n')
    assert "tone.py" in platemark("stages").output
    assert "at least -20, at most 20" in platemark("stages", "tone").output


@pytest.mark.parametrize("name", ["crop", "random", "My-Stage"])
def test_a_new_stage_under_a_name_that_will_not_do_is_refused(platemark: Command, tmp_path: Path, name: str) -> None:
    assert platemark("new-stage", name).exit_code == WRONG
    assert list(tmp_path.iterdir()) == []


def test_two_stages_of_one_name_stop_everything_with_both_origins(platemark: Command, tmp_path: Path) -> None:
    platemark("new-stage", "tone")
    stages = tmp_path / "stages"
    (stages / "other.py").write_text((stages / "tone.py").read_text())
    (tmp_path / "platemark.toml").write_text('stages_dir = "stages"\n')
    said = platemark("stages")
    assert said.exit_code == WRONG
    assert "two stages are named tone: one of other.py, one of tone.py" in said.output


# reproduce and verify.


def test_reproduce_says_that_every_byte_is_the_same(platemark: Command, studio: Bench) -> None:
    said = platemark("reproduce", manifest(studio))
    assert said.exit_code == DONE
    size = manifest(studio).with_suffix(".jpg").stat().st_size
    assert f"identical, all {size} bytes" in said.output


def test_reproduce_can_keep_what_it_makes_and_overwrites_nothing(
    platemark: Command, studio: Bench, tmp_path: Path
) -> None:
    again = tmp_path / "again.jpg"
    assert platemark("reproduce", manifest(studio), "-o", again).exit_code == DONE
    assert again.read_bytes() == manifest(studio).with_suffix(".jpg").read_bytes()
    said = platemark("reproduce", manifest(studio), "-o", again)
    assert said.exit_code == WRONG
    assert "is there already" in said.output


def test_reproduce_all_goes_on_past_one_that_cannot_be_made_again(platemark: Command, studio: Bench) -> None:
    (studio.root / "ready" / "a.card.toml").write_text("nothing")
    said = platemark("reproduce", "--all", studio.root / "ready")
    assert said.exit_code == NOT_AS_ASKED
    assert "a.card.toml" in said.output
    assert "2 of 3 identical" in said.output


def test_reproduce_without_the_original_names_it(platemark: Command, studio: Bench) -> None:
    (original,) = (path for path in (studio.root / "originals").iterdir() if path.suffix == ".tif")
    original.unlink()
    said = platemark("reproduce", manifest(studio))
    assert said.exit_code == WRONG
    assert "the original of heron" in said.output


@pytest.mark.parametrize("words", [[], ["--all", "."], ["MANIFEST", "--all", "."], ["--all", ".", "-o", "x.jpg"]])
def test_reproduce_asks_for_one_manifest_or_a_folder(platemark: Command, studio: Bench, words: list[str]) -> None:
    said = platemark("reproduce", *[manifest(studio) if word == "MANIFEST" else word for word in words])
    assert said.exit_code == WRONG


def test_verify_finds_nothing_in_a_sound_folder(platemark: Command, studio: Bench) -> None:
    said = platemark("verify", studio.root / "ready")
    assert (said.exit_code, said.output) == (DONE, "exports: 2, findings: none\n")


def test_verify_names_what_was_changed(platemark: Command, studio: Bench) -> None:
    export = manifest(studio).with_suffix(".jpg")
    export.write_bytes(export.read_bytes() + b"[/]")
    said = platemark("verify", studio.root / "ready")
    assert said.exit_code == NOT_AS_ASKED
    assert "changed" in said.output
    assert "heron.card.jpg" in said.output


# Where it may not write.


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write anywhere")
def test_a_studio_that_cannot_be_written_is_told(platemark: Command, tmp_path: Path) -> None:
    (tmp_path / "studio").mkdir(mode=0o500)
    assert platemark("init", "studio").exit_code == WRONG

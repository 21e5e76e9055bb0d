"""Read the config and the tickets, telling every problem of a file at once: it is mended once, not once per run."""

from __future__ import annotations

import contextlib
import re
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

from pydantic import BaseModel, ValidationError

from platemark.config.model import DEFAULT_STAGES, Config
from platemark.config.print_spec import Border, stage_tables
from platemark.config.problems import Page, problem_from
from platemark.config.references import Surroundings, Table, placed
from platemark.config.ticket import Ticket
from platemark.errors import ConfigError, Problem

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping

SettingsT = TypeVar("SettingsT", bound=BaseModel)
TableT = TypeVar("TableT", bound=Table)

_POSITION = re.compile(r"\s*\(at (?:line (\d+), column \d+|end of document)\)$")

# The beginnings of tomllib's messages, and the mistake that usually stands behind each.
_SYNTAX: Final = (
    ("Expected newline or end of document", 'a value with a unit stands in double quotes, such as "12 mm"'),
    ("Invalid value", 'a text stands in double quotes, such as "A4"; a number, true and false stand without'),
    ("Expected '=' after a key", "every line is key = value, or a [table]"),
    ("Invalid statement", "every line is key = value, or a [table]; a note starts with #"),
    ("Cannot overwrite a value", "this key stands in its table twice; keep one"),
    ("Cannot declare", "this table stands in the file twice; bring its lines together"),
    ("Cannot mutate immutable namespace", "this table was already written in { }; add to it there"),
    ("Expected ']'", "a closing bracket is missing"),
    ("Unclosed", "a closing bracket is missing"),
    ("Unterminated", "a closing quote is missing"),
    ("Illegal character", "a closing quote is missing, or a character that cannot be seen has slipped in"),
    ("Unescaped '\\'", 'write a path with /, or in single quotes; in double quotes "\\" has a meaning of its own'),
)


def load_config(path: Path, known_stages: Mapping[str, type[BaseModel]], *, some_lost: bool = False) -> Config:
    """Read and check `platemark.toml`.

    Args:
        path: the config file; relative paths in it start at its folder.
        known_stages: the installed stages by name, each with the model of its settings.
        some_lost: others could not be loaded, so a stage that is not known may be one of them.

    Returns:
        The config, its paths absolute.

    Raises:
        ConfigError: with all problems of the file.
    """
    written = read_toml(path)
    around = Surroundings(
        Path(path).absolute().parent,
        stages=known_stages.keys(),
        papers=_tables(written, "paper").keys(),
        prints=_tables(written, "print").keys(),
        some_lost=some_lost,
    )
    page = Page(path.name, written)
    config, problems = _checked(Config, page, around)
    problems += _settings_problems(page, known_stages)
    if not written.get("print"):
        remedy = 'no print is described; add a table [print.a4] with sheet = "A4"'
        problems.append(Problem(path.name, "", "", "", remedy))
    if config is None or problems:
        raise ConfigError(dict.fromkeys(problems))
    return config


def load_ticket(
    path: Path, known_prints: Collection[str], known_stages: Collection[str], *, some_lost: bool = False
) -> Ticket:
    """Read and check the ticket of one scan.

    Args:
        path: the ticket.
        known_prints: names of the prints in the config.
        known_stages: names of the installed stages.
        some_lost: as for `load_config`.

    Raises:
        ConfigError: with all problems of the file.
    """
    around = Surroundings(Path(path).absolute().parent, stages=known_stages, prints=known_prints, some_lost=some_lost)
    ticket, problems = _checked(Ticket, Page(path.name, read_toml(path)), around)
    if ticket is None:
        raise ConfigError(problems)
    return ticket


def settings_for(config: Config, print_name: str, stage_name: str, settings: type[SettingsT]) -> SettingsT:
    """Settle what one stage is told for one print: its defaults, over them [stage.NAME], over them [print.PRINT.NAME].

    Tables are laid over each other key by key; a table inside them is replaced whole.

    Args:
        config: as loaded.
        print_name: the print.
        stage_name: the stage.
        settings: the model of the stage's settings.

    Raises:
        ConfigError: the settings do not fit the model; cannot happen for a config that was loaded with this model.
    """
    own = config.print[print_name].stage_settings.get(stage_name, {})
    told = {**config.stage.get(stage_name, {}), **own}
    try:
        return settings.model_validate(told)
    except ValidationError as fault:
        page = Page("the config", {"print": {print_name: {stage_name: told}}})
        at = ("print", print_name, stage_name)
        raise ConfigError(problem_from(error, page, settings, at) for error in fault.errors()) from fault


def read_stages_dir(path: Path) -> Path | None:
    """Look up only `stages_dir`: stages must be known before the rest of the config can be checked.

    Raises:
        ConfigError: the file cannot be read as TOML.
    """
    folder = read_toml(path).get("stages_dir")
    if not isinstance(folder, str) or not folder:
        return None
    with contextlib.suppress(ValueError):  # told when the whole config is read
        return placed(folder, Path(path).absolute().parent)
    return None


def read_toml(path: Path) -> dict[str, Any]:
    """Read a TOML file.

    Raises:
        ConfigError: it is not there, is no UTF-8 text or no TOML; names the line.
    """
    try:
        # Editors on Windows put a byte order mark in front, which TOML does not allow.
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as fault:
        raise _unreadable(path, "not a text in UTF-8; save it again with that encoding") from fault
    except OSError as fault:
        remedy = "go into the folder that has it, or name it, or make a studio with init"
        raise _unreadable(path, f"cannot be opened ({fault.strerror}); {remedy}") from fault
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        raise _not_toml(path, text, str(fault)) from fault
    except ValueError as fault:  # a number of thousands of digits
        raise _unreadable(path, "a number in it is far too long; write an ordinary one") from fault
    except RecursionError as fault:
        raise _unreadable(path, "its brackets lie too deep in each other; close them earlier") from fault


def _unreadable(path: Path, remedy: str) -> ConfigError:
    return ConfigError([Problem(path.name, "", "", "", remedy)])


def _not_toml(path: Path, text: str, message: str) -> ConfigError:
    """Say which line stops the reader, and what is usually wrong with such a line."""
    position = _POSITION.search(message)
    said = _POSITION.sub("", message)
    remedy = next((usual for start, usual in _SYNTAX if said.startswith(start)), said)
    lines = text.rstrip().split("\n")
    number = min(int(position[1]), len(lines)) if position and position[1] else len(lines)
    return ConfigError([Problem(path.name, "", f"line {number}, {lines[number - 1].strip()}", "", remedy)])


def _checked(model: type[TableT], page: Page, around: Surroundings) -> tuple[TableT | None, list[Problem]]:
    try:
        return model.model_validate(page.written, context=around), []
    except ValidationError as fault:
        return None, [problem_from(error, page, model) for error in fault.errors()]


def _settings_problems(page: Page, known_stages: Mapping[str, type[BaseModel]]) -> Iterator[Problem]:
    """Hold the settings of each stage in each print against the stage's own model."""
    # Without any print the tables for all prints are still looked at.
    for print_name, print_table in (_tables(page.written, "print") or {"": {}}).items():
        own = stage_tables(print_table)
        for stage in _stages_of(print_table, page.written):
            if stage in known_stages:
                at = ("print", print_name, stage)
                yield from _stage_problems(page, known_stages[stage], at, own.get(stage, {}))


def _stages_of(print_table: Mapping[str, Any], written: Mapping[str, Any]) -> list[str]:
    """Name the stages that run for a print, and those that have settings without running."""
    chain = print_table.get("stages") or written.get("stages")
    running = map(str, chain if isinstance(chain, list) else DEFAULT_STAGES)
    return list(dict.fromkeys([*running, *_tables(written, "stage"), *stage_tables(print_table)]))


def _stage_problems(
    page: Page, model: type[BaseModel], at: tuple[str, str, str], own: dict[str, Any]
) -> Iterator[Problem]:
    stage = at[-1]
    try:
        model.model_validate({**_tables(page.written, "stage").get(stage, {}), **own})
    except ValidationError as fault:
        for error in fault.errors():
            if error["loc"] and error["loc"][0] in own:
                # [print.NAME.border] holds geometry beside the settings of the stage.
                yield problem_from(error, page, model, at, Border.model_fields if stage == "border" else ())
            else:
                yield problem_from(error, page, model, ("stage", stage))


def _tables(written: Mapping[str, Any], name: str) -> dict[str, dict[str, Any]]:
    """Give the tables below [name], and nothing that is not one."""
    below = written.get(name)
    return {key: table for key, table in below.items() if isinstance(table, dict)} if isinstance(below, dict) else {}

"""Writing a few lines into the artist's config: her notes, her order and all else stay as they are."""

import re
import tomllib
from collections.abc import Mapping

from pydantic import ValidationError

from platemark.config.model import Printer
from platemark.config.problems import Page, problem_from
from platemark.errors import ConfigError, PlatemarkError

_HEADER = re.compile(r"\s*\[")


def with_answers(text: str, name: str, answers: Mapping[str, str]) -> str:
    """The config's text with what the printed test page showed.

    Args:
        text: of the config.
        name: of its file.
        answers: keys of [printer], and their values as they are written.

    Raises:
        ConfigError: an answer that cannot be.
        PlatemarkError: as `with_table`.
    """
    try:
        Printer.model_validate(dict(answers))
    except ValidationError as fault:
        page = Page(name, {"printer": dict(answers)})
        raise ConfigError(problem_from(error, page, Printer, ("printer",)) for error in fault.errors()) from fault
    return with_table(text, "printer", answers)


def with_table(text: str, table: str, values: Mapping[str, str]) -> str:
    r"""The text with these values in this table.

    A line that sets one of them already gets the new value and keeps its note; what is missing is put at the end of
    the table, and a table that is not there at the end of the file.

    Args:
        text: of a TOML file.
        table: its name, without dots.
        values: what it is to say, all of it text.

    Raises:
        PlatemarkError: the table is written in a way that this cannot change without harm; says what to write by hand.

    >>> print(with_table('[printer] # mine\ncolour = "driver"\n', "printer", {"grey": "neutral"}), end="")
    [printer] # mine
    colour = "driver"
    grey = "neutral"
    """
    ending = "\r\n" if "\r\n" in text else "\n"
    lines = text.splitlines()
    header = re.compile(rf"\s*\[\s*{re.escape(table)}\s*\]\s*(#.*)?")
    start = next((n for n, line in enumerate(lines) if header.fullmatch(line)), None)
    if start is None:
        lines += [*([""] if lines and lines[-1].strip() else []), f"[{table}]"]
        start = len(lines) - 1
    end = next((n for n in range(start + 1, len(lines)) if _HEADER.match(lines[n])), len(lines))
    written = ending.join([*lines[: start + 1], *_changed(lines[start + 1 : end], values), *lines[end:]]) + ending
    _check(text, written, table, values)
    return written


def _changed(lines: list[str], values: Mapping[str, str]) -> list[str]:
    """The lines of a table with these values."""
    left = dict(values)
    changed = []
    for line in lines:
        found = re.fullmatch(r'(\s*([A-Za-z_]+)\s*=\s*)("[^"]*")(\s*(?:#.*)?)', line)
        if found and found[2] in left:
            changed.append(f'{found[1]}"{left.pop(found[2])}"{found[4]}')
        else:
            changed.append(line)
    # Before the empty lines and notes that lead over to the next table.
    last = next((n for n in range(len(changed), 0, -1) if re.match(r"\s*[^#\s]", changed[n - 1])), 0)
    return [*changed[:last], *(f'{key} = "{value}"' for key, value in left.items()), *changed[last:]]


def _check(before: str, after: str, table: str, values: Mapping[str, str]) -> None:
    """What was read from the file before is read from it after, with these values and nothing else new."""
    told = tomllib.loads(before.removeprefix("\ufeff"))
    try:
        found = tomllib.loads(after.removeprefix("\ufeff"))
    except tomllib.TOMLDecodeError:
        found = {}
    if found != {**told, table: {**told.get(table, {}), **values}}:
        by_hand = ", ".join(f'{key} = "{value}"' for key, value in values.items())
        raise PlatemarkError(
            f"the table [{table}] of the config is written in a way that cannot be added to; nothing was changed",
            remedy=f"write into it: {by_hand}",
        )

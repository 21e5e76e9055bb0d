"""Saying things on the terminal: results as tables, errors as sentences, never a traceback."""

from __future__ import annotations

import contextlib
import traceback
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click
import structlog
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from platemark.errors import PlatemarkError
from platemark.face.log import log_file, printable

if TYPE_CHECKING:  # a command that makes nothing does without the engine
    from platemark.flow.delivery import Outcome

console = Console(emoji=False)  # ":leaf:" in a name of a file is no picture of a leaf
_STYLES = {"ready": "green", "known": "dim", "held": "yellow", "waiting": "yellow"}
_SAID = {"ready": "ready", "known": "made before", "held": "held", "waiting": "waiting"}


@contextlib.contextmanager
def readable_errors() -> Iterator[None]:
    """What the user can act on becomes a sentence and exit status 2; anything else is our bug, kept in the log."""
    try:
        yield
    except PlatemarkError as fault:
        for line in str(fault).splitlines():
            say(line, err=True)
        raise SystemExit(2) from fault
    except (click.ClickException, click.Abort):
        raise
    except Exception as fault:
        structlog.get_logger("platemark").exception("a fault of platemark itself")
        say(_our_fault(fault), err=True)
        raise SystemExit(2) from fault


def say(words: str, *, err: bool = False) -> None:
    """One line, as it is: no markup, nothing that a file's name could do to the terminal."""
    click.echo(printable(words), err=err)


def show_outcomes(outcomes: Sequence[Outcome]) -> None:
    """A table: one line a print."""
    table = table_of("scan", "print", "", "file, or why and what to do")
    for outcome in outcomes:
        table.add_row(_safe(outcome.scan), outcome.print_name or "all", _state(outcome), _safe(_words(outcome)))
    console.print(table)


def show_outcome(outcome: Outcome) -> None:
    """One line, as it happens."""
    name = f"{outcome.scan} {outcome.print_name}".strip()
    console.print(f"{_state(outcome)}  {_safe(name)}  {_safe(_words(outcome))}", soft_wrap=True, highlight=False)


def table_of(*headings: str, title: str | None = None) -> Table:
    """An empty table; long words are folded, never cut."""
    table = Table(box=None, pad_edge=False, title=title, title_justify="left", header_style="bold")
    for heading in headings:
        table.add_column(heading, overflow="fold")
    return table


def _safe(words: str) -> str:
    return escape("\n".join(printable(line) for line in words.splitlines()))


def _state(outcome: Outcome) -> str:
    return f"[{_STYLES[outcome.status]}]{_SAID[outcome.status]}[/]"


def _words(outcome: Outcome) -> str:
    if outcome.status in {"held", "waiting"}:
        return f"{_sentence(outcome.reason)} {_sentence(outcome.remedy)}"
    name = outcome.export.name if outcome.export else ""
    return "; ".join([name, *outcome.warnings])


def _sentence(words: str) -> str:
    return f"{words[:1].upper()}{words[1:].rstrip('.')}."


def _our_fault(fault: Exception) -> str:
    place = traceback.extract_tb(fault.__traceback__)[-1]
    log = log_file()
    details = f"the details are in {log}, please report them" if log else "please report this line"
    return (
        f"This is a fault of platemark itself ({type(fault).__name__}: {fault}; {Path(place.filename).name}, "
        f"line {place.lineno}). Nothing of yours is lost; {details}."
    )

"""Saying things on the terminal: results as tables, errors as sentences, never a traceback."""

import contextlib
from collections.abc import Iterator, Sequence

import click
import structlog
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from platemark.errors import PlatemarkError
from platemark.flow.delivery import Outcome

console = Console()
_STYLES = {"ready": "green", "known": "dim", "held": "yellow"}
_SAID = {"ready": "ready", "known": "made before", "held": "held"}


@contextlib.contextmanager
def readable_errors() -> Iterator[None]:
    """What the user can act on becomes a sentence and exit status 2; anything else is our bug, kept in the log."""
    try:
        yield
    except PlatemarkError as fault:
        click.echo(str(fault), err=True)
        raise SystemExit(2) from fault
    except (click.ClickException, click.Abort, SystemExit, KeyboardInterrupt):
        raise
    except Exception as fault:
        structlog.get_logger("platemark").exception("a fault of platemark itself")
        click.echo(
            f"This is a fault of platemark itself ({type(fault).__name__}: {fault}). Nothing of yours is lost; "
            "the details are in platemark.log, please report them.",
            err=True,
        )
        raise SystemExit(2) from fault


def show_outcomes(outcomes: Sequence[Outcome]) -> None:
    """A table: one line a print."""
    table = Table(box=None, pad_edge=False, header_style="bold")
    for heading in ("scan", "print", "", "file, or why and what to do"):
        table.add_column(heading, overflow="fold")
    for outcome in outcomes:
        table.add_row(
            escape(outcome.scan), outcome.print_name or "all", _state(outcome), escape(_words(outcome)), end_section=False
        )
    console.print(table)


def show_outcome(outcome: Outcome) -> None:
    """One line, as it happens."""
    name = f"{outcome.scan} {outcome.print_name}".strip()
    console.print(f"{_state(outcome)}  {escape(name)}  {escape(_words(outcome))}", soft_wrap=True)


def _state(outcome: Outcome) -> str:
    return f"[{_STYLES[outcome.status]}]{_SAID[outcome.status]}[/]"


def _words(outcome: Outcome) -> str:
    if outcome.status == "held":
        return f"{outcome.reason}: {outcome.remedy}"
    name = outcome.export.name if outcome.export else ""
    return "; ".join([name, *outcome.warnings])

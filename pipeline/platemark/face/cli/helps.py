"""Commands that make the prints that help to print: strip, pathtest."""

import re
from contextlib import AbstractContextManager
from pathlib import Path

import click

from platemark.config.model import Printer
from platemark.config.printed_helps import StripAsked
from platemark.config.writing import with_answers
from platemark.errors import PlatemarkError
from platemark.face.cli.make import open_for_work
from platemark.face.cli.options import config_option
from platemark.face.cli.saying import readable_errors, say, show_outcomes
from platemark.flow.converter import READ_MM
from platemark.flow.delivery import Outcome
from platemark.flow.holder import sole_worker
from platemark.flow.printed_help import make_page, make_strip
from platemark.flow.studio import Studio, open_studio
from platemark.records.store import write_whole

_sheet = click.option("--sheet", default="A4", show_default=True, help='The sheet that is fed: "A4", "A5 landscape".')
_paper = click.option("--paper", default="", help="The paper, as in [paper.NAME] of the config.")


@click.command("strip")
@click.argument("scan", nargs=-1, required=True, type=click.Path(exists=True, dir_okay=False, path_type=Path))
@_paper
@_sheet
@click.option("--place", default="1of4", show_default=True, help="The part of the sheet, from the top.")
@click.option("--lightness", type=float, default=0.0, help="The middle of the ring, as a strip before said.")
@click.option("--warmth", type=float, default=0.0, help="As --lightness.")
@click.option("--saturation", type=int, default=0, help="As --lightness.")
@config_option
def strip_command(
    scan: tuple[Path, ...],
    paper: str,
    sheet: str,
    place: str,
    lightness: float,
    warmth: float,
    saturation: int,
    config: Path,
) -> None:
    """Make a test strip of SCAN.

    Its palest, darkest and most colourful places, a grey ramp, and one piece with small changes around it, each with
    the words that bring it about. Feed the same sheet again for the next: --place 2of4. Of an original that was
    scanned in parts, name all of them. They stay where they are.
    """
    with readable_errors():
        studio = open_for_work(config)
        with _holding(studio):
            asked = StripAsked(sheet, place, lightness, warmth, saturation)
            outcomes = make_strip(studio, scan, paper or _only_paper(studio), asked)
    _finish(outcomes)


@click.command("pathtest")
@_paper
@_sheet
@click.option("--answer", is_flag=True, help="Store what the printed page showed; asks for what is not given here.")
@click.option("--word", type=click.Choice(["honoured", "ignored"], case_sensitive=False), help="The clear word.")
@click.option("--line", help='The measured length of the line of 100 mm, such as "99.5 mm".')
@click.option("--grey", type=click.Choice(["neutral", "tinted"]), help="How the greys came out.")
@config_option
def pathtest_command(
    paper: str, sheet: str, word: str | None, line: str | None, grey: str | None, config: Path, *, answer: bool
) -> None:
    """Make a page that tests the way to the printer.

    It shows whether the profile in a file counts, whether sizes and pixels are kept, and whether greys are neutral, and
    says how to read it. Print it as you print your pictures, then store the answers with --answer.
    """
    if answer or word or line or grey:
        _store(config, _answers(word, line, grey, ask=answer))
        return
    with readable_errors():
        studio = open_for_work(config)
        with _holding(studio):
            outcomes = make_page(studio, paper, sheet=sheet)
    _finish(outcomes)


def _holding(studio: Studio) -> AbstractContextManager[None]:
    return sole_worker(studio.originals, studio.scans)


def _only_paper(studio: Studio) -> str:
    """The paper, where there is only one."""
    known = list(studio.config.paper)
    if len(known) != 1:
        there_are = ", ".join(known) or "none is described yet"
        raise PlatemarkError("a strip is made for one paper", remedy=f"name it with --paper ({there_are})")
    return known[0]


def _finish(outcomes: list[Outcome]) -> None:
    show_outcomes(outcomes)
    raise SystemExit(1 if any(outcome.status == "held" for outcome in outcomes) else 0)


def _answers(word: str | None, line: str | None, grey: str | None, *, ask: bool) -> dict[str, str]:
    """What the page showed, asked for where it is wanted."""
    if ask:
        word = word or click.prompt(
            "1  Which word is the clear one", type=click.Choice(["honoured", "ignored"], case_sensitive=False)
        )
        line = line or click.prompt("2  How long is the line of 100 mm", default="100 mm")
        grey = grey or click.prompt("4  The greys are", type=click.Choice(["neutral", "tinted"]))
    told = {"profiles": word and word.lower(), "line": line and _with_unit(line), "grey": grey}
    return {key: value for key, value in told.items() if value}


def _with_unit(line: str) -> str:
    return f"{line} mm" if re.fullmatch(r"[\d.]+", line.strip()) else line.strip()


def _store(config: Path, answers: dict[str, str]) -> None:
    """Write the answers into the config, if it is still sound with them."""
    with readable_errors():
        place = config.resolve()  # the file itself, where the name is only a link to it
        open_studio(config)
        text = place.read_bytes().decode("utf-8")
        write_whole(place, with_answers(text, config.name, answers).encode(), step="config", replace=True)
        printer = open_studio(config).config.printer
    say(f"Written into [printer] of {config.name}.")
    for sentence in _meaning(printer):
        say(sentence)


def _meaning(printer: Printer) -> list[str]:
    """What follows from the answers."""
    said = []
    if printer.profiles == "ignored" and printer.colour == "driver":
        said.append("Send sRGB, as platemark does by itself; a file in another space will be warned of.")
    if printer.profiles == "honoured" and printer.colour == "file":
        said.append("The way would convert a second time: switch colour off in the driver and test again.")
    if printer.line is not None and abs(printer.line - 100) > READ_MM:
        said.append(f"Prints come out at {printer.line:g} % of their size: set the print program to 100 %.")
    if printer.grey == "tinted":
        said.append("Greys have a tint: choose the paper in the driver, clean the nozzles, and test again.")
    return said or ["All is as it should be."]

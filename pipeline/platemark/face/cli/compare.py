"""The command that holds a print against its model: compare."""

import itertools
from pathlib import Path

import click

from platemark.config.model import Scanner
from platemark.config.reading import read_stages_dir
from platemark.contract.plugins import load_plugins
from platemark.errors import Held
from platemark.face.cli.options import config_option
from platemark.face.cli.saying import readable_errors, say
from platemark.face.comparison.page import page
from platemark.flow.comparing.comparison import Comparison, compare, record
from platemark.flow.studio import open_studio
from platemark.records.disk import make_folder
from platemark.records.names import numbered, readable_stem
from platemark.records.store import write_whole

_scan = click.Path(exists=True, dir_okay=False, path_type=Path)


@click.command("compare")
@click.argument("first", type=_scan)
@click.argument("second", type=_scan, required=False)
@click.option(
    "--into",
    type=click.Path(file_okay=False, path_type=Path),
    default=Path(),
    help="The folder for the report; here unless given.",
)
@config_option
def compare_command(first: Path, second: Path | None, into: Path, config: Path) -> None:
    """Hold a print against its model.

    FIRST is the scan of the original, or of the print that every other must match; SECOND the scan of the new print.
    Where both lie in one scan, name that one: the sheet read first is the model. Writes a page to look at and the
    figures as TOML.
    """
    with readable_errors():
        try:
            compared, page = _compared([first, second] if second else [first], config, into)
        except Held as held:
            say(str(held), err=True)
            raise SystemExit(1) from held
    for sentence in compared.verdict.findings:
        say(sentence)
    say("")
    say(f"{compared.verdict.word.capitalize()}: {'; '.join(compared.verdict.reasons)}.")
    say(f"The report: {page}")
    raise SystemExit(0 if compared.verdict.word == "passes" else 1)


def _compared(scans: list[Path], config: Path, into: Path) -> tuple[Comparison, Path]:
    """Compare, then write the page and, last, the figures."""
    known = config.is_file()
    scanner = open_studio(config).config.scanner if known else Scanner()
    compared = compare(scans, scanner, load_plugins(read_stages_dir(config) if known else None))
    report, figures = page(compared), record(compared)
    make_folder(into, remedy="name another with --into")
    html, toml = _free(into, scans)
    write_whole(html, report, step="page")
    write_whole(toml, figures, step="figures")
    return compared, html


def _free(into: Path, scans: list[Path]) -> tuple[Path, Path]:
    """Names that are not taken: an older report stays."""
    stem = readable_stem(" against ".join(scan.stem for scan in scans) + " compared")
    for number in itertools.count(1):
        html, toml = (numbered(into / f"{stem}{ending}", number) for ending in (".html", ".toml"))
        if not html.exists() and not toml.exists():
            return html, toml
    raise AssertionError  # counting never ends

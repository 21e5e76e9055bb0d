"""The command that holds a print against its model: compare."""

import itertools
from pathlib import Path
from typing import TYPE_CHECKING

import click

from platemark.errors import Held
from platemark.face.cli.make import config_option
from platemark.face.cli.saying import readable_errors, say

if TYPE_CHECKING:
    from platemark.flow.comparing.comparison import Comparison

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


def _compared(scans: list[Path], config: Path, into: Path) -> "tuple[Comparison, Path]":
    """Compare, then write the page and, last, the figures."""
    # Loaded here: no other command needs these, and each would start the later for them.
    from platemark.config.model import Scanner  # noqa: PLC0415
    from platemark.config.reading import read_stages_dir  # noqa: PLC0415
    from platemark.contract.plugins import load_plugins  # noqa: PLC0415
    from platemark.face.comparison.page import page  # noqa: PLC0415
    from platemark.flow.comparing.comparison import compare, record  # noqa: PLC0415
    from platemark.flow.studio import open_studio  # noqa: PLC0415
    from platemark.records.disk import make_folder  # noqa: PLC0415
    from platemark.records.store import write_whole  # noqa: PLC0415

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
    from platemark.records.names import numbered, readable_stem  # noqa: PLC0415

    stem = readable_stem(" against ".join(scan.stem for scan in scans) + " compared")
    for number in itertools.count(1):
        html, toml = (numbered(into / f"{stem}{ending}", number) for ending in (".html", ".toml"))
        if not html.exists() and not toml.exists():
            return html, toml
    raise AssertionError  # counting never ends

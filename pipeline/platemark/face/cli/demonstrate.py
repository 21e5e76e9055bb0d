"""The command that shows it all: demo."""

import tempfile
from pathlib import Path

import click

from platemark.face.cli.saying import console, readable_errors, show_outcomes
from platemark.face.demo.show import run_demo
from platemark.face.log import start_log


@click.command("demo")
@click.option("--into", type=click.Path(file_okay=False, path_type=Path), help="An empty folder; a new one if not named.")
def demo_command(into: Path | None) -> None:
    """Draw scans of invented artwork, make prints of them, and reproduce one."""
    start_log(None, quiet=True)
    folder = into or Path(tempfile.mkdtemp(prefix="platemark-demo-"))
    with readable_errors():
        shown = run_demo(folder)
    show_outcomes(shown.outcomes)
    console.print(f"\n{shown.reproduction.sentence()}\n", soft_wrap=True)
    console.print(f"Look at the prints and their manifests: {shown.ready}", soft_wrap=True)
    console.print(f"The scans they came from:               {shown.originals}", soft_wrap=True)
    raise SystemExit(0 if shown.good else 1)

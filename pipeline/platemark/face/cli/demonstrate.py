"""The command that shows it all: demo."""

import tempfile
from pathlib import Path

import click

from platemark.face.cli.saying import readable_errors, say, show_outcomes
from platemark.face.demo.show import run_demo
from platemark.face.log import start_log


@click.command("demo")
@click.option("--into", type=click.Path(file_okay=False, path_type=Path), help="A new or empty folder for it.")
def demo_command(into: Path | None) -> None:
    """Make prints of invented artwork, to look at.

    Scans of invented artwork are drawn, prints made of them, and the first one is made again and compared.
    """
    with readable_errors():
        start_log(None, quiet=True)
        shown = run_demo(into or Path(tempfile.mkdtemp(prefix="platemark-demo-")))
    show_outcomes(shown.outcomes)
    say("")
    say(shown.reproduction.sentence())
    say("")
    say(f"Look at the prints and their manifests: {shown.ready}")
    say(f"The scans they came from:               {shown.originals}")
    raise SystemExit(0 if shown.good else 1)

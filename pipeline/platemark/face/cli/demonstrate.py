"""The command that shows it all: demo."""

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import click

from platemark.face.cli.saying import readable_errors, say, show_outcomes
from platemark.face.demo.show import run_demo
from platemark.face.log import start_log

if TYPE_CHECKING:
    from platemark.face.demo.colour import Step


@click.command("demo")
@click.option("--into", type=click.Path(file_okay=False, path_type=Path), help="A new or empty folder for it.")
@click.option(
    "--colour", is_flag=True, help="Take the seven steps of colour instead, from a chart to a print that passes."
)
def demo_command(into: Path | None, *, colour: bool) -> None:
    """Make prints of invented artwork, to look at.

    Scans of invented artwork are drawn, prints made of them, and the first one is made again and compared.
    """
    folder = into or Path(tempfile.mkdtemp(prefix="platemark-demo-"))
    with readable_errors():
        start_log(None, quiet=True)
        if colour:
            _show_colour(folder)
            return
        shown = run_demo(folder)
    show_outcomes(shown.outcomes)
    say("")
    say(shown.reproduction.sentence())
    say("")
    say(f"Look at the prints and their manifests: {shown.ready}")
    say(f"The scans they came from:               {shown.originals}")
    raise SystemExit(0 if shown.good else 1)


def _show_colour(folder: Path) -> None:
    from platemark.face.demo.colour import run_colour_demo  # noqa: PLC0415 - much that the other demo does not need

    def tell(step: "Step") -> None:
        say(step.title)
        for line in step.said:
            say(f"   {line}")
        for file in step.files:
            say(f"   {file}")

    run_colour_demo(folder, tell)

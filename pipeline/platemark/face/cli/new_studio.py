"""The command that makes a studio: init."""

from pathlib import Path

import click

from platemark.face.cli.saying import readable_errors, say
from platemark.face.setting_up import set_up


@click.command("init")
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path), default=Path())
def init_command(folder: Path) -> None:
    """Make a studio in FOLDER, or here.

    A studio is four folders and a commented config.
    """
    with readable_errors():
        config = set_up(folder)
    say(f"Ready: {config}. Look through it, then start watch in that folder.")

"""What several commands take."""

from pathlib import Path

import click

from platemark.config import CONFIG_NAME

config_option = click.option(
    "--config",
    "config",
    type=click.Path(dir_okay=False, path_type=Path),
    default=Path(CONFIG_NAME),
    show_default=True,
    help="The config; its folder is the studio.",
)

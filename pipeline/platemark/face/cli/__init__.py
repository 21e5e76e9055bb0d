"""The commands. Each parses, calls the engine, says the result, and exits.

0 done; 1 done but not as asked (held, differs); 2 wrong use or config.
"""

import click

from platemark.face.cli.check import reproduce_command, verify_command
from platemark.face.cli.demonstrate import demo_command
from platemark.face.cli.find import find_command
from platemark.face.cli.make import init_command, prepare_command, watch_command
from platemark.face.cli.stages import new_stage_command, stages_command
from platemark.face.log import start_log


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="platemark")
def main() -> None:
    """From a scan of an artwork to print-ready files, the same ones again years later."""
    start_log(None)


for command in (
    init_command,
    watch_command,
    prepare_command,
    find_command,
    reproduce_command,
    verify_command,
    stages_command,
    new_stage_command,
    demo_command,
):
    main.add_command(command)

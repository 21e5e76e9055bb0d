"""The commands. Each parses, calls the engine, says the result, and exits.

0 done; 1 done but not as asked (held, differs, out of order); 2 wrong use or config.
"""

from importlib import import_module
from typing import NamedTuple

import click

from platemark.face.cli.loading import loading


class _Home(NamedTuple):
    """Where a command lives, and its first line for the list of commands."""

    module: str
    line: str


# Only the command that is typed is loaded: the others' libraries would cost it its first moments, and the list of
# commands needs none of them. A test holds each line to the command's own.
_HOMES = {
    "characterise": _Home("characterise", "Make your scanner's profile from the scan CHART."),
    "compare": _Home("compare", "Hold a print against its model."),
    "demo": _Home("demonstrate", "Make prints of invented artwork, to look at."),
    "doctor": _Home("examine", "Say whether all is well around a studio."),
    "find": _Home("find", "Tell what lies on FILES, without making anything."),
    "init": _Home("new_studio", "Make a studio in FOLDER, or here."),
    "new-stage": _Home("stages", "Write a working stage, and its test."),
    "pathtest": _Home("helps", "Make a page that tests the way to the printer."),
    "prepare": _Home("make", "Make the prints of FILES, once and now."),
    "profiles": _Home("profiles", "List and explain the colour profiles."),
    "reproduce": _Home("check", "Make an export again from its MANIFEST."),
    "service": _Home("serving", "Watch from login on, without a terminal."),
    "stages": _Home("stages", "List the stages, or tell all about NAME."),
    "strip": _Home("helps", "Make a test strip of SCAN."),
    "verify": _Home("check", "Check the exports in FOLDER and their originals."),
    "watch": _Home("watching", "Make prints of every scan dropped in."),
}


class _Commands(click.Group):
    """The commands by name."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - as click calls it
        """In the order of the alphabet."""
        return sorted(_HOMES)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002 - see above
        """The command of this name, loaded now."""
        if cmd_name not in _HOMES:
            return None
        with loading():
            home = import_module(f"{__name__}.{_HOMES[cmd_name].module}")
        command: click.Command = getattr(home, f"{cmd_name.replace('-', '_')}_command")
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002 - see above
        """The list of commands, from their lines above: none is loaded."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, _HOMES[name].line) for name in sorted(_HOMES)])


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="platemark")
def main() -> None:
    """From a scan of an artwork to print-ready files, the same ones again years later."""
    import_module("platemark.face.log").start_log(None)  # not before a command is typed: it brings a library along

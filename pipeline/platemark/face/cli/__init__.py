"""The commands. Each parses, calls the engine, says the result, and exits.

0 done; 1 done but not as asked (held, differs); 2 wrong use or config.
"""

from importlib import import_module

import click

from platemark.face.log import start_log

# Where each command lives. Only the one that is typed is loaded: the others' libraries would cost it its first moments.
_HOMES = {
    "init": "make",
    "watch": "watching",
    "prepare": "make",
    "find": "find",
    "compare": "compare",
    "profiles": "profiles",
    "characterise": "characterise",
    "strip": "helps",
    "pathtest": "helps",
    "reproduce": "check",
    "verify": "check",
    "stages": "stages",
    "new-stage": "stages",
    "demo": "demonstrate",
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
        home = import_module(f"{__name__}.{_HOMES[cmd_name]}")
        command: click.Command = getattr(home, f"{cmd_name.replace('-', '_')}_command")
        return command


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="platemark")
def main() -> None:
    """From a scan of an artwork to print-ready files, the same ones again years later."""
    start_log(None)

"""The commands that start the watcher with the machine: service install, remove, status."""

from pathlib import Path

import click

from platemark.face.cli.options import config_option
from platemark.face.cli.saying import readable_errors, say
from platemark.flow.studio import open_studio
from platemark.machine.service.description import Service, service_for
from platemark.machine.service.managing import Managing
from platemark.machine.subject import subject_of


@click.group("service")
def service_command() -> None:
    """Watch from login on, without a terminal.

    On Linux as a user unit of systemd, on macOS as an agent of launchd, on Windows as a task at logon.
    """


@service_command.command("install")
@click.option("--show", is_flag=True, help="Say what would be written and done, and do nothing.")
@config_option
def install(config: Path, *, show: bool) -> None:
    """Start the watcher now and at every login."""
    with readable_errors():
        managing = Managing(_described(config))
        if show:
            click.echo(managing.shown())
        else:
            say(managing.install())


@service_command.command("remove")
@config_option
def remove(config: Path) -> None:
    """Stop it, and start it no more."""
    with readable_errors():
        say(Managing(_named(config)).remove())


@service_command.command("status")
@config_option
def status(config: Path) -> None:
    """Say whether it is installed and runs."""
    with readable_errors():
        well, sentence = Managing(_named(config)).status()
    say(sentence)
    raise SystemExit(0 if well else 1)


def _described(config: Path) -> Service:
    """The service of a studio whose config is in order: one that is not would fail at every start."""
    return service_for(config, open_studio(config).config.log.file)


def _named(config: Path) -> Service:
    """The service of a studio whose config may be broken or gone."""
    return service_for(config, subject_of(config).log.file)

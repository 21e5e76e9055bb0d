"""Commands that make prints: init, watch, prepare."""

import signal
from pathlib import Path

import click
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

from platemark.face.cli.saying import console, readable_errors, show_outcome, show_outcomes
from platemark.face.log import start_log
from platemark.face.setting_up import set_up
from platemark.flow.delivery import Outcome
from platemark.flow.holder import sole_worker
from platemark.flow.prepare import prepare
from platemark.flow.studio import CONFIG_NAME, Studio, open_studio
from platemark.flow.watch import Watcher

config_option = click.option(
    "--config",
    "config",
    type=click.Path(dir_okay=False, path_type=Path),
    default=Path(CONFIG_NAME),
    show_default=True,
    help="The config; its folder is the studio.",
)


@click.command("init")
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path), default=Path())
def init_command(folder: Path) -> None:
    """Make a studio in FOLDER (here, if not named): the folders and a commented config."""
    with readable_errors():
        config = set_up(folder)
    click.echo(f"Ready: {config}. Look through it, then run: platemark watch")


@click.command("watch")
@config_option
def watch_command(config: Path) -> None:
    """Take every scan that is dropped into scans/ until Ctrl-C."""
    with readable_errors():
        studio = _open(config)
        with sole_worker(studio.scans):
            watcher = Watcher(studio, on_outcome=show_outcome)
            for name in ("SIGINT", "SIGTERM"):
                signal.signal(getattr(signal, name), lambda _number, _frame: watcher.stop())
            console.print(f"Watching {studio.scans}. Ctrl-C ends it after the scan in hand.", soft_wrap=True)
            watcher.run()
    console.print("Stopped. Nothing is half done.")


@click.command("prepare")
@click.argument("files", nargs=-1, required=True, type=click.Path(exists=True, dir_okay=False, path_type=Path))
@config_option
def prepare_command(files: tuple[Path, ...], config: Path) -> None:
    """Make the prints of FILES once, now."""
    with readable_errors():
        studio = _open(config, quiet=True)
        with sole_worker(studio.scans):
            outcomes = _with_progress(studio, files)
    show_outcomes(outcomes)
    raise SystemExit(1 if any(outcome.status == "held" for outcome in outcomes) else 0)


def _open(config: Path, *, quiet: bool = False) -> Studio:
    start_log(None)
    studio = open_studio(config)
    studio.make_folders()
    start_log(studio.config.log.file, studio.config.log.level, quiet=quiet)
    for name, why in studio.plugins.refused.items():
        click.echo(f"Left out: {name}: {why}", err=True)
    return studio


def _with_progress(studio: Studio, files: tuple[Path, ...]) -> list[Outcome]:
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn())
    with Progress(*columns, console=console, transient=True) as bar:
        task = bar.add_task("files", total=len(files))
        stage = bar.add_task("", total=None)

        def tell(scan: str, print_name: str, step: str) -> None:
            bar.update(stage, description=f"{scan}  {print_name}  {step}")

        outcomes: list[Outcome] = []
        for made in prepare(studio, files, tell):
            outcomes += made
            bar.advance(task)
        return outcomes

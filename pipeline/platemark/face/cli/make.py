"""The command that makes prints of named files: prepare."""

from pathlib import Path

import click
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

from platemark.face.cli.loading import loading
from platemark.face.cli.options import config_option
from platemark.face.cli.saying import console, readable_errors, say, show_outcomes
from platemark.face.log import printable, start_log
from platemark.flow.delivery import Outcome
from platemark.flow.holder import sole_worker
from platemark.flow.prepare import prepare, works_in
from platemark.flow.studio import Studio, open_studio
from platemark.flow.workers.choosing import workers_of


@click.command("prepare")
@click.argument("files", nargs=-1, required=True, type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--check", is_flag=True, help="Apply every step twice and say which does not come out the same.")
@config_option
def prepare_command(files: tuple[Path, ...], config: Path, *, check: bool) -> None:
    """Make the prints of FILES, once and now."""
    scans = tuple(file for file in files if file.suffix != ".toml")  # a ticket is read with its scan
    if not scans:
        raise click.UsageError("name at least one scan; a ticket is read with the scan it lies beside")
    with readable_errors():
        studio = open_for_work(config)
        if check:
            studio = studio.checking()
        with sole_worker(studio.originals, studio.scans):
            outcomes = _with_progress(studio, scans)
    show_outcomes(outcomes)
    raise SystemExit(1 if any(outcome.status in {"held", "waiting"} for outcome in outcomes) else 0)


def open_for_work(config: Path) -> Studio:
    """The studio of a config, its folders made and its log begun."""
    with loading():
        studio = open_studio(config)
    studio.make_folders()
    start_log(studio.config.log.file, studio.config.log.level, quiet=True)
    for why in studio.plugins.refused.values():
        say(f"Left out: {why}", err=True)
    return studio


def _with_progress(studio: Studio, files: tuple[Path, ...]) -> list[Outcome]:
    columns = (TextColumn("{task.description}", markup=False), BarColumn(), MofNCompleteColumn())
    with Progress(*columns, console=console, transient=True) as bar:
        task = bar.add_task("files", total=len(files))
        stage = bar.add_task("", total=None)

        def tell(scan: str, print_name: str, step: str) -> None:
            bar.update(stage, description=printable(f"{scan}  {print_name}  {step}"))

        outcomes: list[Outcome] = []
        # A single scan makes nobody wait, so nobody is hired for it.
        alone = works_in(files, studio) == 1
        with workers_of(studio, alone=alone) as (executor, workers):
            for made in prepare(studio, files, executor, workers, tell):
                outcomes += made
                bar.advance(task)
        return outcomes

"""The command that makes prints of whatever is dropped in: watch."""

import signal
from pathlib import Path

import click

from platemark.face.cli.make import open_for_work
from platemark.face.cli.options import config_option
from platemark.face.cli.saying import readable_errors, say, show_outcome
from platemark.flow.holder import sole_worker
from platemark.flow.watch import Watcher
from platemark.flow.workers.choosing import workers_of


@click.command("watch")
@config_option
def watch_command(config: Path) -> None:
    """Make prints of every scan dropped in.

    Takes what lies in scans/ and whatever is dropped there, until Ctrl-C.
    """
    with readable_errors():
        studio = open_for_work(config)
        with sole_worker(studio.originals, studio.scans), workers_of(studio) as (executor, workers):
            watcher = Watcher(studio, on_outcome=show_outcome, executor=executor, workers=workers)
            for name in ("SIGINT", "SIGTERM"):
                signal.signal(getattr(signal, name), lambda _number, _frame: watcher.stop())
            say(f"Watching {studio.scans}. Ctrl-C ends it after the scans in hand.")
            watcher.run()
    say("Stopped. Nothing is half done.")

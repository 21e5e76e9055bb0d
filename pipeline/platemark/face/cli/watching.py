"""The command that makes prints of whatever is dropped in: watch."""

import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
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
            with _told_to_stop(watcher.stop):
                say(f"Watching {studio.scans}. Ctrl-C ends it after the scans in hand.")
                watcher.run()
    say("Stopped. Nothing is half done.")


@contextmanager
def _told_to_stop(stop: Callable[[], None]) -> Iterator[None]:
    """While it lasts, Ctrl-C and a request to end call `stop`; afterwards they do what they did before."""
    before = {
        number: signal.signal(number, lambda _number, _frame: stop()) for number in (signal.SIGINT, signal.SIGTERM)
    }
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)

"""F30: pull the plug at any moment and start again: what an undisturbed run would have made is there, once.

Seven moments; `bench/killing.py` tries three hundred.
"""

import os
from pathlib import Path

import pytest
from killing import Moment, Trial, kill_and_restart, set_up

pytestmark = pytest.mark.skipif(os.name == "nt", reason="signals and process groups of POSIX")

# The archive, the commit of an export, a scan that goes, a set that goes; the rest of the moments are times.
_STEPS = ("archive.publish", "manifest.publish", "inbox.clear", "leaving.clear")
_TIMES = [Moment(seconds=0.2 * n, whom=whom) for n, whom in enumerate(["program", "watcher", "worker"], start=1)]


@pytest.fixture(scope="module")
def trial(tmp_path_factory: pytest.TempPathFactory) -> Trial:
    return set_up(tmp_path_factory.mktemp("killing"))


@pytest.mark.parametrize("moment", [*(Moment(step) for step in _STEPS), *_TIMES], ids=str)
def test_f30_killed_at_any_moment_it_ends_as_if_nothing_had_been(trial: Trial, moment: Moment, tmp_path: Path) -> None:
    assert kill_and_restart(trial, moment, tmp_path / "studio") == []


def test_the_steps_that_are_tried_are_reached(trial: Trial) -> None:
    assert set(_STEPS) <= set(trial.steps)
    assert len(trial.moments()) > 50

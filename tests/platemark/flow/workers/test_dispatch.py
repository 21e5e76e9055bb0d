"""Dispatch: scans go through workers as they would go through the program itself, and a lost worker costs one scan."""

import hashlib
import pickle
from collections.abc import Callable
from concurrent.futures import Executor, Future
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from conftest import BOTH, Bench, sheet_scan, write_scan
from platemark.errors import Held
from platemark.flow.delivery import Changing
from platemark.flow.gathered import UnfinishedPart
from platemark.flow.intake import Incomplete
from platemark.flow.prepare import prepare
from platemark.flow.workers.dispatch import Dispatcher
from platemark.flow.workers.processes import Processes


def without_the_hour(data: bytes) -> bytes:
    """A file without the table that says when and where it was made, the last of a manifest."""
    return data.partition(b"\n[made]")[0]


def test_workers_make_the_same_bytes_as_the_program_itself(tmp_path: Path) -> None:
    names = ["heron.tif", "wren.tif", "egret.tif"]

    def all_made(where: str, executor: Executor | None, workers: int) -> dict[str, str]:
        bench = Bench(tmp_path / where)
        scans = [bench.drop(name, sheet_scan(seed=seed)) for seed, name in enumerate(names)]
        list(prepare(bench.studio, scans, executor, workers))
        return {
            name: hashlib.sha256(without_the_hour((bench.root / folder / name).read_bytes())).hexdigest()
            for folder in ("ready", "originals")
            for name in bench.names(folder)
        }

    here = all_made("here", None, 1)
    with Processes(2) as executor:
        assert all_made("beside", executor, 2) == here
    assert len(here) == 15  # two prints of each scan with their manifests, and the scan


class Never(Executor):
    """Takes work, and never does it."""

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Take it."""
        del fn, args, kwargs
        return Future()


@pytest.mark.parametrize(("paper", "status"), [(None, "ready"), (sheet_scan() * 0 + 200, "held")])
def test_what_a_worker_made_that_was_lost_before_it_could_say_so_is_told(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, paper: NDArray[np.uint8] | None, status: str
) -> None:
    monkeypatch.setenv("PLATEMARK_FAILPOINT", "done:1:kill")  # the last step of a delivery
    scan = bench.drop("heron.tif", paper)
    with Processes(1) as executor:
        outcomes = next(iter(prepare(bench.studio, [scan], executor)))
    assert {(outcome.scan, outcome.status) for outcome in outcomes} == {("heron.tif", status)}
    assert bench.names("scans") == []
    assert bench.names("ready") == (BOTH if status == "ready" else [])


@pytest.fixture
def busy(bench: Bench) -> Dispatcher:
    """A studio that is working on the scan heron.tif."""
    dispatcher = Dispatcher(bench.studio, Never(), most=8)
    assert dispatcher.begin(bench.drop("heron.tif"))
    return dispatcher


@pytest.mark.parametrize("name", ["heron.png", "HERON.tif", "heron-2.tif", "heron-2-1.tif", "heron.turned.tif"])
def test_scans_that_could_want_one_name_are_never_in_work_together(bench: Bench, busy: Dispatcher, name: str) -> None:
    assert not busy.begin(bench.drop(name, sheet_scan(seed=9)))


def test_two_scans_of_the_same_content_are_never_in_work_together(bench: Bench, busy: Dispatcher) -> None:
    assert not busy.begin(bench.drop("wren.tif"))


def test_scans_that_are_numbered_one_after_the_other_need_not_wait(bench: Bench) -> None:
    dispatcher = Dispatcher(bench.studio, Never(), most=8)
    assert all(dispatcher.begin(bench.drop(f"scan-{n}.tif", sheet_scan(seed=n))) for n in (1, 2, 10))
    assert not dispatcher.begin(bench.drop("scan-1-2.tif", sheet_scan(seed=4)))


def test_other_scans_need_not_wait(bench: Bench, busy: Dispatcher) -> None:
    other = bench.drop("wren.tif", sheet_scan(seed=9))
    assert busy.begin(other)
    assert busy.has(other)


def test_a_file_that_cannot_be_read_needs_not_wait_either(bench: Bench, busy: Dispatcher) -> None:
    assert busy.begin(bench.root / "scans" / "gone.tif")


def test_no_more_is_begun_than_workers_can_take(bench: Bench) -> None:
    dispatcher = Dispatcher(bench.studio, Never(), most=1)
    dispatcher.begin(bench.drop("heron.tif"))
    assert dispatcher.is_full


@pytest.mark.parametrize("kind", [Held, Incomplete, Changing])
def test_why_a_scan_waits_survives_the_way_between_processes(kind: type[Held]) -> None:
    arrived = pickle.loads(pickle.dumps(kind("it is not whole", remedy="wait")))  # noqa: S301 - our own
    assert type(arrived) is kind
    assert (arrived.reason, arrived.remedy) == ("it is not whole", "wait")


def test_which_part_is_not_whole_survives_the_way_between_processes(tmp_path: Path) -> None:
    part = write_scan(tmp_path / "heron_1of2.tif")
    unfinished = UnfinishedPart(Incomplete("it is cut", remedy="wait"), part)
    arrived = pickle.loads(pickle.dumps(unfinished))  # noqa: S301 - our own
    assert (type(arrived), arrived.file, arrived.reason) == (UnfinishedPart, part, "it is cut")

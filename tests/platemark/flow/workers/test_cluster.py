"""Dask: scans go to workers of a real scheduler, over the loopback, and come back as if they had been made here."""

import contextlib
import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from conftest import QUICK, Bench, sheet_scan, until
from platemark.errors import NoWorkers
from platemark.flow.delivery import Outcome
from platemark.flow.prepare import prepare
from platemark.flow.same_folder import MARK
from platemark.flow.watch import Watcher
from platemark.flow.workers import cluster as cluster_module
from platemark.flow.workers.choosing import workers_of
from platemark.flow.workers.cluster import Cluster
from platemark.flow.workers.guarded import call_guarded, terms_of
from platemark.flow.workers.order import carry_out, order_of

distributed = pytest.importorskip("distributed")

DASK = """
[work]
where = "dask"
scheduler = "{address}"
folders = "{folders}"
"""
# Takes its own machine down, once, where a file asks for it.
LETHAL = """
import os, signal, time
from pathlib import Path
from platemark import Parameters, Settings, Stage, hookimpl

class Lethal(Stage[Settings, Parameters]):
    name = "lethal"
    version = 1

    def measure(self, picture, settings, job):
        try:
            Path({order!r}).unlink()
        except FileNotFoundError:
            return Parameters()
        os.kill(os.getppid(), getattr(signal, "SIGKILL", signal.SIGTERM))
        time.sleep(60)

    def apply(self, picture, parameters):
        return picture

@hookimpl
def platemark_stages():
    return [Lethal]
"""


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    """Two workers in processes of their own."""
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, host="127.0.0.1", dashboard_address="127.0.0.1:0", silence_logs=50
    ) as made:
        yield made.scheduler_address


@contextlib.contextmanager
def scheduler(workers: int, port: int = 0) -> "Iterator[distributed.LocalCluster]":
    """A scheduler that is quickly started and ended, and workers in threads."""
    with distributed.LocalCluster(
        n_workers=workers,
        threads_per_worker=1,
        processes=False,
        protocol="tcp",
        host="127.0.0.1",
        scheduler_port=port,
        dashboard_address="127.0.0.1:0",
        silence_logs=50,
    ) as made:
        yield made


@pytest.fixture
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two seconds are long on one machine."""
    monkeypatch.setattr(cluster_module, "_PATIENCE", 2.0)
    monkeypatch.setattr(cluster_module, "_PAUSE", 0.05)


@pytest.fixture(scope="module")
def order(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where it is written that a machine shall die. One for all: it stands in the stage, and that in every manifest."""
    return tmp_path_factory.mktemp("orders") / "die"


@pytest.fixture
def root(tmp_path: Path, order: Path) -> Path:
    """A folder with the stage."""
    return furnished(tmp_path / "studio", order)


def furnished(root: Path, order: Path) -> Path:
    (root / "stages").mkdir(parents=True)
    (root / "stages" / "lethal.py").write_text(LETHAL.format(order=str(order)), encoding="utf-8")
    return root


def studio(root: Path, address: str = "", folders: str = "shared") -> Bench:
    """Three scans, one with a ticket, worked on where the address says."""
    work = DASK.format(address=address, folders=folders) if address else ""
    chain = 'stages_dir = "stages"\nstages = ["resample", "lethal", "border", "jpeg"]\n'
    bench = Bench(root, chain + QUICK.partition("\n")[2] + work)
    for seed, name in enumerate(["heron.tif", "wren.tif", "egret.tif"]):
        bench.drop(name, sheet_scan(seed=seed))
    (root / "scans" / "heron.toml").write_text('title = "Heron, first light"\n', encoding="utf-8")
    return bench


def prepared(bench: Bench) -> list[Outcome]:
    """All that lies in scans/, made by whom the config names."""
    scans = sorted((bench.root / "scans").glob("*.tif"))
    with workers_of(bench.studio) as (executor, workers):
        return [outcome for made in prepare(bench.studio, scans, executor, workers) for outcome in made]


@pytest.fixture(scope="module")
def made_here(tmp_path_factory: pytest.TempPathFactory, order: Path) -> dict[str, bytes]:
    """What the same studio looks like when nobody else worked on it."""
    bench = studio(furnished(tmp_path_factory.mktemp("here") / "studio", order))
    bench.run()
    return bench.tree()


@pytest.mark.parametrize("folders", ["shared", "carried"])
def test_other_machines_make_the_same_files_and_one_that_dies_costs_nothing(
    root: Path, order: Path, address: str, made_here: dict[str, bytes], folders: str
) -> None:
    bench = studio(root, address, folders)
    order.touch()
    outcomes = prepared(bench)
    assert not order.exists()  # it was obeyed
    assert [outcome.status for outcome in outcomes] == ["ready"] * 3
    assert bench.tree() == made_here


@pytest.mark.usefixtures("impatient")
def test_a_scheduler_that_is_not_there_is_told(root: Path) -> None:
    with scheduler(0) as gone:
        address = gone.scheduler_address
    bench = studio(root, address)
    with pytest.raises(NoWorkers, match=rf"no Dask scheduler answers at {address}: start it \(dask scheduler\)"):
        prepared(bench)
    assert len(bench.names("scans")) == 4


@pytest.mark.usefixtures("impatient")
def test_a_scheduler_that_has_no_workers_is_told(root: Path) -> None:
    with scheduler(0) as idle, pytest.raises(NoWorkers, match="has no workers: start one on each machine"):
        prepared(studio(root, idle.scheduler_address))


@pytest.mark.usefixtures("impatient")
def test_work_goes_on_when_a_scheduler_that_went_away_is_back(root: Path, made_here: dict[str, bytes]) -> None:
    with scheduler(1) as first:
        address = first.scheduler_address
        bench = studio(root, address)
        executor = Cluster(bench.studio.config)
    watcher = Watcher(bench.studio, executor=executor, workers=executor.slots)
    thread = threading.Thread(target=watcher.run)
    thread.start()
    try:
        until(lambda: watcher._trouble.startswith("no Dask scheduler answers"))
        assert (bench.names("ready"), len(bench.names("scans"))) == ([], 4)
        with scheduler(1, port=int(address.rpartition(":")[2])):
            until(lambda: not bench.names("scans"), 60)
            watcher.stop()
            thread.join(20)
    finally:
        watcher.stop()
        executor.shutdown()
    left = {name: data for name, data in bench.tree().items() if not name.endswith(MARK)}
    assert left == made_here


@pytest.mark.usefixtures("impatient")
def test_when_all_workers_go_away_nothing_waits_for_them_for_ever(root: Path) -> None:
    with scheduler(1) as made:
        bench = studio(root, made.scheduler_address)
        executor = Cluster(bench.studio.config)
        made.scale(0)
        until(lambda: executor._slots == 0)
        scan = bench.root / "scans" / "heron.tif"
        future = executor.submit(carry_out, order_of(bench.studio, (scan,)))
        with pytest.raises(NoWorkers, match="has no workers"):
            future.result(20)
        assert scan.is_file()
        made.scale(2)
        until(lambda: executor.slots() == 2)  # those that come later are given work too
        executor.shutdown()


def test_a_machine_that_would_make_other_bytes_makes_none(bench: Bench) -> None:
    terms = terms_of(bench.studio.config)
    wanted = replace(terms, versions={**terms.versions, "pillow": "9.1.0"})
    with pytest.raises(NoWorkers, match=r"works with pillow \S+ \(wanted: 9\.1\.0\)"):
        call_guarded(wanted, len, ("heron",), {})


def test_a_machine_that_does_not_see_the_studio_holds_nothing(bench: Bench) -> None:
    terms, order = terms_of(bench.studio.config), order_of(bench.studio, (bench.drop("heron.tif"),))
    bench.file.unlink()
    with pytest.raises(NoWorkers, match=r'does not see .*platemark\.toml: share the folder .* folders = "carried"'):
        call_guarded(terms, carry_out, (order,), {})

"""What can go wrong with a cluster, in words of ours."""

from platemark.errors import NoWorkers
from platemark.flow.workers.processes import WorkerLost


class MachineLost(WorkerLost):
    """The machine that worked on a scan is gone."""


def in_our_words(fault: Exception) -> Exception:
    """What Dask failed at; by name, so that Dask need not be loaded where it is not used."""
    if type(fault).__name__ == "KilledWorker":
        return machine_lost("and those that were given it after that one ended")
    return NoWorkers(
        f"the Dask workers cannot take it ({type(fault).__name__}: {fault})",
        remedy="install the same platemark, with its cluster extra, for the scheduler and on all machines",
    )


def machine_lost(how: str) -> MachineLost:
    """It is gone; `how` goes on after "the machine that worked on it"."""
    return MachineLost(
        f"the machine that worked on it {how}",
        remedy="see that the machines stay on and have memory enough, then drop the scan in again",
    )


def no_answer(address: str) -> NoWorkers:
    """The scheduler is not there."""
    return NoWorkers(
        f"no Dask scheduler answers at {address}",
        remedy="start it (dask scheduler) and its workers (dask worker), or put the address right in [work]; "
        "nothing was lost",
    )


def nobody(address: str) -> NoWorkers:
    """The scheduler is there, and no worker."""
    return NoWorkers(
        f"the Dask scheduler at {address} has no workers",
        remedy=f"start one on each machine that shall work: dask worker {address}; nothing was lost",
    )

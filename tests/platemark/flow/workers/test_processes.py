"""Worker processes: whatever happens in one costs the call in hand, and nothing else."""

import operator
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from platemark.flow.workers.processes import Processes, TookTooLong, WorkerLost

# The system's own calls do the harm, so that nothing of ours can soften it.
POSIX = pytest.mark.skipif(os.name == "nt", reason="signals and limits of POSIX")
DEADLINE = 60.0


@pytest.fixture(scope="module")
def worker() -> Iterator[Processes]:
    executor = Processes(1, time_limit=3.0, memory=1_500_000_000)
    yield executor
    executor.shutdown()


def test_an_answer_comes_back(worker: Processes) -> None:
    assert worker.submit(operator.add, 2, 3).result(DEADLINE) == 5


def test_a_fault_comes_back_as_it_was_raised(worker: Processes) -> None:
    with pytest.raises(ValueError, match="invalid literal"):
        worker.submit(int, "heron").result(DEADLINE)


def test_what_cannot_be_sent_back_is_told(worker: Processes) -> None:
    with pytest.raises(RuntimeError, match="cannot be sent"):
        worker.submit(open, os.devnull).result(DEADLINE)


def test_what_cannot_be_sent_there_is_told(worker: Processes) -> None:
    with pytest.raises(Exception, match=r"pickle|local object|lambda"):
        worker.submit(lambda: 1).result(DEADLINE)
    assert worker.submit(operator.add, 1, 1).result(DEADLINE) == 2


def test_trying_to_end_the_program_ends_nothing(worker: Processes) -> None:
    with pytest.raises(RuntimeError, match="tried to end the program"):
        worker.submit(sys.exit, 3).result(DEADLINE)


def test_a_worker_that_ends_itself_costs_its_call_and_is_replaced(worker: Processes) -> None:
    before = worker.submit(os.getpid).result(DEADLINE)
    with pytest.raises(WorkerLost, match="with code 7"):
        worker.submit(os._exit, 7).result(DEADLINE)
    assert worker.submit(os.getpid).result(DEADLINE) != before


@POSIX
def test_a_worker_that_crashes_says_by_which_signal(worker: Processes) -> None:
    with pytest.raises(WorkerLost, match=f"by signal {int(signal.SIGABRT)}"):
        worker.submit(os.abort).result(DEADLINE)


def test_a_worker_that_hangs_is_ended(worker: Processes) -> None:
    with pytest.raises(TookTooLong, match="within 3 seconds"):
        worker.submit(time.sleep, 1000).result(DEADLINE)
    assert worker.submit(operator.add, 1, 1).result(DEADLINE) == 2


@pytest.mark.skipif(sys.platform != "linux", reason="RLIMIT_DATA counts mapped memory on Linux only, setrlimit(2)")
def test_a_worker_that_wants_too_much_memory_does_not_get_it(worker: Processes) -> None:
    with pytest.raises(MemoryError):
        worker.submit(bytearray, 2_000_000_000).result(DEADLINE)
    assert worker.submit(len, bytes(10)).result(DEADLINE) == 10


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="a pipe with a name")
def test_two_workers_work_at_the_same_time(tmp_path: Path) -> None:
    # Reading from a pipe waits until somebody writes into it (POSIX open()), so one alone would wait for ever.
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    with Processes(2, time_limit=30.0) as executor:
        reading = executor.submit(Path.read_bytes, pipe)
        executor.submit(Path.write_bytes, pipe, b"heron").result(DEADLINE)
        assert reading.result(DEADLINE) == b"heron"


@POSIX
def test_no_worker_outlives_a_program_that_was_killed() -> None:
    program = (
        "import os, sys, time\n"
        "from platemark.flow.workers.processes import Processes\n"
        "executor = Processes(1)\n"
        "print(executor.submit(os.getpid).result(), flush=True)\n"
        "executor.submit(time.sleep, 1000)\n"
        "time.sleep(1000)\n"
    )
    with subprocess.Popen([sys.executable, "-c", program], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout
        worker = int(process.stdout.readline())
        process.kill()
    until = time.monotonic() + DEADLINE
    while _is_alive(worker):
        assert time.monotonic() < until


def _is_alive(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    # One that has ended but was not yet taken notice of by the system's first process works no more.
    status = Path(f"/proc/{process}/stat")
    return not (status.exists() and status.read_text().rpartition(")")[2].split()[0] == "Z")

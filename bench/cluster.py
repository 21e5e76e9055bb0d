"""A worker is killed in the middle: are all exports those that would have been made here, and none twice?

    python bench/cluster.py [--scans 50]

A scheduler and two workers, processes on the loopback addresses 127.0.0.1 and 127.0.0.2; scans are drawn. First all is
made `here`; then through the cluster with shared folders, then with carried ones. When half of the exports are there,
the second worker is killed. Ends by itself. On Linux all runs in a network of its own, where the bytes that cross the
loopback are counted (unshare(1)).
"""

import argparse
import contextlib
import hashlib
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from conftest import sheet_scan, write_scan

CONFIG = """\
[print.a6]
sheet = "A6"
border = "6 mm"
ppi = 150

[stage.resample]
hold_below_ppi = 50

[work]
where = "{where}"
"""
DASK = 'scheduler = "{address}"\nfolders = "{folders}"\n'
PATIENCE = 900.0
IN_OWN_NETWORK = "PLATEMARK_BENCH_OWN_NETWORK"


def main() -> None:
    """Make all three times, compare, print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--scans", type=int, default=50)
    count = parser.parse_args().scans
    in_own_network()
    with tempfile.TemporaryDirectory(prefix="platemark-cluster-") as name:
        folder = Path(name)
        scans = folder / "drawn"
        sizes = [write_scan(scans / f"sheet {n}.tif", sheet_scan(seed=n)).stat().st_size for n in range(count)]
        print(f"{count} scans, {sum(sizes) / 1e6:.1f} MB\n")
        print("| worked on | s | identical exports | wrong | MB over the network |")
        print("|---|---|---|---|---|")
        right, took = made(folder / "here", scans, CONFIG.format(where="here"))
        print(f"| here | {took:.0f} | | | |", flush=True)
        for folders in ("shared", "carried"):
            before = over_the_network()
            found, took, wrong = with_a_worker_killed(folder / folders, scans, folders)
            same = sum(found.get(export) == digest for export, digest in right.items() if export.endswith(".jpg"))
            wrong += [
                f"other: {export}" for export in sorted(right.keys() | found) if right.get(export) != found.get(export)
            ]
            sent = f"{(over_the_network() - before) / 1e6:.1f}" if before >= 0 else "not counted"
            told = f"dask, {folders}, one of two workers killed"
            print(f"| {told} | {took:.0f} | {same} of {count} | {len(wrong)} | {sent} |", flush=True)
            for fault in wrong:
                print(fault, file=sys.stderr)


def in_own_network() -> None:
    """Start anew where nobody else's bytes cross the loopback; as things are, where the system allows none."""
    may = shutil.which("unshare") and shutil.which("ip") and not os.environ.get(IN_OWN_NETWORK)
    words = ["unshare", "-Urn", "sh", "-c", 'ip link set lo up && exec "$@"', "sh"]
    if may and subprocess.run([*words, "true"], capture_output=True, check=False).returncode == 0:
        os.environ[IN_OWN_NETWORK] = "yes"
        os.execvp(words[0], [*words, sys.executable, *sys.argv])  # noqa: S606 - ourselves


def over_the_network() -> int:
    """Bytes that have crossed the loopback of this network; -1 where it is not ours alone."""
    if not os.environ.get(IN_OWN_NETWORK):
        return -1
    line = next(line for line in Path("/proc/net/dev").read_text().splitlines() if line.strip().startswith("lo:"))
    return int(line.split()[1])


def made(studio: Path, scans: Path, config: str) -> tuple[dict[str, str], float]:
    """Prepare all of it; what lies in ready/ then, and seconds."""
    shutil.copytree(scans, studio / "scans")
    (studio / "platemark.toml").write_text(config, encoding="utf-8")
    began = time.perf_counter()
    platemark(studio, "prepare", *sorted((studio / "scans").glob("*.tif")))
    return exports(studio), time.perf_counter() - began


def with_a_worker_killed(studio: Path, scans: Path, folders: str) -> tuple[dict[str, str], float, list[str]]:
    """The same through a cluster, of which half dies; and what is wrong then."""
    temporary = studio.with_name(f"temporary of {folders}")
    temporary.mkdir()
    with cluster(temporary) as (address, worker):
        config = CONFIG.format(where="dask") + DASK.format(address=address, folders=folders)
        killer = threading.Thread(target=kill_at_half, args=(worker, studio / "ready", len(list(scans.iterdir())) // 2))
        killer.start()
        found, took = made(studio, scans, config)
        killer.join()
    return found, took, wrong_in(studio, scans, temporary)


@contextlib.contextmanager
def cluster(temporary: Path) -> "Iterator[tuple[str, subprocess.Popen[bytes]]]":
    """A scheduler and two workers; its address, and the worker that is to die."""
    port = 8796
    address = f"tcp://127.0.0.1:{port}"
    around = {**os.environ, "TMPDIR": str(temporary)}
    dask = [sys.executable, "-m", "dask"]
    scheduler = [*dask, "scheduler", "--host", "127.0.0.1", "--port", str(port), "--no-dashboard"]
    worker = [*dask, "worker", address, "--nthreads", "1", "--no-nanny", "--no-dashboard", "--local-directory"]
    started = [
        subprocess.Popen(order, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=around)
        for order in (
            scheduler,
            *([*worker, str(temporary / host), "--host", host] for host in ("127.0.0.1", "127.0.0.2")),
        )
    ]
    try:
        wait_for_both(address)
        yield address, started[-1]
    finally:
        for process in reversed(started):
            process.terminate()
            process.wait(60)


def wait_for_both(address: str) -> None:
    """Until both workers are there."""
    from distributed import Client

    with Client(address, timeout=60, set_as_default=False) as client:
        client.wait_for_workers(2, timeout=60)


def kill_at_half(worker: "subprocess.Popen[bytes]", ready: Path, half: int) -> None:
    """Kill it, with nothing said to anybody, when half of the exports are there."""
    until = time.monotonic() + PATIENCE
    while time.monotonic() < until and len(list(ready.glob("*.toml"))) < half:
        time.sleep(0.02)
    worker.send_signal(getattr(signal, "SIGKILL", signal.SIGTERM))


def exports(studio: Path) -> dict[str, str]:
    """What lies in ready/ by its hash; of a manifest what does not tell when and where it was made."""
    paths = [path for path in (studio / "ready").iterdir() if not path.name.startswith(".platemark-probe")]
    return {path.name: hashlib.sha256(path.read_bytes().partition(b"\n[made]")[0]).hexdigest() for path in paths}


def wrong_in(studio: Path, scans: Path, temporary: Path) -> list[str]:
    """All that is not as it must be, but for the exports themselves."""
    wanted = Counter(hashlib.sha256(path.read_bytes()).hexdigest() for path in scans.iterdir())
    kept = Counter(hashlib.sha256(path.read_bytes()).hexdigest() for path in (studio / "originals").glob("*.tif"))
    wrong = [] if kept == wanted else ["originals are not each scan once"]
    left = [path for name in ("scans", "held") for path in (studio / name).iterdir()]
    wrong += [f"left over: {path}" for path in left if not path.name.startswith(".platemark.")]
    wrong += [f"temporary: {path}" for path in [*studio.rglob(".platemark-part-*"), *temporary.glob("platemark-*")]]
    said = platemark(studio, "verify", ".", may_differ=True)
    return wrong + ([] if said.returncode == 0 else [said.stdout])


def platemark(studio: Path, *words: object, may_differ: bool = False) -> "subprocess.CompletedProcess[str]":
    """A command in a process of its own."""
    order = [sys.executable, "-m", "platemark", *map(str, words)]
    done = subprocess.run(order, cwd=studio, capture_output=True, text=True, check=False, timeout=PATIENCE)
    if done.returncode and not may_differ:
        sys.exit(done.stdout + done.stderr)
    return done


if __name__ == "__main__":
    main()

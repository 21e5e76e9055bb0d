"""What grows with a studio: the look-ups of one delivery, one look at a queue, the start, in processor seconds.

    python bench/growth.py [--entries 1000 10000 100000]

So many scans done lie in originals/, two prints of each with their manifests in ready/, and so many wait in scans/; the
files are empty, as only their names count here. Docs/growth.md computes from this what larger studios need.
"""

import argparse
import hashlib
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from platemark.contract.plugins import load_plugins
from platemark.flow.chain import Made
from platemark.flow.grouping import grouped
from platemark.flow.inbox import Inbox
from platemark.flow.placing import find_place
from platemark.records import store
from platemark.records.store import SHORT, Kept, keep_original

REPEATS = 2


def main() -> None:
    """Fill folders, measure, print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--entries", type=int, nargs="+", default=[1000, 10_000, 100_000])
    print(
        "| scans | ready/, a print | originals/, a scan | a look at a queue | a queue of sets | clearing up, a folder |"
    )
    print("|---|---|---|---|---|---|")
    for count in parser.parse_args().entries:
        with tempfile.TemporaryDirectory(prefix="platemark-growth-") as name:
            told = " | ".join(f"{seconds:.4f}" for seconds in costs(Path(name), count))
            print(f"| {count:,} | {told} |", flush=True)


def costs(folder: Path, count: int) -> list[float]:
    """Processor seconds of each."""
    ready, originals, scans, sets = (folder / name for name in ("ready", "originals", "scans", "sets"))
    for one in (ready, originals, scans, sets):
        one.mkdir()
    for n in range(count):
        for print_name in ("a4", "a5"):
            for ending in (".jpg", ".toml"):
                (ready / f"Sheet {n:07}.{print_name}{ending}").touch()
        digits = hashlib.sha256(str(n).encode()).hexdigest()[:SHORT]
        (originals / f"Sheet {n:07}-{digits}.tif").touch()
        (scans / f"Sheet {n:07}.tif").touch()
        (sets / f"Sheet {n // 2:07}_{n % 2 + 1}of2.tif").touch()
    new = folder / "heron.tif"
    new.write_bytes(b"heron")
    kept = Kept(new, "heron", "0" * 64, 5, "heron")
    plugins = load_plugins(None)
    made = Made(b"jpeg", ".jpg", None, None, (), {}, {})

    def look(inbox: Inbox) -> None:
        inbox.look(1.0)
        grouped(inbox.seen, plugins)

    def archive() -> None:
        keep_original(new, originals).path.unlink()

    return [
        seconds(lambda: find_place(ready, kept, "a4", "recipe").clear_for(made)),
        seconds(archive),
        seconds(lambda: look(Inbox(scans, 0.0, 0.0))),
        seconds(lambda: look(Inbox(sets, 0.0, 0.0))),
        seconds(lambda: store.clear_temporary(ready)),
    ]


def seconds(call: Callable[[], object]) -> float:
    """The least of a few times."""
    taken = []
    for _ in range(REPEATS):
        began = time.process_time()
        call()
        taken.append(time.process_time() - began)
    return min(taken)


if __name__ == "__main__":
    main()

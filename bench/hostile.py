"""Hostile files: some nine hundred broken, lying and oversized ones in the folder of a real watcher, with good scans.

    python bench/hostile.py [--every 1]

Ends by itself, within a minute or two.
"""

import argparse
import resource
import statistics
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))
sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "faults"))

from hostile import Hostile, hostile_files, whole_scans
from hostile_inbox import Report, watch_over


def main() -> None:
    """Drop all and tell what became of them."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--every", type=int, default=1, help="only every so many")
    words = parser.parse_args()
    files, good = list(hostile_files())[:: words.every], list(whole_scans())
    with tempfile.TemporaryDirectory(prefix="platemark-hostile-") as folder:
        report = watch_over(Path(folder), files, good, deadline=1800)
    show(files, len(good), report)
    raise SystemExit(bool(report.wrong))


def show(files: list[Hostile], good: int, report: Report) -> None:
    """Print tables of what became of them, and of the time it took."""
    print("| harm | files | held | printed as the whole scan | printed as it decodes |\n|---|---|---|---|---|")
    for harm in dict.fromkeys(one.harm for one in files):
        of_kind = [one for one in files if one.harm == harm]
        held = sum(report.outcomes[one.name].status == "held" for one in of_kind)
        whole = sum(one.name in report.as_whole for one in of_kind)
        print(f"| {harm} | {len(of_kind)} | {held} | {whole} | {len(of_kind) - held - whole} |")
    tries = [seconds for several in report.seconds.values() for seconds in several]
    slowest = max(report.seconds, key=lambda name: max(report.seconds[name]))
    print(f"\n{len(files)} hostile files and {good} good scans in {report.took:.0f} s, {len(report.wrong)} faults")
    print(f"in work {statistics.median(tries):.3f} s (median), {max(tries):.2f} s at most ({slowest})")
    reached = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
    print(f"largest worker: {reached / (1e6 if sys.platform == 'darwin' else 1e3):.0f} MB")
    for fault in report.wrong:
        print(fault)


if __name__ == "__main__":
    main()

"""Kill it anywhere: three hundred moments, each followed by a restart that must find nothing lost and nothing twice.

    python bench/killing.py [--moments 300] [--at "manifest.publish 3"]

Every named step of the delivery of two scans and a set, each time it is reached, and random times (seed 1) at which the
program, the watcher alone or one worker is killed. Ends by itself; about three seconds a moment.
"""

import argparse
import random
import shutil
import sys
import tempfile
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))
sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "faults"))

from killing import Moment, Trial, kill_and_restart, set_up


def main() -> None:
    """Try all moments and tell what went wrong."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--moments", type=int, default=300)
    parser.add_argument("--at", help="one moment only, as it was told")
    parser.add_argument("--together", type=int, default=2)
    words = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="platemark-killing-") as name:
        folder = Path(name)
        trial = set_up(folder)
        moments = [one for one in chosen(trial, words.moments) if words.at in {None, str(one)}]
        began = time.monotonic()
        with ThreadPoolExecutor(words.together) as pool:
            results = list(pool.map(lambda n: tried(trial, moments[n], folder / f"studio-{n}"), range(len(moments))))
    kinds = Counter("a named step" if moment.step else f"a random time, {moment.whom}" for moment in moments)
    print("| killed at | moments | nothing lost, nothing twice |\n|---|---|---|")
    for kind, count in kinds.items():
        bad = [m for m, found in zip(moments, results, strict=True) if found and kind == kind_of(m)]
        print(f"| {kind} | {count} | {count - len(bad)} |")
    print(f"\n{len(set(trial.steps))} different steps, {len(moments)} moments, {time.monotonic() - began:.0f} s")
    for moment, found in zip(moments, results, strict=True):
        for fault in found:
            print(f"{moment}: {fault}")
    raise SystemExit(any(results))


def kind_of(moment: Moment) -> str:
    """How a moment is counted."""
    return "a named step" if moment.step else f"a random time, {moment.whom}"


def chosen(trial: Trial, count: int) -> list[Moment]:
    """Every step each time, as far as there is room, and random times."""
    random_ = random.Random(1)  # noqa: S311 - moments, not secrets
    steps = trial.moments()
    random_.shuffle(steps)
    steps = steps[: count * 2 // 3]
    whom = ["program", "watcher", "worker"]
    return [*steps, *(Moment(seconds=random_.uniform(0, 1.5), whom=whom[n % 3]) for n in range(count - len(steps)))]


def tried(trial: Trial, moment: Moment, studio: Path) -> list[str]:
    """What went wrong at one moment."""
    try:
        return kill_and_restart(trial, moment, studio)
    except AssertionError as fault:
        return [str(fault)]
    finally:
        shutil.rmtree(studio, ignore_errors=True)


if __name__ == "__main__":
    main()

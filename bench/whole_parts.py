"""Where the time of one print goes: run by `whole.py --parts` in a fresh process, in a studio.

    python bench/whole_parts.py SCAN

What is lazy is made by the step that asks for it: resampling by the proof, the printer's colours by sharpening. Further
files are made beside the steps that follow them.
"""

import itertools
import sys
import time
from pathlib import Path

Mark = tuple[str, float, float]


def marks_of(scan: Path, begun: float) -> list[Mark]:
    """Name, clock and processor time at the end of each part."""
    marks = [("", begun, 0.0)]

    def mark(part: str) -> None:
        marks.append((part, time.perf_counter(), time.process_time()))

    from platemark.face.cli.make import open_for_work, prepare

    studio = open_for_work(Path("platemark.toml"))
    mark("starting: imports, plugins, config")
    running = ["reading, archiving, finding the sheet"]

    def tell(_scan: str, _print: str, step: str) -> None:
        mark(running[0])
        running[0] = step

    outcomes = [outcome for made in prepare(studio, [scan], progress=tell) for outcome in made]
    mark(f"{running[0]}, writing the files")
    if [outcome.status for outcome in outcomes] != ["ready"]:
        raise SystemExit(str(outcomes))
    return marks


def main() -> None:
    """Print a line a part: name, seconds by the clock, processor seconds."""
    marks = marks_of(Path(sys.argv[1]), time.perf_counter() - time.process_time())
    for (_part, before, cpu_before), (part, clock, cpu) in itertools.pairwise(marks):
        print(f"{part}\t{clock - before:.3f}\t{cpu - cpu_before:.3f}")


if __name__ == "__main__":
    main()

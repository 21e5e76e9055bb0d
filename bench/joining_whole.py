"""Joining as the artist meets it: the commands `find` and `prepare`, on sets of known truth or on two large parts.

    python bench/joining_whole.py FOLDER --predictions FILE
    python bench/joining_whole.py --large

FOLDER holds a truth.json with "joins". The parts are named NAME_1of2 and so on as the program wants them, looked at
with `find --json`, and the matrices written under the files' own names, for the scorer that belongs to the truth.
`--large` prepares two A4 parts at 600 ppi in 16 bits, made by `joining.make_large`, to one print: time, and the peak
memory of the whole process.
"""

import argparse
import json
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from joining import make_large

_COMMAND = [sys.executable, "-m", "platemark"]
_CONFIG = '[print.card]\nsheet = "A3"\nborder = "10 mm"\nppi = 360\n'


def found(folder: Path, entry: dict[str, Any]) -> dict[str, Any]:
    """What `find` says of one set, under the files' own names."""
    with tempfile.TemporaryDirectory() as empty:
        count, own = len(entry["files"]), {}
        for number, name in enumerate(entry["files"], start=1):
            part = f"{entry['set']}_{number}of{count}{Path(name).suffix}"
            shutil.copy(folder / name, Path(empty) / part)
            own[part] = name
        said = subprocess.run([*_COMMAND, "find", "--json", *own], cwd=empty, capture_output=True, check=False)
    join: dict[str, Any] = json.loads(said.stdout)["joins"][entry["set"]]
    return {**join, "to_reference": {own[part]: matrix for part, matrix in join["to_reference"].items()}}


def large() -> None:
    """Prepare two large parts in a process of its own."""
    with tempfile.TemporaryDirectory() as folder:
        studio = Path(folder)
        make_large(folder)
        (studio / "scans").mkdir()
        for number in range(2):
            (studio / f"{number}.tif").rename(studio / "scans" / f"art_{number + 1}of2.tif")
        chain = 'stages = ["resample", "border", "jpeg"]\n\n'  # the made parts are art to the edge, without a sheet
        (studio / "platemark.toml").write_text(chain + _CONFIG)
        begin = time.perf_counter()
        files = [f"scans/art_{number}of2.tif" for number in (1, 2)]
        subprocess.run([*_COMMAND, "prepare", *files], cwd=studio, check=False)
        peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
        print(f"{time.perf_counter() - begin:.1f} s, {peak:.0f} MB at most")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path, nargs="?")
    parser.add_argument("--predictions", type=Path)
    parser.add_argument("--large", action="store_true")
    asked = parser.parse_args()
    if asked.large:
        return large()
    joins = {
        entry["set"]: found(asked.folder, entry)
        for entry in json.loads((asked.folder / "truth.json").read_text())["joins"]
    }
    text = json.dumps({"joins": joins}, indent=1)
    if asked.predictions:
        asked.predictions.write_text(text)
    else:
        print(text)
    return None


if __name__ == "__main__":
    main()

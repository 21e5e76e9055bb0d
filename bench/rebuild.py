"""Exports of older libraries, made again byte for byte by a platemark that has newer ones: `reproduce --rebuild`.

    python bench/rebuild.py PRINTER.icc SCAN...

An environment with older releases makes two prints of each scan, one of them with the colours of that printer. Then the
platemark that runs this makes them again: first with its own libraries, then with --rebuild and an empty cache folder,
and once more with what the cache folder holds by then. Fetches the older releases from the package index that pip is
set up for; everything lies in a temporary folder.
"""

import os
import shutil
import subprocess
import sys
import tempfile
import time
from importlib.metadata import version
from pathlib import Path

from platemark.records.making import this_engine
from platemark.records.wheel import file_name

OLDER = {"pillow": "11.0.0", "pyvips": "3.0.0", "pyvips-binary": "8.17.0", "numpy": "2.2.6"}
CONFIG = """\
[scanner]
ppi = 150

[stage.resample]
hold_below_ppi = 60

[print.a4]
sheet = "A4"
paper = "rag"
ppi = 200
border = { sides = "12 mm", bottom = "20 mm", lettering = "{title}" }

[print.a4.proof]
effect = "simulate"

[print.card]
sheet = "A6"
ppi = 300
border = "5 mm"

[print.card.jpeg]
max_size = "150 kB"
min_quality = 50

[paper.rag]
profile = '{profile}'
"""


def main() -> None:
    """Build, make, make again three times, say."""
    profile = Path(sys.argv[1]).resolve()
    with tempfile.TemporaryDirectory(prefix="platemark-rebuild-") as name:
        old, studio, cache = (Path(name) / part for part in ("old", "studio", "cache"))
        python = environment(old)
        scans = [with_ticket(Path(scan), studio / "scans") for scan in sys.argv[2:]]
        (studio / "platemark.toml").write_text(CONFIG.replace("{profile}", str(profile)), encoding="utf-8")
        run([python, "-I", "-m", "platemark", "prepare", *scans], studio)
        print("| | then | now |\n|---|---|---|")
        for library, then in OLDER.items():
            print(f"| {library} | {then} | {version(library)} |")
        reproduce = [sys.executable, "-m", "platemark", "reproduce", "--all", "ready"]
        print("\n| made again | identical | seconds |\n|---|---|---|")
        told("with today's libraries", reproduce, studio, cache)
        told("with --rebuild, nothing kept yet", [*reproduce, "--rebuild"], studio, cache)
        told("with --rebuild, with what was kept", [*reproduce, "--rebuild"], studio, cache)


def with_ticket(scan: Path, folder: Path) -> Path:
    """A copy of a scan, with a title to letter below its prints."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / scan.name).with_suffix(".toml").write_text('title = "Wägung & Gefüge, 7/25"\n', encoding="utf-8")
    return Path(shutil.copy(scan, folder))


def environment(folder: Path) -> Path:
    """A Python with platemark as it is here, and older releases below it."""
    run([sys.executable, "-m", "venv", folder], folder.parent)
    (engine,) = this_engine().wheels
    wheel = folder.parent / file_name(engine)
    wheel.write_bytes(engine)
    python = folder / ("Scripts" if os.name == "nt" else "bin") / "python"
    run([python, "-I", "-m", "pip", "install", "-q", wheel, *(f"{k}=={v}" for k, v in OLDER.items())], folder.parent)
    return python


def told(how: str, command: list[object], studio: Path, cache: Path) -> None:
    """One row, and the longest of what was said: of an export that needs more than today's libraries."""
    start = time.perf_counter()
    said = run(command, studio, {"XDG_CACHE_HOME": str(cache)}, may_differ=True)
    seconds = time.perf_counter() - start
    (total,) = (line for line in said.splitlines() if line.endswith(" identical"))
    print(f"| {how} | {total.removesuffix(' identical')} | {seconds:.0f} |", flush=True)
    print(f"{max(said.splitlines(), key=len)}\n", file=sys.stderr)


def run(command: list[object], folder: Path, around: dict[str, str] | None = None, *, may_differ: bool = False) -> str:
    """A command in a process of its own; what it said."""
    done = subprocess.run(
        [str(word) for word in command],
        cwd=folder,
        env={**os.environ, **(around or {})},
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode > int(may_differ):
        sys.exit(done.stdout + done.stderr)
    return done.stdout


if __name__ == "__main__":
    main()

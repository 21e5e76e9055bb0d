"""Scans to several prints, and the same made again in other surroundings: byte for byte?

    python bench/again.py SCAN... [--printer PRINTER.icc] [--only WORD]

The first making runs as things are here. Each condition below then makes all of it twice more in fresh processes: anew
from the scans, everything measured again, in a studio of its own; and from the manifests alone, after the first studio
was moved and its config deleted.
"""

import argparse
import contextlib
import hashlib
import locale
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

# The first two lines let scans pass that do not say their resolution, or are small for the print.
CONFIG = """\
[scanner]
ppi = 150

[stage.resample]
hold_below_ppi = 60

[stage.jpeg]
max_size = "1 MB"

[print.a4]
sheet = "A4"
ppi = 200
border = { sides = "12 mm", bottom = "20 mm", lettering = "Wägung & Gefüge, 7/25" }

[print.a4.proof]
effect = "simulate"

[print.card]
sheet = "A6"
ppi = 300
border = "5 mm"

[print.card.jpeg]
max_size = "150 kB"
min_quality = 50

[print.borderless]
sheet = "5x7 in"
ppi = 200
border = 0
bleed = "2 mm"
on = "A4"
fit = "fill"
fill_limit = "40 %"
"""
PAPER = """
[paper.test]
profile = '{profile}'
"""


@dataclass(frozen=True)
class Condition:
    """Something that may be otherwise and must not matter.

    Attributes:
        told: what it is.
        around: variables of the environment.
        config: lines that the config gets besides, such as another kind of worker; ADDRESS is a scheduler's.
        folder: where it works, below the temporary folder.
    """

    told: str
    around: dict[str, str] = field(default_factory=dict)
    config: str = ""
    folder: str = ""


# What numpy chooses among while it runs; "found" is its own word for what this processor has of it.
NUMPY = " ".join(np.show_config(mode="dicts")["SIMD Extensions"].get("found", []))  # type: ignore[call-overload]
# Bits of the vector units that libvips leaves out. Source: hwy/detect_targets.h, HWY_AVX3_DL 7, HWY_AVX3 8, HWY_AVX2 9.
NO_AVX512, NO_AVX2 = str(1 << 7 | 1 << 8), str(1 << 7 | 1 << 8 | 1 << 9)
EVERYTHING_OFF = {"VIPS_NOVECTOR": "1", "JSIMD_FORCENONE": "1", "NPY_DISABLE_CPU_FEATURES": NUMPY}
# A comma in numbers, an i without its dot. Where they are not installed, localedef makes them and LOCPATH names them.
LOCALES = ("POSIX", "C.UTF-8", "de_DE.UTF-8", "tr_TR.UTF-8")


def is_installed(name: str) -> bool:
    """Whether this system has a locale; one that it has not would change nothing, and show nothing."""
    before = locale.setlocale(locale.LC_ALL)
    try:
        locale.setlocale(locale.LC_ALL, name)
    except locale.Error:
        return False
    locale.setlocale(locale.LC_ALL, before)
    return True


WORKERS = {
    "here": 'where = "here"',
    "processes": 'where = "processes"',
    "dask, shared folders": 'where = "dask"\nscheduler = "ADDRESS"\nfolders = "shared"',
    "dask, carried": 'where = "dask"\nscheduler = "ADDRESS"\nfolders = "carried"',
}

# A further kind of thing that must not matter is a further line here.
CONDITIONS = [
    Condition("as things are"),
    Condition("libvips without vector units", {"VIPS_NOVECTOR": "1"}),
    Condition("libvips as on a processor without AVX-512", {"VIPS_VECTOR": NO_AVX512}),
    Condition("libvips as on a processor without AVX2", {"VIPS_VECTOR": NO_AVX2}),
    Condition("JPEG without vector units", {"JSIMD_FORCENONE": "1"}),
    Condition(f"numpy without {NUMPY}", {"NPY_DISABLE_CPU_FEATURES": NUMPY}),
    Condition("all of these without", EVERYTHING_OFF),
    *(Condition(f"threads: {count}", {"VIPS_CONCURRENCY": str(count)}) for count in range(1, 9)),
    *(Condition(f"time zone {zone}", {"TZ": zone}) for zone in ("Pacific/Auckland", "America/St_Johns")),
    *(Condition(f"locale {name}", {"LC_ALL": name, "LANG": name}) for name in LOCALES if is_installed(name)),
    *(Condition(f"hash seed {seed}", {"PYTHONHASHSEED": seed}) for seed in ("0", "1", "4711")),
    *(Condition(f"workers: {kind}", config=f"\n[work]\n{lines}\n") for kind, lines in WORKERS.items()),
    Condition("a folder with blanks and accents", folder="héron, à l'aube/deux  mots"),
    Condition("a deep folder, another home", {"HOME": "/nowhere"}, folder="/".join("abcdefghijklmnop")),
    Condition(
        "everything at once",
        {**EVERYTHING_OFF, "VIPS_CONCURRENCY": "7", "TZ": "Asia/Kathmandu", "LC_ALL": "POSIX", "PYTHONHASHSEED": "99"},
        folder="tout à la fois",
    ),
]


def main() -> None:
    """Make, move, make again, say."""
    asked = argparse.ArgumentParser()
    asked.add_argument("scans", type=Path, nargs="+")
    asked.add_argument("--printer", type=Path)
    asked.add_argument("--only", default="")
    told = asked.parse_args()
    text = CONFIG
    if told.printer:
        text = text.replace('sheet = "A4"', 'sheet = "A4"\npaper = "test"')
        text += PAPER.format(profile=told.printer.resolve())
    scans = [path.resolve() for path in told.scans]
    with tempfile.TemporaryDirectory(prefix="platemark-again-") as name, scheduler(told.only) as address:
        root = Path(name)
        first = made_in(root / "first", scans, text, Condition("first"))
        (root / "first" / "platemark.toml").unlink()
        moved = (root / "first").rename(root / "moved elsewhere")
        print(f"{len(scans)} scans, {len(first)} exports\n\n| condition | made anew | made again |\n|---|---|---|")
        for condition in (one for one in CONDITIONS if told.only in one.told):
            place = root / "other" / condition.folder
            anew = made_in(place, scans, text, replace(condition, config=condition.config.replace("ADDRESS", address)))
            same = sum(anew.get(export) == digest for export, digest in first.items())
            said = run(["reproduce", "--all", str(moved / "ready")], place, condition.around).strip().splitlines()
            again = next(line for line in said if line.endswith(" identical"))
            print(f"| {condition.told} | {same} of {len(first)} | {again.removesuffix(' identical')} |", flush=True)
            for line in (line for line in said if "DIFFERS" in line):
                print(line, file=sys.stderr)
            shutil.rmtree(root / "other")


@contextlib.contextmanager
def scheduler(only: str) -> Iterator[str]:
    """The address of a scheduler with two workers on the loopback, where a condition that is tried asks for it."""
    if not any("ADDRESS" in one.config and only in one.told for one in CONDITIONS):
        yield ""
        return
    from distributed import LocalCluster

    with LocalCluster(2, threads_per_worker=1, host="127.0.0.1", dashboard_address="127.0.0.1:0") as cluster:
        yield cluster.scheduler_address


def made_in(folder: Path, scans: list[Path], text: str, condition: Condition) -> dict[str, str]:
    """Prepare scans in a studio of its own; the hash of each export by its name."""
    folder.mkdir(parents=True)
    (folder / "platemark.toml").write_text(text + condition.config, encoding="utf-8")
    run(["prepare", *map(str, scans)], folder, condition.around)
    exports = (path.with_suffix(".jpg") for path in (folder / "ready").glob("*.toml"))
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in exports}


def run(words: list[str], folder: Path, around: dict[str, str]) -> str:
    """A command in a process of its own; what it said."""
    command = [sys.executable, "-m", "platemark", *words]
    done = subprocess.run(
        command, cwd=folder, env={**os.environ, **around}, capture_output=True, text=True, errors="replace", check=False
    )
    if done.returncode == 2:
        sys.exit(done.stdout + done.stderr)
    return done.stdout


if __name__ == "__main__":
    main()

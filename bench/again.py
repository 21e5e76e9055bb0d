"""Every scan of a folder to several prints, and every export made again elsewhere: byte for byte?

    python bench/again.py FOLDER [PRINTER.icc]

The second making runs in fresh processes with another number of threads, time zone, locale, hash seed, home and
working directory, without vector units, after the config was deleted and the studio moved.
"""

import os
import subprocess
import sys
import tempfile
from pathlib import Path

ENDINGS = {".tif", ".tiff", ".png", ".jpg"}
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
border = { sides = "12 mm", bottom = "20 mm" }

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
SURROUNDINGS = [
    {"VIPS_CONCURRENCY": "1", "TZ": "Pacific/Auckland", "LC_ALL": "POSIX", "PYTHONHASHSEED": "1", "VIPS_NOVECTOR": "1"},
    {"VIPS_CONCURRENCY": "2", "TZ": "America/St_Johns", "LC_ALL": "C.UTF-8", "PYTHONHASHSEED": "77"},
]


def main() -> None:
    """Make, move, make again, say."""
    scans = sorted(path for path in Path(sys.argv[1]).iterdir() if path.suffix in ENDINGS)
    scans = [path for path in scans if "reference" not in path.name]
    profile = Path(sys.argv[2]).resolve() if len(sys.argv) > 2 else None
    with tempfile.TemporaryDirectory(prefix="platemark-again-") as name:
        first = Path(name) / "first"
        first.mkdir()
        text = CONFIG
        if profile:
            text = CONFIG.replace('sheet = "A4"', 'sheet = "A4"\npaper = "test"') + PAPER.format(profile=profile)
        (first / "platemark.toml").write_text(text, encoding="utf-8")
        run(["prepare", *map(str, scans)], first, {})
        exports, held = list((first / "ready").glob("*.toml")), list((first / "held").glob("*.held.toml"))
        (first / "platemark.toml").unlink()
        moved = Path(name) / "moved elsewhere"
        first.rename(moved)
        print(f"{len(scans)} scans, {len(exports)} exports, {len(held)} scans held")
        for around in SURROUNDINGS:
            said = run(["reproduce", "--all", str(moved / "ready")], Path(name), {**around, "HOME": name})
            print(f"{said.strip().splitlines()[-1]} with {' '.join(f'{key}={value}' for key, value in around.items())}")
            for line in said.splitlines():
                if "identical" not in line:
                    print(f"  {line}")


def run(words: list[str], folder: Path, around: dict[str, str]) -> str:
    """A command in a process of its own; what it said."""
    environment = {**os.environ, **around}
    command = [sys.executable, "-m", "platemark", *words]
    done = subprocess.run(command, cwd=folder, env=environment, capture_output=True, text=True, check=False)
    if done.returncode == 2:
        sys.exit(done.stdout + done.stderr)
    return done.stdout


if __name__ == "__main__":
    main()

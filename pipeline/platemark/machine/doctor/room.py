"""Free space, against what the next hundred prints need."""

import shutil
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

from platemark.machine.doctor.check import Check
from platemark.machine.subject import Subject

_PRINTS = 100
_MB = 1_000_000
# Without any print to go by: A4 at 600 ppi and 48 bits has 4961 x 7016 x 6 bytes; a JPEG with its proof, some 10 MB.
_SCAN = 209 * _MB
_PRINT = 10 * _MB
# Files of a few bytes are rounded up to blocks, and a disk that is full to the last byte serves nobody.
_LEAST = 100 * _MB


def room(subject: Subject) -> Iterator[Check]:
    """Each disk that the studio writes to by itself."""
    folders: dict[int, list[str]] = defaultdict(list)
    for name, folder in subject.places.items():
        if folder.is_dir():
            folders[folder.stat().st_dev].append(name)
    needs = _needs(subject)
    for names in folders.values():
        yield _disk(names, subject.places[names[0]], sum(needs.get(name, 0) for name in names))


def _disk(names: list[str], folder: Path, need: int) -> Check:
    free = shutil.disk_usage(folder).free
    name = f"room for {', '.join(names)}"
    told = f"{_size(free)} free; the next {_PRINTS} prints need {_size(need)}"
    if free >= need + _LEAST:
        return Check(name, "good", told)
    enough = max(0, free - _LEAST) * _PRINTS // max(need, 1)
    remedy = "make room, or move originals to a larger disk and name it in [folders]"
    return Check(name, "bad", f"{told}, so it is enough for some {enough}", remedy)


def _needs(subject: Subject) -> dict[str, int]:
    """Bytes by folder: what a print and its scan took so far, on average, or else what large ones take.

    A scan is dropped once, archived once, and serves all its prints.
    """
    ready = _files(subject.folders.ready)
    made = sum(path.suffix == ".toml" for path in ready)
    kept = [path for path in _files(subject.folders.originals) if path.suffix != ".toml"]
    a_print = _bytes(ready) // made if made else _PRINT
    a_scan = _bytes(kept) // len(kept) if kept else _SCAN
    scans = -(-_PRINTS // subject.prints) * a_scan
    return {"ready": _PRINTS * a_print, "originals": scans, "scans": a_scan, "held": a_scan}


def _files(folder: Path) -> list[Path]:
    try:
        return [path for path in folder.iterdir() if path.is_file() and not path.name.startswith(".")]
    except OSError:  # told by `folders`
        return []


def _bytes(files: list[Path]) -> int:
    return sum(path.stat().st_size for path in files)


def _size(amount: int) -> str:
    """In the units of the makers of disks.

    >>> _size(2_340_000_000)
    '2.3 GB'
    """
    return f"{amount / 1000 / _MB:.1f} GB" if amount >= 1000 * _MB else f"{amount / _MB:.0f} MB"

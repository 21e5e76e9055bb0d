"""Soaking: very many scans in bursts, of every kind and written in every way, while a person handles the folders.

What becomes of each is known beforehand, so that at the end every single one can be accounted for.
"""

import hashlib
import io
import random
import time
import tomllib
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import tifffile
from numpy.typing import NDArray
from PIL import Image

from conftest import sheet_scan

PRINT = "card"
# What one cycle of arrivals consists of, by kind; mixed anew in each cycle, so that every quarter of a soak is alike.
CYCLE = {"plain": 11, "png": 1, "jpeg": 1, "slow": 2, "renamed": 3, "ticket": 2, "set": 1, "same name": 1, "copy": 1}
BROKEN = ("junk", "cut", "flipped")
SCANS_A_CYCLE = sum(CYCLE.values()) + 2  # a set is two scans, and one is broken


@dataclass(frozen=True)
class Arrival:
    """A scan that is dropped, or a set.

    Attributes:
        kind: what it is and how it arrives, see `CYCLE` and `BROKEN`.
        files: name and content of each file.
        ticket: the text of its ticket, or "".
    """

    kind: str
    files: tuple[tuple[str, bytes], ...]
    ticket: str = ""

    @property
    def hashes(self) -> list[str]:
        """The sha256 of each file."""
        return [sha256(data) for _, data in self.files]


def arrivals(cycles: int) -> Iterator[Arrival]:
    """All that is dropped, in order: every content is another one, but for copies."""
    chance = random.Random(3)  # noqa: S311 - an order, not a secret
    for cycle in range(cycles):
        kinds = [kind for kind, times in CYCLE.items() for _ in range(times)] + [BROKEN[cycle % len(BROKEN)]]
        chance.shuffle(kinds)
        copied = tiff(sheet_scan(seed=cycle * SCANS_A_CYCLE))  # what "copy" copies: it always comes first
        yield Arrival("plain", ((f"model-{cycle:04}.tif", copied),))
        kinds.remove("plain")
        for n, kind in enumerate(kinds, start=cycle * SCANS_A_CYCLE + 1):
            yield _arrival(kind, n, copied)


def _arrival(kind: str, n: int, copied: bytes) -> Arrival:
    if kind == "copy":
        return Arrival(kind, ((f"copy-{n:05}.tif", copied),))
    picture, name = sheet_scan(seed=n), f"sheet-{n:05}"
    if kind == "set":
        parts = picture[:, :300], picture[:, 84:]
        return Arrival(kind, tuple((f"{name}_{k}of2.tif", tiff(part)) for k, part in enumerate(parts, start=1)))
    if kind in {"png", "jpeg"}:
        return Arrival(kind, ((f"{name}.{kind}", encoded(picture, kind)),))
    data = tiff(picture)
    if kind == "junk":
        data = random.Random(n).randbytes(3000)  # noqa: S311
    elif kind == "cut":
        data = data[: len(data) * 2 // 3]
    elif kind == "flipped":
        data = encoded(picture, "png")
        data = data[:-2000] + bytes(byte ^ 0x55 for byte in data[-2000:-1900]) + data[-1900:]
    ending = "png" if kind == "flipped" else "tif"
    ticket = f'title = "Sheet {n}"\n' if kind == "ticket" else ""
    return Arrival(kind, (("scan.tif" if kind == "same name" else f"{name}.{ending}", data),), ticket)


def drop(arrival: Arrival, scans: Path, settle: float) -> None:
    """Put it into the folder, as its kind says."""
    for name, data in arrival.files:
        path = scans / name
        wait_until(lambda path=path: not path.exists())  # who scans under one name again waits until it was taken
        if arrival.ticket:
            path.with_suffix(".toml").write_text(arrival.ticket, encoding="utf-8")
        if arrival.kind == "slow":
            with path.open("wb") as file:
                for strip in range(0, len(data), len(data) // 3 + 1):
                    file.write(data[strip : strip + len(data) // 3 + 1])
                    file.flush()
                    time.sleep(settle / 2)
        elif arrival.kind == "renamed":
            part = path.with_name(f"{name}.part")
            part.write_bytes(data)
            part.rename(path)
        else:
            path.write_bytes(data)


@dataclass
class Account:
    """What was dropped, and what must have become of it."""

    made: dict[tuple[str, ...], Arrival] = field(default_factory=dict)
    held: dict[str, Arrival] = field(default_factory=dict)
    copies: int = 0

    def enter(self, arrival: Arrival) -> None:
        """Note one that was dropped."""
        without_data = Arrival(arrival.kind, tuple((name, b"") for name, _ in arrival.files), arrival.ticket)
        if arrival.kind == "copy":
            self.copies += 1
        elif arrival.kind in BROKEN:
            self.held[arrival.hashes[0]] = without_data
        else:
            self.made[tuple(arrival.hashes)] = without_data

    def wrong(self, studio: Path) -> list[str]:
        """Everything that is not as it must be; empty if all is well."""
        return [*self._wrong_exports(studio), *self._wrong_originals(studio), *self._wrong_held(studio), *_left(studio)]

    def _wrong_exports(self, studio: Path) -> Iterator[str]:
        made: Counter[tuple[str, ...]] = Counter()
        for path in sorted((studio / "ready").glob("*.toml")):
            manifest = tomllib.loads(path.read_text(encoding="utf-8"))
            sources = tuple(source["sha256"] for source in manifest["sources"])
            made[sources] += 1
            export = path.with_name(manifest["output"]["file"])
            if not export.exists() or sha256(export.read_bytes()) != manifest["output"]["sha256"]:
                yield f"the export of {path.name} is not as it says"
            if sources not in self.made:
                yield f"{path.name} was made of something that was not dropped"
            elif self.made[sources].ticket != _as_ticket(manifest["work"].get("title")):
                yield f"{path.name} has not the title of its ticket"
        for sources, arrival in self.made.items():
            if made[sources] != 1:
                yield f"{arrival.files[0][0]} was made {made[sources]} times"
        exports = len(list((studio / "ready").glob("*.jpg")))
        if exports != len(self.made):
            yield f"{exports} exports of {len(self.made)} scans and sets"

    def _wrong_originals(self, studio: Path) -> Iterator[str]:
        kept = Counter(_content(path) for path in _files(studio / "originals") if path.suffix != ".toml")
        right = Counter(content for sources in self.made for content in sources)
        tickets = sorted(path.read_text(encoding="utf-8") for path in (studio / "originals").glob("*.toml"))
        if kept != right:
            yield f"originals: {sum((right - kept).values())} are missing, {sum((kept - right).values())} too many"
        if tickets != sorted(arrival.ticket for arrival in self.made.values() if arrival.ticket):
            yield "the tickets beside the originals are not those that were dropped"

    def _wrong_held(self, studio: Path) -> Iterator[str]:
        held = [path for path in _files(studio / "held") if ".held." not in path.name]
        if Counter(map(_content, held)) != Counter(list(self.held)):
            yield f"{len(held)} held where {len(self.held)} are broken"
        notes = {path.with_name(f"{path.stem}.held.toml") for path in held}
        if notes != set((studio / "held").glob("*.held.toml")):
            yield "notes and held scans do not go together"


def _left(studio: Path) -> Iterator[str]:
    for path in sorted(studio.rglob(".platemark-part-*")):
        yield f"left over: {path.name}"
    for path in _files(studio / "scans"):
        yield f"still in scans/: {path.name}"


def _files(folder: Path) -> list[Path]:
    return sorted(path for path in folder.iterdir() if path.is_file() and not path.name.startswith("."))


def _as_ticket(title: str | None) -> str:
    return f'title = "{title}"\n' if title else ""


def _content(path: Path) -> str:
    return sha256(path.read_bytes())


def waiting(studio: Path) -> int:
    """How many scans lie in `scans/`."""
    return sum(path.suffix != ".toml" for path in _files(studio / "scans"))


def wait_until(happened: Callable[[], bool], seconds: float = 120.0) -> None:
    """Wait, but not for ever."""
    until = time.monotonic() + seconds
    while not happened():
        assert time.monotonic() < until, "it did not happen in time"
        time.sleep(0.01)


def sha256(data: bytes) -> str:
    """Its hash."""
    return hashlib.sha256(data).hexdigest()


def tiff(picture: NDArray[np.uint8]) -> bytes:
    """A TIFF that says 150 ppi."""
    stream = io.BytesIO()
    tifffile.imwrite(stream, picture, photometric="rgb", resolution=(150, 150), resolutionunit="INCH", metadata=None)
    return stream.getvalue()


def encoded(picture: NDArray[np.uint8], kind: str) -> bytes:
    """A PNG or JPEG that says 150 ppi."""
    stream = io.BytesIO()
    options = {"compress_level": 1} if kind == "png" else {"quality": 95, "subsampling": 0}
    Image.fromarray(picture).save(stream, kind, dpi=(150, 150), **options)
    return stream.getvalue()

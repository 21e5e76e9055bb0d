"""A person at work in the folders of a studio while the watcher works there too, as people with print utilities do."""

import contextlib
import random
import threading
import time
import tomllib
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Self

from PIL import Image


@dataclass
class Person:
    """Somebody who looks at exports, takes them away and brings them back while the work goes on.

    What begins with o, for older, she leaves alone: a bench lays empty files of such names.

    Attributes:
        studio: the folder of the studio.
        did: how often she did what.
        troubles: what she met that must not be.
        again: how often a scan was moved from `held/` into `scans/` once more.
    """

    studio: Path
    did: Counter[str] = field(default_factory=Counter)
    troubles: list[str] = field(default_factory=list)
    again: int = 0
    rest: float = 0.02
    _over: threading.Event = field(default_factory=threading.Event)
    _chance: random.Random = field(default_factory=lambda: random.Random(5))  # noqa: S311

    def __enter__(self) -> Self:
        """She begins."""
        for folder in ("printed", "desk"):
            (self.studio / folder).mkdir()
        self._thread = threading.Thread(target=self._work)
        self._thread.start()
        return self

    def __exit__(self, *_fault: object) -> None:
        """She ends, and lays everything back."""
        self._over.set()
        self._thread.join()
        for path in (self.studio / "printed").iterdir():
            path.rename(self.studio / "ready" / path.name)

    def told(self) -> str:
        """What she did, for a table."""
        return ", ".join(f"{times} times {deed}" for deed, times in sorted(self.did.items()))

    def _work(self) -> None:
        deeds = [self.look, self.look, self.read, self.lists, self.take_export, self.take_both, self.bring_back]
        deeds += [self.take_held, self.drop_again]
        while not self._over.wait(self.rest):
            deed = self._chance.choice(deeds)
            try:
                self.did[deed.__name__] += deed()
            except Exception as fault:  # noqa: BLE001 - told at the end
                self.troubles.append(f"{deed.__name__}: {fault!r}")

    def _one(self, folder: str, pattern: str) -> Path | None:
        found = sorted((self.studio / folder).glob(pattern))
        return self._chance.choice(found) if found else None

    def look(self) -> bool:
        """Look at an export: one that can be seen is whole."""
        path = self._one("ready", "[!o]*.jpg")
        if path:
            with Image.open(path) as picture:
                picture.load()
        return path is not None

    def read(self) -> bool:
        """Open a manifest: one that can be seen is whole, and its export is there or in her hands."""
        path = self._one("ready", "[!o]*.toml")
        if path:
            export = tomllib.loads(path.read_text(encoding="utf-8"))["output"]["file"]
            if not any((self.studio / folder / export).exists() for folder in ("ready", "printed", "ready")):
                self.troubles.append(f"{path.name} has no export")
        return path is not None

    def lists(self) -> bool:
        """List all folders."""
        return any(list((self.studio / folder).iterdir()) for folder in ("ready", "originals", "held", "scans"))

    def take_export(self) -> bool:
        """Move an export away alone; not a model, which is to be found when its copy comes."""
        return self._take(self._one("ready", "s*.jpg"))

    def take_both(self) -> bool:
        """Move an export away with its manifest, for good."""
        manifest = self._one("ready", "sheet*.toml")
        return bool(manifest) and self._take(manifest.with_suffix(".jpg")) and self._take(manifest)

    def bring_back(self) -> bool:
        """Lay an export beside its manifest again."""
        path = self._one("printed", "*.jpg")
        lone = path is not None and not path.with_suffix(".toml").exists()
        return lone and bool(path.rename(self.studio / "ready" / path.name))

    def _take(self, path: Path | None) -> bool:
        with contextlib.suppress(FileNotFoundError):  # in her hands already
            return path is not None and bool(path.rename(self.studio / "printed" / path.name))
        return False

    def take_held(self) -> bool:
        """Take a held scan out and lay it back."""
        path = self._held()
        if path:
            away = path.rename(self.studio / "desk" / path.name)
            time.sleep(self.rest)
            away.rename(path)
        return path is not None

    def drop_again(self) -> bool:
        """Move a held scan into `scans/`, although nothing was done about it; not too often: it only comes back."""
        path = self._held() if self._chance.random() < 0.2 else None
        if path:
            self.again += 1
            path.rename(self.studio / "scans" / path.name)
        return path is not None

    def _held(self) -> Path | None:
        held = [path for path in (self.studio / "held").glob("sheet*") if ".held." not in path.name]
        return self._chance.choice(sorted(held)) if held else None

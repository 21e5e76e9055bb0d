"""The same folder: whether `scans/` is still what it was, another folder, or the bare place of a disk that is gone.

A disk that is taken away leaves the empty folder that it was mounted on, and no event tells of it. So every folder for
scans has a small hidden mark in it; a folder on another disk than before that has none is not the one that is meant.
"""

import os
from dataclasses import dataclass
from pathlib import Path

import structlog

from platemark.errors import PlatemarkError
from platemark.flow.studio import Studio
from platemark.records import store

log = structlog.get_logger("platemark")

MARK = ".platemark.scans"
_WORDS = b"platemark takes scans from this folder; this file tells it that the disk is there\n"
_REMEDY = "connect the disk again (and mount it); nothing was lost"


@dataclass
class SameFolder:
    """The folder for scans of one studio, as it was seen last."""

    studio: Studio
    _seen: tuple[int, int] | None = None

    @property
    def _note(self) -> Path:
        """In the archive: where scans lie, if they lie on a disk of their own."""
        return self.studio.originals / MARK

    def check_at_start(self) -> None:
        """Make sure that scans are not looked for where their disk should be.

        Raises:
            PlatemarkError: the disk is not there.
        """
        scans = self.studio.scans
        told = self._note.read_bytes() if store.is_plain_file(self._note) else b""
        on_the_archives_disk = self._device(scans) == self._device(self._note.parent)
        if told == os.fsencode(scans) and on_the_archives_disk and not self._has_mark():
            raise PlatemarkError(
                f"the disk of {scans} is not there, only the empty folder where it belongs",
                remedy=f"connect it; or, if scans shall lie there from now on, take away {self._note}",
            )

    def is_another(self) -> bool:
        """True when the folder was replaced since it was seen last; it counts as seen then.

        Raises:
            OSError: it is gone.
            PlatemarkError: its disk is gone.
            StoreError: it cannot be marked.
        """
        facts = self.studio.scans.stat()
        now, before = (facts.st_dev, facts.st_ino), self._seen
        if before and now[0] != before[0] and not self._has_mark():
            raise PlatemarkError(f"the disk of {self.studio.scans} was taken away", remedy=_REMEDY)
        if now == before and self._has_mark():
            return False
        self._mark()
        self._seen = now
        return before not in {None, now}

    def _mark(self) -> None:
        scans, archive = self.studio.scans, self._note.parent
        if not self._has_mark():
            store.write_whole(scans / MARK, _WORDS, step="mark", replace=True)
        if self._device(scans) != self._device(archive):
            store.write_whole(self._note, os.fsencode(scans), step="mark", replace=True)
        else:
            store.remove(self._note, step="mark.clear")

    def _has_mark(self) -> bool:
        return store.is_plain_file(self.studio.scans / MARK)

    @staticmethod
    def _device(folder: Path) -> int:
        return folder.stat().st_dev

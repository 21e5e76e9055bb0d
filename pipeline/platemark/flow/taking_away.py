"""Taking away several files as one: a crash in between never leaves some of a set behind, waiting for the rest.

What is to be taken away is written down first, and struck out when it is gone; the next start finishes it.
"""

import os
import tomllib
from collections.abc import Mapping
from pathlib import Path

import structlog
import tomli_w

from platemark.flow.studio import Studio
from platemark.records import store

log = structlog.get_logger("platemark")

# Lies in the archive, because that folder is not taken away and made anew, as `scans/` may be.
LIST = ".platemark.leaving-"


def take_away(studio: Studio, files: Mapping[Path, str]) -> None:
    """Remove files that lie safely elsewhere, all or, after a crash, the rest at the next start.

    Args:
        studio: whose files.
        files: each with the sha256 of what may be removed; a file of other content stays.

    Raises:
        StoreError: the disk refuses.
    """
    listed = [{"file": _from(studio.originals, path), "sha256": sha256} for path, sha256 in files.items()]
    # A list of its own for each set: two may leave in the same moment.
    place = studio.originals / f"{LIST}{'-'.join(sorted(files.values()))[:16]}"
    store.write_whole(place, tomli_w.dumps({"leaving": listed}).encode(), step="leaving", replace=True)
    _finish(studio, place)


def finish_leaving(studio: Studio) -> None:
    """Take away what is still written down.

    Raises:
        StoreError: the disk refuses.
    """
    for path in sorted(studio.originals.glob(f"{LIST}*")):
        _finish(studio, path)


def _finish(studio: Studio, path: Path) -> None:
    if not store.is_plain_file(path):
        return
    try:
        listed = tomllib.loads(path.read_text(encoding="utf-8"))["leaving"]
        files = {Path(os.path.normpath(studio.originals / one["file"])): one["sha256"] for one in listed}
    except (ValueError, KeyError, TypeError, OSError) as fault:
        log.warning("the list of scans that were leaving cannot be read; they stay", fault=str(fault))
        files = {}
    for file, sha256 in files.items():
        if store.is_plain_file(file) and store.sha256_of(file) == sha256:
            store.remove(file, step="inbox.clear")
    store.remove(path, step="leaving.clear")


def _from(folder: Path, path: Path) -> str:
    """From the archive to the file, so that the whole studio can be moved."""
    try:
        return os.path.relpath(path, folder)
    except ValueError:  # on another drive of Windows
        return str(path.absolute())

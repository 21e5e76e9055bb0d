"""Aftermath: a worker was lost with the last of its work done and nothing said; what it had made is told after all.

The scan is gone from its folder then, and whoever was given it next finds nothing to do.
"""

import hashlib
import os
from collections.abc import Collection, Iterator
from pathlib import Path

from platemark.errors import ManifestError
from platemark.flow.delivery import Outcome
from platemark.flow.leaving import GUESS, NOTE, note_path
from platemark.flow.studio import Studio
from platemark.records.manifest import read_manifest
from platemark.records.names import name_key, readable_stem, shown
from platemark.records.store import is_file

Sample = tuple[int, str]
_PIECE = 1 << 16


def sample_of(file: Path) -> Sample:
    """Size and a hash of both ends and the middle: alike for files of the same content, and hardly for others."""
    digest = hashlib.sha256()
    if not is_file(file):  # a pipe would never answer
        return -1, str(file)
    try:
        with file.open("rb") as stream:
            size = stream.seek(0, os.SEEK_END)
            for start in (0, size // 2, max(0, size - _PIECE)):
                stream.seek(start)
                digest.update(stream.read(_PIECE))
    except OSError:  # the worker will say what is wrong with it
        return -1, str(file)
    return size, digest.hexdigest()


def what_became_of(studio: Studio, called: str, stems: Collection[str], samples: Collection[Sample]) -> list[Outcome]:
    """The prints of a scan or set that is gone from its folder, or where it is held; empty where it left no trace.

    Args:
        studio: where it was worked on.
        called: what it is called, for people.
        stems: its names, and that of the set.
        samples: what its files held.
    """
    roots = tuple({name_key(name) for stem in stems for name in (stem, readable_stem(stem))})
    return [*_prints(studio, called, roots, samples), *_held(studio, called, roots, samples)]


def _prints(studio: Studio, called: str, roots: tuple[str, ...], samples: Collection[Sample]) -> Iterator[Outcome]:
    for path in _named(studio.ready, roots):
        if path.suffix != ".toml":
            continue
        try:
            manifest = read_manifest(path)
        except ManifestError:  # `verify` tells of it
            continue
        source = manifest.sources[0]
        if sample_of(studio.ready / source.archived) in samples:
            export = studio.ready / manifest.output.file
            print_name = path.stem.rpartition(".")[2]
            name = f"{called}, item {source.item}" if source.item else called
            yield Outcome(name, print_name, "ready", export, warnings=tuple(manifest.warnings), item=source.item)


def _held(studio: Studio, called: str, roots: tuple[str, ...], samples: Collection[Sample]) -> Iterator[Outcome]:
    for path in _named(studio.held, roots):
        if not path.name.endswith((NOTE, GUESS)) and sample_of(path) in samples:
            reason, remedy = f"it lies in {shown(str(path.parent))}", f"see {shown(note_path(path).name)} there"
            yield Outcome(called, "", "held", reason=reason, remedy=remedy)


def _named(folder: Path, roots: tuple[str, ...]) -> list[Path]:
    return sorted(path for path in folder.iterdir() if name_key(path.name).startswith(roots))

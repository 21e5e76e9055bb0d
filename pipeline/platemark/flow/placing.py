"""Placing an export in `ready/`: a name of its own, found again after a crash, nothing overwritten."""

import hashlib
import os
from dataclasses import dataclass, field, replace
from pathlib import Path

from platemark.errors import ManifestError
from platemark.flow.chain import Made
from platemark.records import store
from platemark.records.manifest import read_manifest
from platemark.records.names import name_key
from platemark.records.store import Kept


@dataclass(frozen=True)
class Place:
    """Where an export goes.

    Attributes:
        folder: `ready/`.
        print_name: the print.
        recipe: hash of what makes it, see `recipe_of`.
        stem: the readable name; the number is added where the name is taken.
        number: 1 for none.
        made: the export, where the same scan was made by the same recipe here and the file is right.
        taken: the names in the folder that begin like its own when it was found, as `name_key` has them.
    """

    folder: Path
    print_name: str
    recipe: str
    stem: str
    number: int = 1
    made: Path | None = None
    taken: frozenset[str] = field(default=frozenset(), repr=False, compare=False)

    @property
    def name(self) -> str:
        """NAME.PRINT, or NAME-2.PRINT where the name was taken."""
        numbered = self.stem if self.number == 1 else f"{self.stem}-{self.number}"
        return f"{numbered}.{self.print_name}"

    def export(self, suffix: str) -> Path:
        """The finished file."""
        return self.folder / f"{self.name}{suffix}"

    @property
    def manifest(self) -> Path:
        """Its manifest."""
        return self.folder / f"{self.name}.toml"

    def next(self) -> "Place":
        """The place after this one."""
        return replace(self, number=self.number + 1)

    def files(self, made: Made) -> dict[Path, bytes]:
        """What goes here beside the manifest, the export first."""
        companions = {self.folder / f"{self.name}.{ending}": data for ending, data in made.companions.items()}
        return {self.export(made.suffix): made.data, **companions}

    def clear_for(self, made: Made) -> "Place":
        """The first place from here whose names are free, or hold these bytes: a crash left them without manifest."""
        place = self
        while not place._is_clear(made):
            place = place.next()
        return place

    def _is_clear(self, made: Made) -> bool:
        if self._is_taken(self.manifest):
            return False
        return all(not self._is_taken(path) or _holds(path, data) for path, data in self.files(made).items())

    def _is_taken(self, path: Path) -> bool:
        """Since the folder was listed other names may have come; listing it once more takes long in a full one."""
        return name_key(path.name) in self.taken or os.path.lexists(path)


def find_place(folder: Path, kept: Kept, print_name: str, recipe: str) -> Place:
    """Where the export of this scan and recipe is, or may go.

    Names of other scans and other recipes are passed over: an export is never overwritten.

    Raises:
        StoreError: `ready/` cannot be listed.
    """
    stems = dict.fromkeys([kept.first_stem, kept.stem])  # it may have been made before it was renamed
    taken = frozenset(store.names_in(folder, tuple(map(name_key, stems))))
    for stem in stems:
        place = Place(folder, print_name, recipe, stem, taken=taken)
        while name_key(place.manifest.name) in taken:
            made = _made_at(place, kept)
            if made:
                return replace(place, made=made)
            place = place.next()
    return place


def _made_at(place: Place, kept: Kept) -> Path | None:
    """The export here, if the manifest tells of this scan and recipe and the file is as it says."""
    try:
        # Some scanners call every scan alike: a manifest without these hashes need not be understood.
        written = place.manifest.read_bytes()
        if not all(content.encode() in written for content in kept.hashes):
            return None
        manifest = read_manifest(place.manifest)
    except (OSError, ManifestError):
        return None  # a broken manifest is left for `verify` to tell of; it is never written over
    if manifest.recipe != place.recipe or [source.sha256 for source in manifest.sources] != kept.hashes:
        return None
    export = place.folder / manifest.output.file
    right = export.is_file() and store.sha256_of(export) == manifest.output.sha256
    return export if right else None


def publish(place: Place, made: Made, manifest: bytes) -> Path:
    """Write export, companions and manifest, in this order: the manifest makes them count.

    Raises:
        FileExistsError: somebody took one of the names this moment; nothing is left there that is ours alone.
        StoreError: the disk refuses; nothing of ours is left there.
    """
    written: list[Path] = []
    try:
        for path, data in place.files(made).items():
            if _write(path, data, "companion" if written else "out"):
                written.append(path)
        store.write_whole(place.manifest, manifest, step="manifest")
    except Exception:
        # Another worker, believed lost, may have been given this very scan: then its manifest speaks of our files.
        if not _is_told_of(place, made):
            for path in written:
                store.remove(path, step="out.clear")
        raise
    return place.export(made.suffix)


def _is_told_of(place: Place, made: Made) -> bool:
    """True when there is a manifest, and of these very bytes."""
    try:
        return read_manifest(place.manifest).output.sha256 == hashlib.sha256(made.data).hexdigest()
    except ManifestError:
        return False


def _write(path: Path, data: bytes, step: str) -> bool:
    """True when it was written; False when it is there already, byte for byte."""
    try:
        store.write_whole(path, data, step=step)
    except FileExistsError:
        if not _holds(path, data):
            raise
        return False
    return True


def _holds(path: Path, data: bytes) -> bool:
    return path.is_file() and path.read_bytes() == data

"""Placing an export in `ready/`: a name of its own, found again after a crash, nothing overwritten."""

from dataclasses import dataclass, replace
from pathlib import Path

from platemark.errors import ManifestError
from platemark.flow.chain import Made
from platemark.records import store
from platemark.records.manifest import read_manifest
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
        done: the same scan was made by the same recipe here, and the file is right.
    """

    folder: Path
    print_name: str
    recipe: str
    stem: str
    number: int = 1
    done: bool = False

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

    def clear_for(self, data: bytes, suffix: str) -> "Place":
        """The place whose file name is free, or holds these very bytes: a crash left them without manifest."""
        place = self
        while True:
            export = place.export(suffix)
            if not place.manifest.exists() and (not export.exists() or export.read_bytes() == data):
                return place
            place = replace(place, number=place.number + 1)


def find_place(folder: Path, kept: Kept, print_name: str, recipe: str) -> Place:
    """Where the export of this scan and recipe is, or may go.

    Names of other scans and other recipes are passed over: an export is never overwritten.
    """
    place = Place(folder, print_name, recipe, kept.stem)
    while place.manifest.exists():
        if _is_of(place, kept):
            return replace(place, done=True)
        place = replace(place, number=place.number + 1)
    return place


def _is_of(place: Place, kept: Kept) -> bool:
    """True when the manifest here tells of this scan and recipe and its file is as it says."""
    try:
        manifest = read_manifest(place.manifest)
    except ManifestError:
        return False  # a broken manifest is left for `verify` to tell of; it is never written over
    if manifest.recipe != place.recipe or [source.sha256 for source in manifest.sources] != [kept.sha256]:
        return False
    export = place.folder / manifest.output.file
    return export.is_file() and store.sha256_of(export) == manifest.output.sha256


def publish(place: Place, made: Made, manifest: bytes) -> Path:
    """Write export, companions and manifest, in this order: the manifest makes them count.

    Raises:
        StoreError: the disk refuses; what stands there is whole, and the next start goes on.
    """
    export = place.export(made.suffix)
    if not export.exists():
        store.write_whole(export, made.data, step="out")
    for ending, data in made.companions.items():
        store.write_whole(place.folder / f"{place.name}.{ending}", data, step="companion", replace=True)
    store.write_whole(place.manifest, manifest, step="manifest")
    return export

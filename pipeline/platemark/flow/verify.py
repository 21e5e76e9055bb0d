"""Verifying: every export against its manifest, and all that it was made from against its hash.

What many exports share, such as an original or a profile, is read and hashed once.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from platemark.errors import ManifestError, PlatemarkError
from platemark.flow.reproduce import find_source, unchanged
from platemark.records.making import WHEELS, Making, making_of
from platemark.records.manifest import Manifest, Source, read_manifest
from platemark.records.names import shown
from platemark.records.store import DAMAGED, TEMPORARY, is_plain_file

Kind = Literal["missing", "changed", "orphaned"]
_IMAGES = {".jpg", ".jpeg", ".tif", ".tiff", ".png"}
_AGAIN = "bring it back from a backup, or make it again with `platemark reproduce {} -o FILE`"

_BESIDE = "bring it back from a backup; the export itself is whole without it"


@dataclass(frozen=True)
class Finding:
    """One thing that is not as it was written down."""

    kind: Kind
    path: Path
    sentence: str


@dataclass(frozen=True)
class Verdict:
    """What was looked at, and what was found."""

    exports: int
    findings: tuple[Finding, ...]

    @property
    def sound(self) -> bool:
        """Nothing is missing or changed or without its manifest."""
        return not self.findings


@dataclass
class _Book:
    """What the manifests of a folder tell must be there.

    Attributes:
        archived: what each profile and stage source is, by path and sha256.
        originals: the source that lies at each path, by path and sha256.
        claimed: names in the folder that a manifest tells of.
        mentioned: the start of every hash in manifests that cannot be read.
    """

    archived: dict[tuple[Path, str], str] = field(default_factory=dict)
    originals: dict[tuple[Path, str], Source] = field(default_factory=dict)
    claimed: set[str] = field(default_factory=set)
    mentioned: set[str] = field(default_factory=set)

    def enter(self, ready: Path, manifest: Manifest, making: Making | None) -> None:
        """Write down all that one manifest tells of."""
        self.claimed.update([manifest.output.file, *manifest.output.companions])
        for source in manifest.sources:
            recorded = ready / source.archived
            archive = recorded.parent.resolve()
            self.originals[archive / recorded.name, source.sha256] = source
            for used in manifest.profiles:
                self.archived[archive / "profiles" / f"{used.sha256}.icc", used.sha256] = f"{used.role} profile"
            for transform in manifest.transforms:
                if transform.source_archived:
                    path = archive / "stages" / f"{transform.code_sha256}.py"
                    self.archived[path, transform.code_sha256] = f"source of your stage {transform.stage}"
            for wheel in making.wheels if making else ():
                path = archive / WHEELS / f"{wheel.sha256}.whl"
                self.archived[path, wheel.sha256] = f"archived {wheel.name} {wheel.version}"

    def enter_broken(self, path: Path) -> None:
        """Of a manifest that cannot be read only this is believed: which files may be its own."""
        self.claimed.update(beside.name for beside in path.parent.iterdir() if beside.name.startswith(f"{path.stem}."))
        if path.is_file():
            self.mentioned.update(found.decode()[:12] for found in re.findall(rb"[0-9a-f]{64}", path.read_bytes()))


def verify(folder: Path) -> Verdict:
    """Check a folder of exports and all that they were made from.

    Args:
        folder: `ready/`, or the folder that holds it.

    Raises:
        PlatemarkError: there is no such folder, or it holds no manifest and no export.
    """
    ready = folder / "ready" if (folder / "ready").is_dir() else folder
    if not ready.is_dir():
        raise PlatemarkError(f"there is no folder {folder}", remedy="name the folder with your exports")
    manifests = sorted(ready.glob("*.toml"))
    book, findings = _Book(), list[Finding]()
    for path in manifests:
        try:
            manifest = read_manifest(path)
            making = making_of(manifest.made, path.name)
        except ManifestError as fault:
            findings.append(Finding("changed", path, shown(str(fault))))
            book.enter_broken(path)
        else:
            findings.extend(_check_export(path, manifest))
            book.enter(ready, manifest, making)
    findings.extend(_orphans(ready, book.claimed))
    findings.extend(_leftovers(ready))
    findings.extend(_check_archive(book))
    if not manifests and not findings:
        raise PlatemarkError(f"there is no export in {ready}", remedy="name the folder with your exports")
    return Verdict(len(manifests), tuple(findings))


def _check_export(path: Path, manifest: Manifest) -> Iterator[Finding]:
    output = manifest.output
    yield from _check(path.parent / output.file, output.sha256, "export", _AGAIN.format(path.name))
    for name, sha256 in output.companions.items():
        yield from _check(path.parent / name, sha256, "companion", _BESIDE)


def _check_archive(book: _Book) -> Iterator[Finding]:
    """Each archived file once, however many exports were made from it."""
    for (path, sha256), what in book.archived.items():
        yield from _check(path, sha256, what)
    found = set[Path]()
    for (place, _), source in book.originals.items():
        found.add(place)
        try:
            found.add(find_source(place, source))
        except PlatemarkError as fault:
            yield _told(place, fault)
    for archive in sorted({place.parent for place, _ in book.originals}):
        if archive.is_dir():
            yield from _loose_originals(archive, found, book.mentioned)
        for folder in (archive, *(archive / name for name in ("profiles", "stages", WHEELS))):
            yield from _leftovers(folder)


def _check(path: Path, sha256: str, what: str, *remedy: str) -> Iterator[Finding]:
    try:
        unchanged(path, sha256, what, *remedy)
    except PlatemarkError as fault:
        yield _told(path, fault)


def _told(path: Path, fault: PlatemarkError) -> Finding:
    return Finding("changed" if path.is_file() else "missing", path, shown(str(fault)))


def _orphan(path: Path, what: str, remedy: str) -> Finding:
    return Finding("orphaned", path, shown(f"{what.format(path)}: {remedy}."))


def _orphans(ready: Path, claimed: set[str]) -> Iterator[Finding]:
    for path in sorted(ready.iterdir()):
        if path.suffix.lower() in _IMAGES and path.name not in claimed:
            remedy = "bring the manifest back from a backup, or drop the scan in again to make both anew"
            yield _orphan(path, "the export {} has no manifest", remedy)


def _loose_originals(archive: Path, found: set[Path], mentioned: set[str]) -> Iterator[Finding]:
    for path in sorted(archive.iterdir()):
        ours = is_plain_file(path) and path.suffix != ".toml" and not path.name.startswith(".")
        if ours and path not in found and path.stem[-12:] not in mentioned and DAMAGED not in path.name:
            remedy = "its prints are held, or were taken away; to make them, drop it in again"
            yield _orphan(path, "no export here was made from the original {}", remedy)


def _leftovers(folder: Path) -> Iterator[Finding]:
    for path in sorted(folder.glob(f"{TEMPORARY}*")):
        yield _orphan(path, "{} is half a file, left by a crash", "the next start of platemark clears it away")
    for path in sorted(folder.glob(f"*{DAMAGED}*")):
        yield _orphan(path, "{} was found damaged and set aside", "look after the disk, then take it away")

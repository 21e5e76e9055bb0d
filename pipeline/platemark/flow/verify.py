"""Verifying: every export against its manifest, every original against its hash."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from platemark.errors import ManifestError, PlatemarkError
from platemark.flow.reproduce import find_source
from platemark.records.manifest import Manifest, read_manifest, was_edited
from platemark.records.store import TEMPORARY, sha256_of

Kind = Literal["missing", "changed", "orphaned"]
_IMAGES = {".jpg", ".jpeg", ".tif", ".tiff", ".png"}


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
    manifests = sorted(path for path in ready.glob("*.toml"))
    findings: list[Finding] = []
    claimed: set[str] = set()
    hashes: dict[Path, str] = {}
    archives: dict[Path, set[str]] = {}
    for path in manifests:
        try:
            manifest = read_manifest(path)
        except ManifestError as fault:
            findings.append(Finding("changed", path, fault.what))
            claimed.update(other.name for other in ready.glob(f"{path.stem}.*"))
            continue
        claimed.update([manifest.output.file, *manifest.output.companions])
        findings.extend(_check_export(path, manifest))
        findings.extend(_check_sources(ready, manifest, hashes, archives))
    findings.extend(_orphans(ready, claimed))
    findings.extend(_loose_originals(archives))
    return Verdict(len(manifests), tuple(findings))


def _check_export(path: Path, manifest: Manifest) -> Iterator[Finding]:
    if was_edited(path):
        yield Finding("changed", path, f"the manifest {path.name} was edited after it was written")
    wanted = {manifest.output.file: manifest.output.sha256, **manifest.output.companions}
    for name, sha256 in wanted.items():
        yield from _check(path.parent / name, sha256, "export")


def _check_sources(
    ready: Path, manifest: Manifest, hashes: dict[Path, str], archives: dict[Path, set[str]]
) -> Iterator[Finding]:
    for source in manifest.sources:
        recorded = ready / source.archived
        archives.setdefault(recorded.parent.resolve(), set()).add(source.sha256[:12])
        if hashes.get(recorded) == source.sha256:
            continue
        try:
            hashes[find_source(ready, source)] = source.sha256
        except PlatemarkError as fault:
            yield Finding("changed" if recorded.is_file() else "missing", recorded, fault.what)
        for used in manifest.profiles:
            yield from _check(recorded.parent / "profiles" / f"{used.sha256}.icc", used.sha256, "profile")
        for transform in manifest.transforms:
            if transform.source_archived:
                kept = recorded.parent / "stages" / f"{transform.code_sha256}.py"
                yield from _check(kept, transform.code_sha256, "stage source")


def _check(path: Path, sha256: str, what: str) -> Iterator[Finding]:
    if not path.is_file():
        yield Finding("missing", path, f"the {what} {path.name} is missing")
    elif sha256_of(path) != sha256:
        yield Finding("changed", path, f"the {what} {path.name} is not the file that was written")


def _orphans(ready: Path, claimed: set[str]) -> Iterator[Finding]:
    for path in sorted(ready.iterdir()):
        if path.name.startswith(TEMPORARY):
            yield Finding("orphaned", path, f"{path.name} is half a file, left by a crash; the next start clears it")
        elif path.suffix.lower() in _IMAGES and path.name not in claimed:
            yield Finding("orphaned", path, f"{path.name} has no manifest")


def _loose_originals(archives: dict[Path, set[str]]) -> Iterator[Finding]:
    for archive, wanted in sorted(archives.items()):
        if not archive.is_dir():
            continue
        for path in sorted(archive.iterdir()):
            if path.suffix.lower() in _IMAGES and path.stem[-12:] not in wanted:
                yield Finding("orphaned", path, f"no export here was made from the original {path.name}")

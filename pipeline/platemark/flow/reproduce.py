"""Reproducing: an export made again from the archived original and its manifest alone."""

import hashlib
from dataclasses import dataclass
from pathlib import Path

import pyvips

from platemark.contract.plugins import FoundStage, Plugins, load_stage_file
from platemark.contract.stage import Encoder
from platemark.errors import ManifestError, PlatemarkError
from platemark.flow.intake import Opening, open_picture
from platemark.pixels import colour
from platemark.pixels.picture import INTERPRETATIONS, Picture, to_sixteen_bits
from platemark.pixels.profiles import Profile, grey, load_profile, read_profile, srgb
from platemark.records.libraries import library_versions
from platemark.records.manifest import Manifest, Source, Transform, read_manifest
from platemark.records.store import sha256_of


@dataclass(frozen=True)
class Reproduction:
    """What came of it.

    Attributes:
        manifest: the manifest's path.
        data: the bytes made now.
        same: they are the bytes made then.
        changed: what differs in how they were made, a sentence each.
        largest: largest CIEDE2000 to the file made then, where that is at hand and differs.
        mean: the mean of it.
    """

    manifest: Path
    data: bytes
    same: bool
    changed: tuple[str, ...] = ()
    largest: float | None = None
    mean: float | None = None

    def sentence(self) -> str:
        """Say what came of it."""
        if self.same:
            return f"{self.manifest.name}: identical, all {len(self.data)} bytes"
        why = "; ".join(self.changed) or "no library or stage differs from then, so the file or the disk did"
        far = ""
        if self.largest is not None and self.mean is not None:
            far = f" The pictures differ by {self.mean:.3f} CIEDE2000 on average and {self.largest:.2f} at most."
        return f"{self.manifest.name}: DIFFERS from what was made then ({why}).{far}"


def reproduce(path: Path, plugins: Plugins) -> Reproduction:
    """Make the export of a manifest again and compare it byte for byte. No config is read.

    Args:
        path: the manifest.
        plugins: the stages at hand; those from a stages folder come from the archive instead.

    Raises:
        ManifestError: it cannot be read.
        PlatemarkError: the original, a profile or a stage is missing or has changed; names it.
    """
    manifest = read_manifest(path)
    original = find_source(path.parent, manifest.sources[0])
    archive = original.parent
    profiles = {used.sha256: _archived_profile(archive, used.sha256, used.role) for used in manifest.profiles}
    picture = open_picture(original, _opening(manifest.sources[0], profiles))
    data = _replay(picture, manifest.transforms, plugins, archive, path.name)
    if hashlib.sha256(data).hexdigest() == manifest.output.sha256:
        return Reproduction(path, data, same=True)
    largest, mean = _how_far(path.parent / manifest.output.file, manifest, data)
    return Reproduction(path, data, False, tuple(_what_changed(manifest, plugins)), largest, mean)


def find_source(ready: Path, source: Source) -> Path:
    """The archived original, at its recorded place or anywhere in the archive by content.

    Raises:
        PlatemarkError: it is missing, or its content has changed.
    """
    recorded = ready / source.archived
    if recorded.is_file():
        if sha256_of(recorded) != source.sha256:
            raise PlatemarkError(
                f"the original {recorded} has changed: its sha256 is not {source.sha256[:12]}...",
                remedy="bring it back from a backup",
            )
        return recorded
    for path in sorted(recorded.parent.glob(f"*-{source.sha256[:12]}.*")):
        if path.suffix != ".toml" and sha256_of(path) == source.sha256:
            return path
    raise PlatemarkError(
        f"the original of {source.name} is missing: {recorded} (sha256 {source.sha256[:12]}...)",
        remedy="bring it back from a backup into the folder for originals",
    )


def _archived_profile(archive: Path, sha256: str, role: str) -> Profile:
    path = archive / "profiles" / f"{sha256}.icc"
    if not path.is_file() or sha256_of(path) != sha256:
        state = "has changed" if path.is_file() else "is missing"
        raise PlatemarkError(
            f"the {role} profile {path} {state}", remedy="bring it back from a backup; it must be the same file"
        )
    return load_profile(path)


def _opening(source: Source, profiles: dict[str, Profile]) -> Opening:
    return Opening(
        page=source.page,
        orientation=source.orientation,
        width=source.width,
        height=source.height,
        bits=source.bits,
        ppi=source.ppi,
        ppi_from=source.ppi_from,
        profile=profiles[source.profile],
        profile_from=source.profile_from,
        alpha=source.alpha,
    )


def _replay(picture: Picture, transforms: list[Transform], plugins: Plugins, archive: Path, name: str) -> bytes:
    """Run the `apply` halves; no decision is taken."""
    for transform in transforms:
        found = _stage_of_then(transform, plugins, archive)
        stage = found.kind()
        try:
            parameters = found.kind.parameters_model.model_validate(transform.parameters)
        except ValueError as fault:
            raise ManifestError(f"{name}, parameters of {transform.stage}: {fault}") from fault
        if isinstance(stage, Encoder):
            return stage.encode(picture, parameters)
        picture = stage.apply(picture, parameters)
    raise ManifestError(f"{name}: no transform in it writes a file")


def _stage_of_then(transform: Transform, plugins: Plugins, archive: Path) -> FoundStage:
    """The stage as it was: archived source, or an installed one of the same version."""
    if transform.source_archived:
        path = archive / "stages" / f"{transform.code_sha256}.py"
        if not path.is_file() or sha256_of(path) != transform.code_sha256:
            raise PlatemarkError(
                f"the source of your stage {transform.stage} is missing or changed: {path}",
                remedy="bring it back from a backup",
            )
        return load_stage_file(path, transform.stage)
    found = plugins.stage(transform.stage)
    if found.kind.version != transform.version:
        raise PlatemarkError(
            f"the stage {transform.stage} was version {transform.version} then and is {found.kind.version} now",
            remedy=f"install {transform.distribution} {transform.distribution_version} to make this export again",
        )
    return found


def _what_changed(manifest: Manifest, plugins: Plugins) -> list[str]:
    now = library_versions()
    names = sorted(manifest.libraries.keys() | now.keys())
    changed = [
        f"{name} was {manifest.libraries.get(name, 'absent')} then and is {now.get(name, 'absent')} now"
        for name in names
        if manifest.libraries.get(name) != now.get(name)
    ]
    for transform in manifest.transforms:
        found = plugins.stages.get(transform.stage)
        if found and not transform.source_archived and found.code_sha256 != transform.code_sha256:
            changed.append(f"the code of the stage {transform.stage} was changed without a new version")
    return changed


def _how_far(export: Path, manifest: Manifest, data: bytes) -> tuple[float | None, float | None]:
    """Largest and mean CIEDE2000 between the file made then and the bytes made now."""
    if not export.is_file() or sha256_of(export) != manifest.output.sha256:
        return None, None
    then, now = _lab(export.read_bytes()), _lab(data)
    if (then.width, then.height) != (now.width, now.height):
        return None, None
    difference = colour.difference(then, now)
    return round(difference.max(), 4), round(difference.avg(), 4)


def _lab(data: bytes) -> pyvips.Image:
    image = pyvips.Image.new_from_buffer(data, "")
    embedded = image.get("icc-profile-data") if image.get_typeof("icc-profile-data") else None
    fallback = grey() if image.bands == 1 else srgb()
    profile = read_profile(embedded, "the export") if embedded else fallback
    wide = to_sixteen_bits(image).copy(interpretation=INTERPRETATIONS[image.bands])
    return colour.to_lab(wide, profile)

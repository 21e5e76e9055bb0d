"""Reproducing: an export made again from the archived original and its manifest alone."""

import contextlib
import hashlib
import platform
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import pyvips
from pydantic import ValidationError

from platemark.contract.gathering import Gathering
from platemark.contract.plugins import FoundStage, Plugins, load_stage_file
from platemark.contract.stage import Encoder, Parameters
from platemark.errors import Held, ManifestError, PlatemarkError, PluginError
from platemark.flow.chain import checked_apply
from platemark.flow.intake import Opening, open_picture
from platemark.pixels import colour
from platemark.pixels.depth import to_sixteen_bits
from platemark.pixels.picture import INTERPRETATIONS, Picture
from platemark.pixels.profiles import Profile, grey, load_profile, read_profile, srgb
from platemark.records.libraries import library_versions
from platemark.records.manifest import Manifest, ProfileUsed, Source, Transform, first_problem, read_manifest
from platemark.records.store import sha256_of

_BACKUP = "bring it back from a backup; it must be the same file"
Step = tuple[FoundStage, Parameters]


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
        at_hand: the file beside the manifest is still the one made then.
        rebuilt: it was made with the versions of then, not with today's.
        today: why today's make other bytes, a sentence each.
    """

    manifest: Path
    data: bytes
    same: bool
    changed: tuple[str, ...] = ()
    largest: float | None = None
    mean: float | None = None
    at_hand: bool = True
    rebuilt: bool = False
    today: tuple[str, ...] = ()

    def sentence(self) -> str:
        """Say what came of it."""
        if self.same:
            spoilt = (
                "" if self.at_hand else "; but the file beside the manifest is missing or has changed: keep this one"
            )
            then = f", with the versions of then; not with today's: {'; '.join(self.today)}" if self.rebuilt else ""
            return f"{self.manifest.name}: identical, all {len(self.data)} bytes{then}{spoilt}"
        why = "; ".join(self.changed) or self._unexplained()
        far = "The file made then is not at hand as it was, so how far they differ cannot be told."
        if self.largest is not None and self.mean is not None:
            far = f"The pictures differ by {self.mean:.3f} CIEDE2000 on average and {self.largest:.2f} at most."
        kept = " Keep the file made then, or try on a machine like that of then." if self.rebuilt else ""
        even = " even with the versions of then" if self.rebuilt else ""
        return f"{self.manifest.name}: DIFFERS{even} from what was made then ({why}). {far}{kept}"

    def _unexplained(self) -> str:
        if self.rebuilt:
            return "every distribution and the kind of machine are as then, so the reason lies elsewhere"
        return "no library, stage or kind of machine has changed, so platemark itself has"


def reproduce(path: Path, plugins: Plugins) -> Reproduction:
    """Make the export of a manifest again and compare it byte for byte. No config is read.

    Args:
        path: the manifest.
        plugins: the stages at hand; those from a stages folder come from the archive instead.

    Raises:
        ManifestError: it cannot be read.
        PlatemarkError: the original, a profile or a stage is missing or has changed, or a stage
            fails; names it.
    """
    manifest = read_manifest(path)
    archive = archive_of(path, manifest)
    originals, profiles = check_materials(path, manifest)
    pictures = [
        _picture_of_then(path, original, source, profiles)
        for original, source in zip(originals, manifest.sources, strict=True)
    ]
    steps = [_step_of_then(transform, plugins, archive, path.name) for transform in manifest.transforms]
    data = _replay(*_gathered(pictures, steps, path.name), path.name)
    return held_against(path, manifest, data, _what_changed(manifest, plugins))


def archive_of(path: Path, manifest: Manifest) -> Path:
    """The folder of originals, with what else was archived."""
    return (path.parent / manifest.sources[0].archived).parent


def check_materials(path: Path, manifest: Manifest) -> tuple[list[Path], dict[str, Profile]]:
    """The originals, and the profiles by sha256, once each, and each own stage, was found to be what it was.

    Raises:
        PlatemarkError: one is missing or has changed; names it.
    """
    originals = [find_source(path.parent / source.archived, source) for source in manifest.sources]
    archive = archive_of(path, manifest)
    for transform in manifest.transforms:
        if transform.source_archived:
            source = archive / "stages" / f"{transform.code_sha256}.py"
            unchanged(source, transform.code_sha256, f"source of your stage {transform.stage}")
    return originals, {used.sha256: _profile_of_then(archive, used) for used in manifest.profiles}


def held_against(path: Path, manifest: Manifest, data: bytes, reasons: Iterable[str]) -> Reproduction:
    """Compare what was made now with what was made then; the reasons are asked for where they differ."""
    export = path.parent / manifest.output.file
    if hashlib.sha256(data).hexdigest() == manifest.output.sha256:
        return Reproduction(path, data, same=True, at_hand=export.is_file() and _hash(export) == manifest.output.sha256)
    largest, mean = _how_far(export, manifest, data)
    return Reproduction(path, data, same=False, changed=tuple(reasons), largest=largest, mean=mean)


def _picture_of_then(path: Path, original: Path, source: Source, profiles: Mapping[str, Profile]) -> Picture:
    """The archived scan, opened as it was opened then."""
    if source.profile not in profiles:
        raise ManifestError(
            f"{path.name}, profiles: that of the scan ({source.profile[:12]}...) is not among them", remedy=_BACKUP
        )
    return open_picture(original, _opening(source, profiles[source.profile]))


def _gathered(pictures: Sequence[Picture], steps: Sequence[Step], name: str) -> tuple[Picture, Sequence[Step]]:
    """The picture that the chain began with, and the chain."""
    if len(pictures) == 1:
        return pictures[0], steps
    found, parameters = steps[0] if steps else (None, None)
    stage = found.kind() if found else None
    if found is None or parameters is None or not isinstance(stage, Gathering):
        raise ManifestError(f"{name}, transforms: none of them makes one picture of several", remedy=_BACKUP)
    with _stage_named(found):
        return stage.apply_all(pictures, parameters), steps[1:]


def find_source(recorded: Path, source: Source) -> Path:
    """The archived original, at its recorded place or, where nothing lies there, in that folder by content.

    Raises:
        PlatemarkError: it is missing, or its content has changed.
    """
    if recorded.is_file():
        return unchanged(recorded, source.sha256, "original")
    for path in sorted(recorded.parent.rglob("*")):
        if path.is_file() and path.stat().st_size == source.size and _hash(path) == source.sha256:
            return path
    raise PlatemarkError(
        f"the original of {source.name} is missing: {recorded} (sha256 {source.sha256[:12]}...)",
        remedy="bring it back from a backup into the folder for originals",
    )


def unchanged(path: Path, sha256: str, what: str, remedy: str = _BACKUP) -> Path:
    """The path, once its content was found to be what it was.

    Raises:
        PlatemarkError: it is missing, cannot be read, or has changed.
    """
    if not path.is_file():
        raise PlatemarkError(f"the {what} {path} is missing", remedy=remedy)
    found = _hash(path)
    if found != sha256:
        raise PlatemarkError(
            f"the {what} {path} has changed: its sha256 is {found[:12]}..., and {sha256[:12]}... was written down",
            remedy=remedy,
        )
    return path


def _hash(path: Path) -> str:
    try:
        return sha256_of(path)
    except OSError as fault:
        raise PlatemarkError(f"{path} cannot be read ({fault.strerror})", remedy="make it readable for you") from fault


def _profile_of_then(archive: Path, used: ProfileUsed) -> Profile:
    path = archive / "profiles" / f"{used.sha256}.icc"
    return load_profile(unchanged(path, used.sha256, f"{used.role} profile"))


def _opening(source: Source, profile: Profile) -> Opening:
    return Opening(
        page=source.page,
        orientation=source.orientation,
        width=source.width,
        height=source.height,
        bits=source.bits,
        ppi=source.ppi,
        ppi_from=source.ppi_from,
        profile=profile,
        profile_from=source.profile_from,
        alpha=source.alpha,
    )


def _step_of_then(transform: Transform, plugins: Plugins, archive: Path, name: str) -> Step:
    """The stage as it was, and what it had decided."""
    found = _stage_of_then(transform, plugins, archive)
    try:
        return found, found.kind.parameters_model.model_validate(transform.parameters)
    except ValidationError as fault:
        raise ManifestError(
            f"{name}, parameters of {transform.stage}, {first_problem(fault)}", remedy=_install(transform)
        ) from fault


def _stage_of_then(transform: Transform, plugins: Plugins, archive: Path) -> FoundStage:
    """Archived source, or an installed stage of the same version."""
    if transform.source_archived:
        return load_stage_file(archive / "stages" / f"{transform.code_sha256}.py", transform.stage)
    try:
        found = plugins.stage(transform.stage)
    except PluginError as fault:
        raise PluginError(fault.what, remedy=_install(transform)) from fault
    if found.kind.version != transform.version:
        raise PluginError(
            f"the stage {transform.stage} was version {transform.version} then and is {found.kind.version} now",
            remedy=_install(transform),
        )
    return found


def _install(transform: Transform) -> str:
    if transform.source_archived:
        return _BACKUP
    release = f"{transform.distribution} {transform.distribution_version}"
    return f"add --rebuild, or install {release}, to make this export again"


def _replay(picture: Picture, steps: Sequence[Step], name: str) -> bytes:
    """Run the `apply` halves; no decision is taken."""
    for found, parameters in steps:
        with _stage_named(found):
            stage = found.kind()
            picture = checked_apply(stage, picture, parameters)
            if isinstance(stage, Encoder):
                return stage.encode(picture, parameters)
    raise ManifestError(f"{name}, transforms: none of them writes a file", remedy=_BACKUP)


@contextlib.contextmanager
def _stage_named(found: FoundStage) -> Iterator[None]:
    """Whatever a stage raises becomes a sentence with its name."""
    try:
        yield
    except Held as held:
        raise PlatemarkError(held.reason, held.remedy) from held
    except Exception as fault:
        words = fault.what if isinstance(fault, PlatemarkError) else f"{type(fault).__name__}: {fault}"
        raise PlatemarkError(
            f"the stage {found.kind.name} ({found.origin}) worked then and fails now: {' '.join(words.split())}",
            remedy="see [libraries] in the manifest for what it worked with",
        ) from fault


def _what_changed(manifest: Manifest, plugins: Plugins) -> Iterator[str]:
    then, now = manifest.libraries, library_versions()
    for name in sorted(then.keys() | now.keys()):
        if then.get(name) != now.get(name):
            yield f"{name} was {then.get(name, 'absent')} then and is {now.get(name, 'absent')} now"
    for transform in manifest.transforms:
        found = plugins.stages.get(transform.stage)
        if found and not transform.source_archived and found.code_sha256 != transform.code_sha256:
            yield f"the code of the stage {transform.stage} was changed without a new version"
    here = platform.machine()
    if manifest.made.get("machine", here) != here:
        yield f"it was made on {manifest.made['machine']} then and on {here} now"


def _how_far(export: Path, manifest: Manifest, data: bytes) -> tuple[float | None, float | None]:
    """Largest and mean CIEDE2000 between the file made then and the bytes made now."""
    if not export.is_file() or _hash(export) != manifest.output.sha256:
        return None, None
    try:
        then, now = _lab(export.read_bytes()), _lab(data)
    except (pyvips.Error, PlatemarkError):  # an encoder of her own may write what is not read here
        return None, None
    if (then.width, then.height) != (now.width, now.height):
        return None, None
    difference = colour.difference(then, now)
    return round(difference.max(), 4), round(difference.avg(), 4)


def _lab(data: bytes) -> pyvips.Image:
    image = pyvips.Image.new_from_buffer(data, "")
    embedded = image.get("icc-profile-data") if image.get_typeof("icc-profile-data") else None
    fallback = grey() if image.bands == 1 else srgb()
    profile = read_profile(embedded, "the export") if embedded else fallback
    wide = to_sixteen_bits(image) if image.format == "uchar" else image
    return colour.to_lab(wide.copy(interpretation=INTERPRETATIONS[profile.bands]), profile)

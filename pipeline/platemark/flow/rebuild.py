"""Rebuilding: where today's libraries make other bytes, the versions of then make the export again."""

import platform
import sys
import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from platemark.contract.plugins import Plugins
from platemark.errors import PlatemarkError
from platemark.flow.environment import environment_for, run_in
from platemark.flow.reproduce import Reproduction, archive_of, check_materials, held_against, reproduce, unchanged
from platemark.records.making import WHEELS, Making, making_of
from platemark.records.manifest import Manifest, read_manifest


def rebuild(path: Path, plugins: Plugins, cache: Path, tell: Callable[[str], None]) -> Reproduction:
    """Make the export of a manifest again: with what is installed, or else with the versions of then.

    Args:
        path: the manifest.
        plugins: the stages at hand.
        cache: the user's cache folder of platemark, where the versions of then are kept.
        tell: told before something is built that takes a while.

    Raises:
        ManifestError: it cannot be read, or was written before manifests told what this needs.
        PlatemarkError: the original, a profile or platemark of then is missing or has changed; or the versions of
            then cannot be brought together, or fail.
    """
    manifest = read_manifest(path)
    check_materials(path, manifest)
    try:
        today = reproduce(path, plugins)
    except PlatemarkError as fault:  # a stage of another version, or that fails with the libraries of today
        why: tuple[str, ...] = (fault.what,)
    else:
        if today.same:
            return today
        why = today.changed
    making = making_of(manifest.made, path.name)
    if making is None:
        raise PlatemarkError(
            f"{path.name} does not tell which versions to bring together: an early release wrote it"
            f" ({'; '.join(why) or 'the bytes differ today'})",
            remedy="reproduce it without --rebuild to see how far the pictures differ, and keep the file made then",
        )
    return _with_versions_of_then(path, manifest, making, why, cache, tell)


def _with_versions_of_then(
    path: Path, manifest: Manifest, making: Making, why: tuple[str, ...], cache: Path, tell: Callable[[str], None]
) -> Reproduction:
    archive = archive_of(path, manifest) / WHEELS
    for wheel in making.wheels:
        unchanged(archive / f"{wheel.sha256}.whl", wheel.sha256, f"archived {wheel.name} {wheel.version}")
    environment = environment_for(making, archive, cache, tell)
    with tempfile.TemporaryDirectory(prefix="platemark-") as aside:
        target = Path(aside) / "again"
        done = run_in(environment, ["reproduce", str(path.resolve()), "-o", str(target)])
        if not target.is_file():
            said = " ".join((done.stderr.strip() or done.stdout.strip() or f"it ended with {done.returncode}").split())
            raise PlatemarkError(f"the versions of then cannot make {manifest.output.file} here: {said}")
        again = held_against(path, manifest, target.read_bytes(), _reasons(making, environment.unlike))
    return replace(again, rebuilt=True, today=why)


def _reasons(making: Making, unlike: tuple[str, ...]) -> tuple[str, ...]:
    """Why even the same versions may make other bytes."""
    then, now = f"{making.system} {making.machine}", f"{sys.platform} {platform.machine()}"
    moved = [f"it was made on {then} then and on {now} now"] if then != now else []
    builds = [f"{name} is another build than then" for name in unlike]
    return (*moved, *builds)

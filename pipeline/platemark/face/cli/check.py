"""Commands that check what was made: reproduce, verify."""

from collections.abc import Callable
from pathlib import Path

import click
from platformdirs import user_cache_path

from platemark.contract.plugins import Plugins, load_plugins
from platemark.errors import PlatemarkError
from platemark.face.cli.saying import readable_errors, say
from platemark.flow.rebuild import rebuild as rebuild_export
from platemark.flow.reproduce import Reproduction, reproduce
from platemark.flow.verify import verify
from platemark.records.store import write_whole

_manifest = click.Path(exists=True, dir_okay=False, path_type=Path)
Maker = Callable[[Path], Reproduction]
_folder = click.Path(exists=True, file_okay=False, path_type=Path)


@click.command("reproduce")
@click.argument("manifest", required=False, type=_manifest)
@click.option("-o", "output", type=click.Path(dir_okay=False, path_type=Path), help="Keep the file made now.")
@click.option("--all", "folder", type=_folder, help="Every manifest in a folder.")
@click.option("--rebuild", is_flag=True, help="Where today's libraries make other bytes, fetch and use those of then.")
def reproduce_command(manifest: Path | None, output: Path | None, folder: Path | None, *, rebuild: bool) -> None:
    """Make an export again from its MANIFEST.

    The file is made from the archived original alone and compared byte for byte.
    """
    if (manifest is None) == (folder is None) or (output and folder):
        raise click.UsageError("name one MANIFEST (with -o FILE to keep what is made), or --all DIR")
    with readable_errors():
        make = _maker(load_plugins(), rebuild=rebuild)
        same = _reproduce(manifest, make, output) if manifest else _reproduce_all(folder or Path(), make)
    if not (same or rebuild):
        say("Where libraries changed, --rebuild fetches those of then and makes it with them.")
    raise SystemExit(0 if same else 1)


def _maker(plugins: Plugins, *, rebuild: bool) -> Maker:
    """With what is installed, and with the versions of then where that is not enough."""
    if not rebuild:
        return lambda path: reproduce(path, plugins)
    cache = user_cache_path("platemark", appauthor=False)
    return lambda path: rebuild_export(path, plugins, cache, lambda words: say(words, err=True))


def _reproduce(manifest: Path, make: Maker, output: Path | None = None) -> bool:
    again = make(manifest)
    say(again.sentence())
    if output is not None:
        try:
            write_whole(output, again.data, step="out")
        except FileExistsError as fault:
            raise PlatemarkError(
                f"{output} is there already", remedy="it was left as it is; choose another name"
            ) from fault
    return again.same


def _reproduce_all(folder: Path, make: Maker) -> bool:
    """One that cannot be made again does not stop the others."""
    manifests = sorted(folder.glob("*.toml"))
    if not manifests:
        raise PlatemarkError(f"there is no manifest in {folder}", remedy="name the folder with your exports")
    good = 0
    for path in manifests:
        try:
            good += _reproduce(path, make)
        except PlatemarkError as fault:
            say(str(fault) if fault.what.startswith(path.name) else f"{path.name}: {fault}")
    say(f"{good} of {len(manifests)} identical")
    return good == len(manifests)


@click.command("verify")
@click.argument("folder", type=_folder)
def verify_command(folder: Path) -> None:
    """Check the exports in FOLDER and their originals.

    Every export is held against its manifest, every original against its hash.
    """
    with readable_errors():
        verdict = verify(folder)
    for finding in verdict.findings:
        say(f"{finding.kind}  {finding.sentence}")
    say(f"exports: {verdict.exports}, findings: {len(verdict.findings) or 'none'}")
    raise SystemExit(0 if verdict.sound else 1)

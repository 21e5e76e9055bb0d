"""Commands that check what was made: reproduce, verify."""

from pathlib import Path

import click

from platemark.contract.plugins import load_plugins
from platemark.errors import PlatemarkError
from platemark.face.cli.saying import console, readable_errors
from platemark.face.log import start_log
from platemark.flow.reproduce import reproduce
from platemark.flow.verify import verify
from platemark.records.store import write_whole


@click.command("reproduce")
@click.argument("manifest", required=False, type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("-o", "output", type=click.Path(dir_okay=False, path_type=Path), help="Keep the file made now.")
@click.option("--all", "folder", type=click.Path(exists=True, file_okay=False, path_type=Path), help="Every manifest in a folder.")
def reproduce_command(manifest: Path | None, output: Path | None, folder: Path | None) -> None:
    """Make an export again from its MANIFEST and the archived original, and compare byte for byte."""
    if (manifest is None) == (folder is None) or (output and folder):
        raise click.UsageError("name one MANIFEST (with -o FILE to keep what is made), or --all DIR")
    start_log(None)
    if manifest is not None:
        with readable_errors():
            raise SystemExit(0 if _reproduce(manifest, output) else 1)
    manifests = sorted(path for path in (folder or Path()).glob("*.toml"))
    with readable_errors():
        if not manifests:
            raise PlatemarkError(f"there is no manifest in {folder}", remedy="name the folder with your exports")
        good = sum(_reproduce_or_say(path) for path in manifests)
    click.echo(f"{good} of {len(manifests)} identical")
    raise SystemExit(0 if good == len(manifests) else 1)


def _reproduce(manifest: Path, output: Path | None) -> bool:
    again = reproduce(manifest, load_plugins())
    click.echo(again.sentence())
    if output is not None:
        try:
            write_whole(output, again.data, step="out")
        except FileExistsError as fault:
            raise PlatemarkError(f"{output} is there already", remedy="it was left as it is; choose another name") from fault
    return again.same


def _reproduce_or_say(manifest: Path) -> bool:
    """One that cannot be made again does not stop the others."""
    try:
        return _reproduce(manifest, None)
    except PlatemarkError as fault:
        click.echo(f"{manifest.name}: {fault}")
        return False


@click.command("verify")
@click.argument("folder", type=click.Path(exists=True, file_okay=False, path_type=Path))
def verify_command(folder: Path) -> None:
    """Check every export in FOLDER against its manifest, and every original against its hash."""
    with readable_errors():
        verdict = verify(folder)
    for finding in verdict.findings:
        console.print(f"[yellow]{finding.kind}[/]  {finding.sentence}", soft_wrap=True, highlight=False)
    click.echo(f"{verdict.exports} exports looked at: {len(verdict.findings) or 'no'} findings")
    raise SystemExit(0 if verdict.sound else 1)

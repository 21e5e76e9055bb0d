"""The command that only looks: find."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click

from platemark.config.model import Config
from platemark.config.reading import read_stages_dir
from platemark.contract.plugins import load_plugins
from platemark.face.cli.options import config_option
from platemark.face.cli.saying import console, readable_errors, say, table_of
from platemark.face.log import printable
from platemark.flow.grouping import grouped
from platemark.flow.looking import Look, look_at, look_at_set
from platemark.flow.outline import outlined
from platemark.flow.studio import open_studio
from platemark.records.disk import make_folder
from platemark.records.store import write_whole

# In the JSON a scan whose sheets were found is to be cropped.
_DECISIONS = {"found": "crop", "leave": "leave", "held": "held"}


@click.command("find")
@click.argument("files", nargs=-1, required=True, type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Corners, skew and confidence of every item, for programs.")
@click.option("--picture", "folder", type=click.Path(file_okay=False, path_type=Path), help="Draw what was found here.")
@config_option
def find_command(files: tuple[Path, ...], folder: Path | None, config: Path, *, as_json: bool) -> None:
    """Tell what lies on FILES, without making anything.

    For each scan the decision, and for each sheet its size, skew and how sure that is. Scans that belong together, such
    as NAME_1of2 and NAME_2of2, are looked at as one picture.
    """
    with readable_errors():
        looks = []
        for look in _looks(files, config):
            looks.append(look)
            if folder is not None and look.picture is not None:
                make_folder(folder, remedy="name another with --picture")
                drawn = outlined(look.picture, look.division)
                write_whole(folder / f"{look.scan.stem}.found.jpg", drawn, step="found", replace=True)
    if as_json:
        click.echo(json.dumps(_for_programs(looks), indent=1))
    else:
        _show(looks)
    raise SystemExit(1 if any(look.division.decision == "held" for look in looks) else 0)


def _looks(files: tuple[Path, ...], config: Path) -> Iterator[Look]:
    """Scans of their own first, then sets."""
    settings = open_studio(config).config if config.is_file() else Config()
    plugins = load_plugins(read_stages_dir(config) if config.is_file() else None)
    alone, bundles = grouped(files, plugins)
    for file in alone:
        yield look_at(file, settings.scanner, plugins)
    for bundle in bundles:
        yield look_at_set(bundle, settings.scanner, plugins, settings.stage)


def _for_programs(looks: list[Look]) -> dict[str, Any]:
    """Each scan by its file's name, each set by its own name; how the scans of sets lie stands under `joins`."""
    described = {look.scan.stem if look.files else look.scan.name: _described(look) for look in looks}
    joins = {look.scan.stem: _joined(look) for look in looks if look.files}
    return {**described, **({"joins": joins} if joins else {})}


def _joined(look: Look) -> dict[str, Any]:
    """Matrices from the pixels of each scan to those of the picture that they become."""
    if not look.placements:
        return {"decision": "held", "reason": look.division.reason, "to_reference": {}}
    placed = zip(look.files, look.placements, strict=True)
    return {
        "decision": "join",
        "to_reference": {
            file.name: [[where.a, where.b, where.tx], [where.c, where.d, where.ty]] for file, where in placed
        },
    }


def _described(look: Look) -> dict[str, Any]:
    return {
        "decision": _DECISIONS[look.division.decision],
        "reason": look.division.reason,
        "items": [
            {
                "corners_px": [[round(x, 3), round(y, 3)] for x, y in item.corners],
                "skew_deg": round(item.skew, 4),
                "confidence": round(item.confidence, 3),
            }
            for item in look.division.items
        ],
    }


def _show(looks: list[Look]) -> None:
    table = table_of("scan", "item", "size mm", "skew", "sure", "")
    for look in looks:
        name = printable(look.scan.stem if look.files else look.scan.name)
        if look.division.decision != "found":
            table.add_row(name, "", "", "", "", printable(f"{look.division.decision}: {look.division.reason}"))
            continue
        for number, item in enumerate(look.division.items, start=1):
            table.add_row(
                name, str(number), _size(look, item.corners), f"{item.skew:+.2f}", f"{item.confidence:.0%}", ""
            )
            name = ""
    console.print(table)
    say("Skew in degrees, positive = counter-clockwise.")


def _size(look: Look, corners: tuple[tuple[float, float], ...]) -> str:
    if look.picture is None:
        return ""
    (x1, y1), (x2, y2), _third, (x4, y4) = corners
    across, down = ((x2 - x1) ** 2 + (y2 - y1) ** 2) ** 0.5, ((x4 - x1) ** 2 + (y4 - y1) ** 2) ** 0.5
    mm = 25.4 / look.picture.source_ppi
    return f"{across * mm:.1f} x {down * mm:.1f}"

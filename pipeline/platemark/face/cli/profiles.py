"""Commands about colour profiles: profiles, profiles add."""

from pathlib import Path

import click
from rich.markup import escape

from platemark.face.cli.options import config_option
from platemark.face.cli.saying import console, readable_errors, say, table_of
from platemark.face.log import printable
from platemark.flow.profile_shelf import OnShelf, add_profile, shelf_of
from platemark.pixels.gamut_picture import gamut_picture
from platemark.pixels.profile_facts import facts_of
from platemark.records.disk import make_folder
from platemark.records.store import write_whole


@click.group("profiles", invoke_without_command=True)
@click.option(
    "--pictures",
    "pictures",
    type=click.Path(file_okay=False, path_type=Path),
    help="Draw the gamut of each profile into this folder.",
)
@config_option
@click.pass_context
def profiles_command(context: click.Context, pictures: Path | None, config: Path) -> None:
    """List and explain the colour profiles.

    Those that come with platemark, and those in the folder profiles of the studio.
    """
    context.obj = config.parent
    if context.invoked_subcommand is not None:
        return
    with readable_errors():
        shelf = list(shelf_of(config.parent))
        _show(shelf)
        if pictures is not None:
            _draw(shelf, pictures)
    raise SystemExit(1 if any(it.profile is None for it in shelf) else 0)


@profiles_command.command("add")
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.pass_context
def add_command(context: click.Context, file: Path) -> None:
    """Copy the profile FILE into the studio.

    Refused, with the reason, is what is broken or describes no scanner, screen or printer.
    """
    with readable_errors():
        place, profile = add_profile(file, context.obj)
    say(f"{place}: {profile.description}")
    where = "[paper.NAME]" if profile.device_class == "prtr" else "[scanner]"
    say(f'To use it, write profile = "{place.parent.name}/{place.name}" in {where} of platemark.toml.')


def _show(shelf: list[OnShelf]) -> None:
    table = table_of("profile", "name", "for", "colours", "ICC", "reads by", "prints by", "white L* a* b*", "black L*")
    for it in shelf:
        file = escape(printable(it.place.name)) if it.place else "(built in)"
        if it.profile is None:
            continue
        facts = facts_of(it.profile)
        table.add_row(
            file, escape(printable(facts.name)), facts.kind, facts.space, facts.version, ", ".join(facts.intents),
            ", ".join(facts.prints) or "nothing", " ".join(f"{v:g}" for v in facts.media_white), f"{facts.black[0]:g}",
        )  # fmt: skip
    console.print(table)
    for it in shelf:
        if it.profile is None and it.place is not None:
            say(f"{it.place.name} cannot be used: {it.why}")
    say("White: the paper a printer's profile was measured on; of others it is 100 by definition.")


def _draw(shelf: list[OnShelf], folder: Path) -> None:
    make_folder(folder, remedy="name another with --pictures")
    for it in shelf:
        if it.profile is not None and it.profile.colour_space != "GRAY":
            name = it.place.stem if it.place else it.profile.description.split(" (")[0].lower().replace(" ", "-")
            write_whole(folder / f"{name}.gamut.png", gamut_picture(it.profile), step="gamut", replace=True)
    say(f"Gamut pictures: {folder}")

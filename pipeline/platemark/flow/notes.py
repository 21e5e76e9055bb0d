"""Putting a scan aside: it lies in `held/` with its ticket and a note that says why, and what to do."""

import itertools
from pathlib import Path

import tomli_w

from platemark.flow.leaving import GUESS, NOTE, drop_company, guess_path, is_inside, note_path
from platemark.flow.studio import Studio, ticket_path
from platemark.records import store
from platemark.records.disk import errors_named
from platemark.records.names import name_key, numbered, shown

Reason = tuple[str, str, str]
"""The print or "" for all, why, and what to do."""


def put_aside(
    studio: Studio, scan: Path, reasons: list[Reason], archived: Path | None = None, guess: bytes | None = None
) -> Path:
    """Move a scan and its ticket into `held/`, after the note that says why; returns where it lies.

    The note comes first, so that no scan is ever there without one. A scan that was prepared from another folder
    stays where it is, and gets no note: who named it is told at once.

    Raises:
        StoreError: the disk refuses; the scan is where it was.
    """
    moves = is_inside(scan, studio.scans) and store.is_plain_file(scan)
    if not moves and not is_inside(scan, studio.held):
        return scan
    place = _place_for(scan, studio.held) if moves else scan
    back = scan.parent if moves else studio.scans
    note = note_path(studio.held / place.name)
    store.write_whole(note, _held_note(place, back, reasons, archived), step="held", replace=True)
    if guess is not None:
        store.write_whole(guess_path(studio.held / place.name), guess, step="guess", replace=True)
    if moves:
        ticket = ticket_path(scan)
        if store.is_file(ticket):
            store.keep_copy(ticket, ticket_path(place))
        store.move(scan, place)
        drop_company(scan)
    return place


def _place_for(scan: Path, held: Path) -> Path:
    """A name whose ticket and note are free too, or where the scan and its ticket lie already: a crash came between."""
    ticket = ticket_path(scan)
    with errors_named(held, "listed"):
        scans = [path for path in held.iterdir() if not path.name.endswith((NOTE, GUESS))]
        others = [path for path in scans if not store.same_content(ticket, path)]
        taken = {name_key(path.stem) for path in others}
        places = (numbered(held / scan.name, number) for number in itertools.count(1))
        return next(place for place in places if name_key(place.stem) not in taken or store.same_content(scan, place))


def _held_note(place: Path, back: Path, reasons: list[Reason], archived: Path | None) -> bytes:
    """The text of the note.

    Args:
        place: where the scan lies now.
        back: the folder it came from.
        reasons: one for each print, or one for all.
        archived: the copy in the archive, if there is one.
    """
    lines = [
        f"# {shown(place.name)} waits for you. What to do stands under remedy; then move the scan",
        "# (and its ticket) back into the folder it came from. Prints that are ready are not made twice.",
    ]
    table: dict[str, object] = {"scan": shown(str(place)), "came_from": shown(str(back))}
    if archived:
        table["archived"] = shown(str(archived))
    table["held"] = [
        {"print": name or "all", "reason": shown(reason), "remedy": shown(remedy)} for name, reason, remedy in reasons
    ]
    return ("\n".join(lines) + "\n\n" + tomli_w.dumps(table)).encode()

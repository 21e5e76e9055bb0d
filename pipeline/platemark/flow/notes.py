"""Putting a scan aside: it lies in `held/` with its ticket and a note that says why, and what to do."""

import itertools
from collections.abc import Mapping, Sequence
from pathlib import Path

import tomli_w

from platemark.flow.leaving import GUESS, NOTE, drop_company, guess_path, is_inside, note_path
from platemark.flow.studio import Studio, ticket_path
from platemark.flow.taking_away import take_away
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
        drop_company(studio, scan)
    return place


def put_aside_together(
    studio: Studio,
    scan: Path,
    files: Sequence[Path],
    reasons: list[Reason],
    archived: Path | None = None,
    guess: bytes | None = None,
) -> Path:
    """Move the scans of a set into `held/`, with one ticket and one note, named as the set is; see `put_aside`.

    All of them lie there before the first leaves.

    Raises:
        StoreError: the disk refuses; they are where they were.
    """
    moves = is_inside(scan, studio.scans) and all(store.is_plain_file(file) for file in files)
    if not moves and not is_inside(scan, studio.held):
        return scan
    places = _places_for(scan, files, studio.held) if moves else dict(zip(files, files, strict=True))
    place = _named_as(scan, files, places)
    back = scan.parent if moves else studio.scans
    note = note_path(studio.held / place.name)
    text = _held_note(place, back, reasons, archived, list(places.values()))
    store.write_whole(note, text, step="held", replace=True)
    if guess is not None:
        store.write_whole(guess_path(studio.held / place.name), guess, step="guess", replace=True)
    if moves:
        tickets = {ticket_path(scan): ticket_path(place), **{ticket_path(a): ticket_path(b) for a, b in places.items()}}
        for ticket, copy in tickets.items():
            if store.is_file(ticket):
                store.keep_copy(ticket, copy)
        for file, there in places.items():
            store.name_again(file, there)
        take_away(studio, {file: store.sha256_of(there) for file, there in places.items()})
        for path in (scan, *files):
            drop_company(studio, path)
    return place


def tell_waiting(studio: Studio, scan: Path, files: Sequence[Path], reason: str, remedy: str) -> None:
    """A note in `held/` about scans that stay where they are: the others of their set are missing.

    Raises:
        StoreError: the disk refuses.
    """
    lines = [f"# {shown(scan.stem)} waits. As soon as what is missing lies beside the others, it goes on by itself."]
    table = {"waiting": [shown(str(file)) for file in files], "held": [_entry(("", reason, remedy))]}
    text = ("\n".join(lines) + "\n\n" + tomli_w.dumps(table)).encode()
    store.write_whole(note_path(studio.held / scan.name), text, step="held", replace=True)


def _places_for(scan: Path, files: Sequence[Path], held: Path) -> dict[Path, Path]:
    """Names in `held/` for a whole set: its own, or with one number for all, so that they still belong together."""
    with errors_named(held, "listed"):
        taken = {name_key(path.stem): path for path in held.iterdir() if not path.name.endswith((NOTE, GUESS))}
    for number in itertools.count(1):
        name = scan.stem if number == 1 else f"{scan.stem}-{number}"
        # Each name of a set begins with the name of the set.
        places = {file: held / f"{name}{file.name[len(scan.stem) :]}" for file in files}
        beside = {name_key(name)} | {name_key(place.stem) for place in places.values()}
        ours = [ticket_path(scan), *files, *map(ticket_path, files)]
        if all(any(store.same_content(one, taken[key]) for one in ours) for key in beside & taken.keys()):
            return places
    raise AssertionError("numbers do not end")


def _named_as(scan: Path, files: Sequence[Path], places: Mapping[Path, Path]) -> Path:
    """What the set is called where it lies now."""
    first = places[files[0]]
    return first.with_name(f"{first.name[: len(first.name) - len(files[0].name) + len(scan.stem)]}{first.suffix}")


def _place_for(scan: Path, held: Path) -> Path:
    """A name whose ticket and note are free too, or where the scan and its ticket lie already: a crash came between."""
    ticket = ticket_path(scan)
    with errors_named(held, "listed"):
        scans = [path for path in held.iterdir() if not path.name.endswith((NOTE, GUESS))]
        others = [path for path in scans if not store.same_content(ticket, path)]
        taken = {name_key(path.stem) for path in others}
        places = (numbered(held / scan.name, number) for number in itertools.count(1))
        return next(place for place in places if name_key(place.stem) not in taken or store.same_content(scan, place))


def _held_note(
    place: Path, back: Path, reasons: list[Reason], archived: Path | None, scans: Sequence[Path] = ()
) -> bytes:
    """The text of the note.

    Args:
        place: where the scan lies now.
        back: the folder it came from.
        reasons: one for each print, or one for all.
        archived: the copy in the archive, if there is one.
        scans: where each scan of a set lies now.
    """
    lines = [
        f"# {shown(place.name)} waits for you. What to do stands under remedy; then move the scan",
        "# (and its ticket) back into the folder it came from. Prints that are ready are not made twice.",
    ]
    if scans:
        lines.append("# It is several scans: they belong together, so move all of them.")
    lies: dict[str, object] = {"scans": [shown(str(one)) for one in scans]} if scans else {"scan": shown(str(place))}
    table: dict[str, object] = {**lies, "came_from": shown(str(back))}
    if archived:
        table["archived"] = shown(str(archived))
    table["held"] = [_entry(reason) for reason in reasons]
    return ("\n".join(lines) + "\n\n" + tomli_w.dumps(table)).encode()


def _entry(told: Reason) -> dict[str, str]:
    name, reason, remedy = told
    return {"print": name or "all", "reason": shown(reason), "remedy": shown(remedy)}

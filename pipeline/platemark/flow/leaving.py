"""Leaving: a scan that is done goes out of `scans/`, and its ticket with it; clearing up after a crash."""

import os
from collections.abc import Sequence
from pathlib import Path

import structlog

from platemark.flow.grouping import names_of
from platemark.flow.inbox import is_candidate
from platemark.flow.studio import Studio, ticket_path
from platemark.flow.taking_away import finish_leaving, take_away
from platemark.records import store
from platemark.records.disk import errors_named
from platemark.records.making import WHEELS
from platemark.records.names import name_key, readable_stem, shown
from platemark.records.store import Kept

log = structlog.get_logger("platemark")

NOTE = ".held.toml"
GUESS = ".held.jpg"


def leave(studio: Studio, scan: Path, kept: Kept) -> None:
    """Take a scan out of `scans/` or `held/`, once its copy was read back, and keep its ticket beside that copy.

    A scan that was prepared from another folder stays there.

    Raises:
        StoreError: the disk refuses; what is there is whole, and the next try finishes it.
    """
    if not _ours_and_ticket_kept(studio, scan, kept):
        return
    # The scan goes first: without its ticket it would be another print, with other words on it.
    store.remove(scan, step="inbox.clear")
    drop_company(studio, scan)
    drop_note(studio, scan)


def leave_together(studio: Studio, scan: Path, files: Sequence[Path], kept: Kept) -> None:
    """Take a set out of `scans/` or `held/`, once all copies were read back; its ticket stays beside the first copy.

    Raises:
        StoreError: the disk refuses; what is there is whole, and the next try finishes it.
    """
    if not _ours_and_ticket_kept(studio, scan, kept):
        return
    take_away(studio, dict(zip(files, kept.hashes, strict=True)))
    for path in (scan, *files):
        drop_company(studio, path)
    drop_note(studio, scan)


def _ours_and_ticket_kept(studio: Studio, scan: Path, kept: Kept) -> bool:
    """Keep the ticket beside the first copy; False where the scan was prepared from another folder, and stays there."""
    if not any(is_inside(scan, folder) for folder in (studio.scans, studio.held)):
        return False
    ticket = ticket_path(scan)
    if store.is_file(ticket):
        store.keep_copy(ticket, kept.path.with_suffix(".toml"))
    return True


def drop_note(studio: Studio, scan: Path) -> None:
    """Take an old note of this scan out of `held/`, where no scan lies there to which it belongs.

    Raises:
        StoreError: it cannot be taken away.
    """
    old = [path(studio.held / scan.name) for path in (note_path, guess_path)]
    with errors_named(studio.held, "looked into"):
        studio.held.stat()
    # Looked for by name first: a long list of what is held is not gone through for every scan.
    if any(map(os.path.lexists, old)) and not _has_scan(studio, studio.held, scan.stem):
        for path in old:
            store.remove(path, step="note.clear")


def drop_company(studio: Studio, scan: Path) -> None:
    """Take away what lay beside a scan that is gone: its ticket, kept elsewhere by now, and an old note.

    Raises:
        StoreError: it cannot be taken away.
    """
    for path in (ticket_path(scan), note_path(scan), guess_path(scan)):
        if store.is_file(path) and not any(_has_scan(studio, scan.parent, stem) for stem in (scan.stem, path.stem)):
            store.remove(path, step="ticket.clear")


def clear_up(studio: Studio) -> None:
    """Finish what a crash left: sets of which some are gone, our temporary files, and tickets whose scan is done.

    To be called by who holds the studio, see `sole_worker`; else another's work is swept away.
    """
    finish_leaving(studio)
    archive = studio.originals
    for folder in (
        studio.scans,
        studio.ready,
        studio.held,
        archive,
        *(archive / name for name in ("profiles", "stages", WHEELS)),
    ):
        store.clear_temporary(folder)
    for ticket in [*studio.scans.glob("*.toml"), *studio.scans.glob("*/*.toml")]:
        if (
            store.is_plain_file(ticket)
            and not _has_scan(studio, ticket.parent, ticket.stem)
            and _is_kept(studio, ticket)
        ):
            log.info("the scan of this ticket was done before; cleared away", ticket=shown(ticket.name))
            store.remove(ticket, step="ticket.clear")


def is_inside(path: Path, folder: Path) -> bool:
    """True when a path lies in a folder or below it, links followed."""
    return path.resolve().is_relative_to(folder.resolve())


def note_path(scan: Path) -> Path:
    """`heron.held.toml` for `heron.tif`."""
    return scan.with_name(f"{readable_stem(scan.stem)}{NOTE}")


def guess_path(scan: Path) -> Path:
    """`heron.held.jpg` for `heron.tif`: the best guess, drawn."""
    return scan.with_name(f"{readable_stem(scan.stem)}{GUESS}")


def _has_scan(studio: Studio, folder: Path, stem: str) -> bool:
    """True when a scan of this name, or one of a set of this name, lies here."""
    key = name_key(stem)
    with errors_named(folder, "listed"):
        return any(is_candidate(path.name) and key in names_of(path.stem, studio.plugins) for path in folder.iterdir())


def _is_kept(studio: Studio, ticket: Path) -> bool:
    """True when the very same ticket lies with its scan, in the archive or among the held."""
    stem = readable_stem(ticket.stem)
    tickets = [*studio.originals.glob("*.toml"), *studio.held.glob("*.toml")]
    return any(path.name.startswith(stem) and store.same_content(ticket, path) for path in tickets)

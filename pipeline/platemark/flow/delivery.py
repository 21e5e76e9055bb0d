"""Delivery: one scan to all its prints, durably.

Original into the archive, export under a temporary name and renamed, manifest last: the manifest
is the commit point. Only then does the scan leave its folder. After a crash at any point the next
start finishes what is missing and repeats nothing.
"""

import os
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import structlog

from platemark.config.ticket import Ticket
from platemark.contract.job import Job
from platemark.errors import ConfigError, Held
from platemark.flow.chain import Made, Shared, Step, run_chain
from platemark.flow.intake import Incomplete, Opening, decode_to_the_end, examine, open_picture
from platemark.flow.jobs import job_for
from platemark.flow.notes import held_note
from platemark.flow.placing import Place, find_place, publish
from platemark.flow.recording import manifest_for
from platemark.flow.studio import Studio, recipe_of, ticket_path
from platemark.flow.telling import tell
from platemark.pixels.picture import Picture
from platemark.records import store
from platemark.records.failpoint import reach
from platemark.records.manifest import write_manifest

log = structlog.get_logger("platemark")

Progress = Callable[[str, str], None]
"""Told the print and the stage that starts."""


def _silent(_print: str, _stage: str) -> None:
    """Progress that nobody watches."""


@dataclass(frozen=True)
class Outcome:
    """What became of one print of a scan.

    Attributes:
        scan: the scan's name.
        print_name: the print, or "" when the whole scan was held.
        status: "ready"; "known" when it had been made before; "held".
        export: the finished file.
        reason: why it is held.
        remedy: what to do about it.
        warnings: what to look at.
    """

    scan: str
    print_name: str
    status: Literal["ready", "known", "held"]
    export: Path | None = None
    reason: str = ""
    remedy: str = ""
    warnings: tuple[str, ...] = ()


@dataclass
class Delivery:
    """A scan on its way through a studio."""

    studio: Studio
    scan: Path
    progress: Progress = _silent
    outcomes: list[Outcome] = field(default_factory=list)

    def run(self) -> list[Outcome]:
        """Make all prints of the scan and put it where it belongs.

        Raises:
            Incomplete: the scan is not whole (yet); nothing was done.
            StoreError: the disk refuses; the scan is where it was.
        """
        try:
            ticket = self.studio.ticket_for(self.scan)
            prints = _prints_wanted(self.studio, self.scan, ticket)
            opening, kept, picture = self._take(ticket)
        except Incomplete:
            raise
        except Held as held:
            return self._hold_all(held.reason, held.remedy)
        except ConfigError as fault:
            return self._hold_all(str(fault), "put the ticket right, then drop both in again")
        shared: Shared = {}
        for name in prints:
            self.outcomes.append(self._one_print(name, ticket, opening, kept, picture, shared))
        self._clear(kept)
        return self.outcomes

    def _take(self, ticket: Ticket) -> tuple[Opening, store.Kept, Picture]:
        """Read the scan to its end and archive it; from then on pixels come from the archive only."""
        before = _stamp(self.scan)
        reach("decode")
        opening = examine(self.scan, self.studio.config.scanner, ticket.ppi)
        whole = decode_to_the_end(self.scan, opening)
        reach("archive.write")
        kept = store.keep_original(self.scan, self.studio.originals)
        if _stamp(self.scan) != before:
            raise Incomplete(f"{self.scan.name} changed while it was read", remedy="it is taken when it stands still")
        archived = open_picture(kept.path, opening)
        archived.facts.update(whole.facts)
        return opening, kept, archived

    def _one_print(
        self, name: str, ticket: Ticket, opening: Opening, kept: store.Kept, picture: Picture, shared: Shared
    ) -> Outcome:
        steps = self.studio.steps(name, ticket)
        place = find_place(self.studio.ready, kept, name, recipe_of(self.studio, name, ticket, steps))
        if place.done:
            log.info("made before", scan=self.scan.name, print=name, export=place.export(".jpg").name)
            return Outcome(self.scan.name, name, "known", place.export(".jpg"))
        job = job_for(self.studio, name, kept, ticket)
        if opening.profile_from not in {"file", "config"}:
            job.notice("profile", opening.profile_from)
        try:
            made = run_chain(picture, steps, job, shared, lambda stage: self.progress(name, stage))
        except Held as held:
            log.warning("held", scan=self.scan.name, print=name, reason=held.reason, remedy=held.remedy)
            return Outcome(self.scan.name, name, "held", reason=held.reason, remedy=held.remedy)
        return self._deliver(place, opening, kept, job, made, steps)

    def _deliver(
        self,
        place: Place,
        opening: Opening,
        kept: store.Kept,
        job: Job,
        made: Made,
        steps: list[Step],
    ) -> Outcome:
        _archive_what_it_needs(self.studio, opening, job, steps)
        place = place.clear_for(made.data, made.suffix)
        manifest = manifest_for(self.studio, place, opening, kept, job, made)
        export = publish(place, made, write_manifest(manifest))
        log.info("ready", scan=self.scan.name, print=job.print_name, export=export.name, bytes=len(made.data))
        for warning in manifest.warnings:
            log.warning(warning, scan=self.scan.name, print=job.print_name)
        tell(self.studio.plugins, "platemark_delivered", export=export, manifest=place.manifest)
        return Outcome(self.scan.name, job.print_name, "ready", export, warnings=tuple(manifest.warnings))

    def _clear(self, kept: store.Kept) -> None:
        """The scan leaves its folder: nothing is deleted before its copy was read back."""
        held = [outcome for outcome in self.outcomes if outcome.status == "held"]
        if held:
            reasons = [(outcome.print_name, outcome.reason, outcome.remedy) for outcome in held]
            self._put_aside(reasons, archived=kept.path)
            return
        reach("inbox.clear")
        if not _is_inside(self.scan, self.studio.scans):
            return  # prepared from somewhere else: her file stays where she keeps it
        if store.sha256_of(self.scan) != kept.sha256:
            return  # another scan took its name meanwhile; it gets its own turn
        _archive_ticket(ticket_path(self.scan), kept)
        self.scan.unlink()
        reach("done")

    def _hold_all(self, reason: str, remedy: str) -> list[Outcome]:
        log.warning("held", scan=self.scan.name, reason=reason, remedy=remedy)
        self._put_aside([("", reason, remedy)])
        self.outcomes = [Outcome(self.scan.name, "", "held", reason=reason, remedy=remedy)]
        return self.outcomes

    def _put_aside(self, reasons: list[tuple[str, str, str]], archived: Path | None = None) -> None:
        place = put_aside(self.studio, self.scan, reasons, archived)
        for _print, reason, _remedy in reasons:
            tell(self.studio.plugins, "platemark_held", scan=place, reason=reason)


def deliver(studio: Studio, scan: Path, progress: Progress = _silent) -> list[Outcome]:
    """Make all prints of one scan, or hold what cannot be made; see `Delivery.run`."""
    return Delivery(studio, scan, progress).run()


def hold(studio: Studio, scan: Path, held: Held) -> list[Outcome]:
    """Put a whole scan aside for a reason found before its delivery began."""
    return Delivery(studio, scan)._hold_all(held.reason, held.remedy)  # noqa: SLF001 - same module


def put_aside(
    studio: Studio, scan: Path, reasons: list[tuple[str, str, str]], archived: Path | None = None
) -> Path:
    """Move a scan and its ticket into `held/`, with the note that says why; returns where it lies.

    A scan that was prepared from another folder stays there; only the note is written.
    """
    place = scan
    if _is_inside(scan, studio.scans):
        ticket = ticket_path(scan)
        place = store.move(scan, studio.held / scan.name)
        if ticket.is_file():
            store.move(ticket, studio.held / ticket.name)
    note = studio.held / f"{place.stem}.held.toml"
    store.write_whole(note, held_note(place, reasons, archived), step="held", replace=True)
    return place


def _prints_wanted(studio: Studio, scan: Path, ticket: Ticket) -> list[str]:
    """All prints, those of the ticket, or the one whose folder the scan lies in."""
    every = list(studio.config.print)
    folder = scan.parent.name
    if scan.parent != studio.scans and _is_inside(scan, studio.scans):
        if folder not in every:
            raise Held(
                f"{scan.name} lies in the folder {folder}, and no print has that name",
                remedy=f"drop it into scans/ itself, or into a folder named {' or '.join(every)}",
            )
        return [folder]
    return list(ticket.prints) if ticket.prints is not None else every


def _archive_what_it_needs(studio: Studio, opening: Opening, job: Job, steps: list[Step]) -> None:
    """Profiles and the sources of the artist's own stages, by content, beside the originals."""
    profiles = [opening.profile] + ([job.paper.profile] if job.paper.profile else [])
    for profile in profiles:
        store.keep_by_content(profile.data, studio.originals / "profiles", ".icc")
    for step in steps:
        if step.found.source:
            store.keep_by_content(step.found.source.read_bytes(), studio.originals / "stages", ".py")


def _archive_ticket(ticket: Path, kept: store.Kept) -> None:
    if ticket.is_file():
        store.move(ticket, kept.path.with_suffix(".toml"))


def _stamp(path: Path) -> tuple[int, int, int]:
    try:
        facts = os.stat(path, follow_symlinks=False)
    except OSError as fault:
        raise Incomplete(f"{path.name} is gone ({fault.strerror})", remedy="drop it in again") from fault
    return facts.st_size, facts.st_mtime_ns, facts.st_ino


def _is_inside(path: Path, folder: Path) -> bool:
    return path.resolve().is_relative_to(folder.resolve())

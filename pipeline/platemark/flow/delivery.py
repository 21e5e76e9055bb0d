"""Delivery: one scan to all its prints, durably.

Original into the archive, export under a temporary name and renamed, manifest last: the manifest
is the commit point. Only then does the scan leave its folder. After a crash at any point the next
start finishes what is missing and repeats nothing.
"""

import contextlib
import hashlib
import stat
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import structlog

from platemark.config.ticket import Ticket
from platemark.contract.job import Job
from platemark.errors import ConfigError, Held, StoreError
from platemark.flow.chain import Applied, Made, Step, run_chain
from platemark.flow.checking import Trace, first_unlike
from platemark.flow.converter import tell_the_way
from platemark.flow.dividing import Piece, best_guess, find, may_be_divided, pieces_of
from platemark.flow.intake import Incomplete, Opening, decode_to_the_end, examine, open_picture
from platemark.flow.jobs import job_for
from platemark.flow.leaving import is_inside, leave
from platemark.flow.notes import Reason, put_aside
from platemark.flow.placing import Place, find_place, publish
from platemark.flow.reasons import is_from_the_keyboard, why_held
from platemark.flow.recording import manifest_for
from platemark.flow.studio import Studio, recipe_of
from platemark.flow.telling import tell
from platemark.pixels.picture import Picture
from platemark.pixels.profiles import Profile
from platemark.records import store
from platemark.records.failpoint import reach
from platemark.records.making import WHEELS, this_engine
from platemark.records.manifest import write_manifest
from platemark.records.names import shown

log = structlog.get_logger("platemark")

Progress = Callable[[str, str], None]
"""Told the print and the stage that starts."""


def _silent(_print: str, _stage: str) -> None:
    """Progress that nobody watches."""


def _unseen(_stage: str, _after: Picture) -> None:
    """What comes out of a stage, where nobody wants to see it."""


class Changing(Incomplete):
    """The file changed while it was read: it is still being written."""


@dataclass(frozen=True)
class Outcome:
    """What became of one print of a scan, in words that any terminal can show.

    Attributes:
        scan: the scan's name.
        print_name: the print, or "" when the whole scan was held.
        status: "ready"; "known" when it had been made before; "held"; "waiting" for others of its set.
        export: the finished file.
        reason: why it is held.
        remedy: what to do about it.
        warnings: what to look at.
        item: which item of the scan, where several lay on the bed; 0 for the only one.
    """

    scan: str
    print_name: str
    status: Literal["ready", "known", "held", "waiting"]
    export: Path | None = None
    reason: str = ""
    remedy: str = ""
    warnings: tuple[str, ...] = ()
    item: int = 0


@dataclass(frozen=True)
class Taken:
    """A scan that was read to its end and archived; from then on its pixels come from the archive only.

    Where several scans became one picture, `others` are the further ones, and `gathered` is how they became one.
    """

    ticket: Ticket
    opening: Opening
    kept: store.Kept
    picture: Picture
    others: tuple[Opening, ...] = ()
    gathered: Applied | None = None


@dataclass
class Delivery:
    """A scan on its way through a studio.

    `only` names the prints to make, whatever its ticket says. One that `stays` is neither moved nor put aside.
    """

    studio: Studio
    scan: Path
    progress: Progress = _silent
    only: tuple[str, ...] = ()
    stays: bool = False

    @property
    def files(self) -> tuple[Path, ...]:
        """The files that it is made from."""
        return (self.scan,)

    def run(self) -> list[Outcome]:
        """Make all prints of the scan and put it where it belongs.

        Raises:
            Incomplete: the scan is not whole (yet); nothing was done.
            StoreError: the disk refuses; the scan is where it was.
        """
        try:
            with _standing_still(self.files):
                ticket = self.studio.ticket_for(self.scan)
                prints = list(self.only) or _prints_wanted(self.studio, self.scan, ticket)
                chains = [self.studio.steps(name, ticket) for name in prints if not self.studio.lost_stages(name)]
                taken = self._take(ticket, chains)
            pieces = pieces_of(taken.picture, chains, self.studio.plugins)
        except (Incomplete, StoreError):
            raise
        except Exception as fault:  # noqa: BLE001 - one bad scan must not stop the next
            return self.hold(why_held(fault, self.scan))
        outcomes = [self._print_or_hold(name, taken, piece) for piece in pieces for name in prints]
        outcomes = _told_once(outcomes)
        if not self.stays:
            self._let_go(taken, [outcome for outcome in outcomes if outcome.status == "held"], chains)
        return outcomes

    def hold(self, held: Held) -> list[Outcome]:
        """Put it aside, as it is; see `hold`."""
        log.warning("held", scan=self.scan.name, reason=held.reason, remedy=held.remedy)
        if not self.stays:
            self._put_aside_and_tell([("", held.reason, held.remedy)])
        return [held_outcome(self.scan, held)]

    def _take(self, ticket: Ticket, chains: Sequence[Sequence[Step]]) -> Taken:
        def look(picture: Picture) -> None:
            if may_be_divided(chains):
                find(picture, self.studio.plugins)  # remembered; a fault comes again

        reach("decode")
        return Taken(ticket, *keep_and_open(self.studio, self.scan, ticket, meanwhile=look))

    def _print_or_hold(self, name: str, taken: Taken, piece: Piece) -> Outcome:
        try:
            return self._one_print(name, taken, piece)
        except StoreError:
            raise
        except Exception as fault:  # noqa: BLE001 - one bad print must not stop the next
            held = why_held(fault, self.scan)
        log.warning("held", scan=self.scan.name, print=name, reason=held.reason, remedy=held.remedy)
        return held_outcome(self.scan, held, name, piece.number)

    def _one_print(self, name: str, taken: Taken, piece: Piece) -> Outcome:
        steps = self.studio.steps(name, taken.ticket)
        work = taken.kept.numbered(piece.number)
        job = job_for(self.studio, name, work, taken.ticket)
        gathered = taken.gathered.step if taken.gathered else None
        recipe = recipe_of(self.studio, job, taken.ticket, steps, piece.number, gathered)
        place = find_place(self.studio.ready, work, name, recipe)
        if place.made:
            return self._known(place.made, name, piece.number)
        if taken.opening.profile_from not in {"file", "config"}:
            job.notice("profile", taken.opening.profile_from)
        if piece.number:
            job.notice("item", piece.number)
        if taken.others:
            job.notice("scans", 1 + len(taken.others))
        _archive_what_it_needs(self.studio, job, [*steps, *([gathered] if gathered else [])])
        try:
            made = self._made(piece, steps, job)
        except KeyboardInterrupt as fault:
            if is_from_the_keyboard():
                raise
            raise Held(f"the stage {job.stage} tried to end the program", remedy="mend the stage") from fault
        tell_the_way(made.profile, job, self.studio.config.printer)
        if taken.gathered:
            made = replace(made, applied=(taken.gathered, *made.applied))
        return self._publish(place, taken, job, made, piece.number)

    def _made(self, piece: Piece, steps: list[Step], job: Job) -> Made:
        """Run the chain; twice where the config wants to know whether it comes out the same again."""
        trace = Trace() if self.studio.config.work.check else None
        seen = trace.note if trace else _unseen
        made = run_chain(
            piece.picture, steps, job, piece.shared, lambda stage: self.progress(job.print_name, stage), seen
        )
        unlike = first_unlike(piece.picture, made, trace) if trace else ""
        if unlike:
            job.stage = unlike
            words = f"not reproducible: the stage {unlike} gives another thing each time from the same parameters"
            job.notice("not_reproducible", value=True, warning=words)
        return made

    def _known(self, made: Path, name: str, item: int) -> Outcome:
        log.info("made before from the same scan; not made again", scan=self.scan.name, export=made.name)
        return Outcome(_told(self.scan, item), name, "known", made, item=item)

    def _publish(self, place: Place, taken: Taken, job: Job, made: Made, item: int) -> Outcome:
        openings = (taken.opening, *taken.others)
        while True:
            place = place.clear_for(made)
            manifest = manifest_for(self.studio, place, openings, taken.kept, job, made, item)
            try:
                export = publish(place, made, write_manifest(manifest))
                break
            except FileExistsError:  # somebody took the name this moment
                again = find_place(self.studio.ready, taken.kept.numbered(item), job.print_name, place.recipe)
            if again.made:  # another worker, believed lost, was given this very scan before
                return self._known(again.made, job.print_name, item)
        log.info("ready", scan=self.scan.name, print=job.print_name, export=export.name, bytes=len(made.data))
        for notice in job.notices:
            if notice.warning:
                log.warning(notice.warning, scan=self.scan.name, print=job.print_name, stage=notice.stage)
        tell(self.studio.plugins, "platemark_delivered", export=export, manifest=place.manifest)
        return Outcome(
            _told(self.scan, item), job.print_name, "ready", export, warnings=tuple(manifest.warnings), item=item
        )

    def _let_go(self, taken: Taken, held: list[Outcome], chains: list[list[Step]]) -> None:
        """The scan leaves its folder: nothing is deleted before its copy was read back."""
        if not self._is_still(taken):
            return  # gone; or another scan or ticket took the name meanwhile, and gets its own turn
        if held:
            reasons = [(_print_told(outcome), outcome.reason, outcome.remedy) for outcome in held]
            guess = best_guess(taken.picture, chains, self.studio.plugins)
            self._put_aside_and_tell(reasons, taken.kept.path, guess)
        else:
            self._leave(taken)
        reach("done")

    def _leave(self, taken: Taken) -> None:
        leave(self.studio, self.scan, taken.kept)

    def _put_aside(self, reasons: list[Reason], archived: Path | None = None, guess: bytes | None = None) -> Path:
        return put_aside(self.studio, self.scan, reasons, archived, guess)

    def _put_aside_and_tell(
        self, reasons: list[Reason], archived: Path | None = None, guess: bytes | None = None
    ) -> None:
        place = self._put_aside(reasons, archived, guess)
        for _print, reason, _remedy in reasons:
            tell(self.studio.plugins, "platemark_held", scan=place, reason=reason)

    def _is_still(self, taken: Taken) -> bool:
        """True when scan and ticket are what the prints were made from; a scan that stays is not read once more."""
        leaves = any(is_inside(self.scan, folder) for folder in (self.studio.scans, self.studio.held))
        try:
            same_scans = not leaves or [store.sha256_of(file) for file in self.files] == taken.kept.hashes
            return same_scans and self.studio.ticket_for(self.scan) == taken.ticket
        except (OSError, ConfigError):
            return False


def keep_and_open(
    studio: Studio, scan: Path, ticket: Ticket, meanwhile: Callable[[Picture], None] = lambda _picture: None
) -> tuple[Opening, store.Kept, Picture]:
    """Read a scan to its end while it is copied into the archive, and open that copy; profile and platemark go along.

    Args:
        studio: where to.
        scan: the file.
        ticket: what the artist knows about it.
        meanwhile: done with the scan, once it is read, while the copy is checked; what it remembers is kept.

    Raises:
        Incomplete: it is not whole; nothing is archived.
        Held: a person must decide how to open it.
        StoreError: the archive cannot be written.
    """
    opening = examine(scan, studio.config.scanner, ticket.ppi)
    sheet_mm = studio.sheet_mm(ticket)
    # Copying waits for the disk, the rest for the processor. A copy of what does not decode is never published.
    with ThreadPoolExecutor(1) as beside:
        decoding = beside.submit(decode_to_the_end, scan, opening)
        beside.submit(lambda: meanwhile(replace(decoding.result(), sheet_mm=sheet_mm)))
        kept = store.keep_original(scan, studio.originals, when=decoding.result)
        for wheel in this_engine().wheels:  # years later it is there, whoever offers platemark then
            store.keep_by_content(wheel, studio.originals / WHEELS, ".whl")
        _keep_profile(studio, opening.profile)
    archived = replace(open_picture(kept.path, opening), sheet_mm=sheet_mm)
    archived.facts.update(decoding.result().facts)
    return opening, kept, archived


def deliver(studio: Studio, scan: Path, progress: Progress = _silent) -> list[Outcome]:
    """Make all prints of one scan, or hold what cannot be made; see `Delivery.run`."""
    return Delivery(studio, scan, progress).run()


def hold(studio: Studio, scan: Path, held: Held) -> list[Outcome]:
    """Put a whole scan aside.

    Raises:
        StoreError: the disk refuses; the scan is where it was.
    """
    return Delivery(studio, scan).hold(held)


def _told_once(outcomes: list[Outcome]) -> list[Outcome]:
    """Where every print is held for one reason, such as a sheet that was not found, it is told once for the scan."""
    alike = {replace(outcome, print_name="") for outcome in outcomes}
    return list(alike) if len(outcomes) > 1 and len(alike) == 1 and outcomes[0].status == "held" else outcomes


def held_outcome(scan: Path, held: Held, print_name: str = "", item: int = 0) -> Outcome:
    """The outcome of a scan that no print was made of, or of one of its prints."""
    return Outcome(
        _told(scan, item), print_name, "held", reason=shown(held.reason), remedy=shown(held.remedy), item=item
    )


def _print_told(outcome: Outcome) -> str:
    """The print, and of which item of the scan."""
    return f"{outcome.print_name or 'all'} of item {outcome.item}" if outcome.item else outcome.print_name


def _told(scan: Path, item: int) -> str:
    """The scan's name, and which item of it."""
    return f"{shown(scan.name)}, item {item}" if item else shown(scan.name)


def _prints_wanted(studio: Studio, scan: Path, ticket: Ticket) -> list[str]:
    """All prints, those of the ticket, or the one whose folder the scan lies in."""
    every = list(studio.config.print)
    if is_inside(scan, studio.scans):
        folder = "/".join(scan.resolve().parent.relative_to(studio.scans.resolve()).parts)
        if folder.lower() in every:
            return [folder.lower()]
        if folder:
            raise Held(
                f"{scan.name} lies in the folder {folder}, and no print has that name",
                remedy=f"drop it into scans/ itself, or into a folder named {' or '.join(every)}",
            )
    return list(ticket.prints) if ticket.prints is not None else every


def _keep_profile(studio: Studio, profile: Profile) -> None:
    store.keep_by_content(profile.data, studio.originals / "profiles", ".icc")


def _archive_what_it_needs(studio: Studio, job: Job, steps: list[Step]) -> None:
    """The paper's profile and the sources of the artist's own stages, by content, beside the originals."""
    if job.paper.profile:
        _keep_profile(studio, job.paper.profile)
    for step in steps:
        if step.found.source:
            data = step.found.source.read_bytes()
            if hashlib.sha256(data).hexdigest() != step.found.code_sha256:
                raise Held(
                    f"the stage file {step.found.source.name} was changed after the start",
                    remedy="start platemark again, so that the stage is loaded as it is now",
                )
            store.keep_by_content(data, studio.originals / "stages", ".py")


@contextlib.contextmanager
def _standing_still(files: Sequence[Path]) -> Iterator[None]:
    """Whatever was found in files that changed meanwhile, good or bad, does not count.

    Raises:
        Changing: it changed.
        Incomplete: it is gone, or no file.
    """
    before = {file: _stamp(file) for file in files}
    try:
        yield
    except Exception:
        if all(_stamp(file) == stamp for file, stamp in before.items()):
            raise
    changed = next((file for file, stamp in before.items() if _stamp(file) != stamp), None)
    if changed:
        raise Changing(f"{changed.name} changed while it was read", remedy="it is taken when it stands still")


def _stamp(path: Path) -> tuple[int, int, int]:
    try:
        facts = path.stat()
    except OSError as fault:
        raise Incomplete(f"{path.name} is gone ({fault.strerror})", remedy="drop it in again") from fault
    if not stat.S_ISREG(facts.st_mode):
        raise Incomplete(f"{path.name} is no file", remedy="drop in a TIFF, PNG or JPEG")
    return facts.st_size, facts.st_mtime_ns, facts.st_ino

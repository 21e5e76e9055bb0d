"""Delivery of a set: several scans are taken, become one picture, and go on as one scan does.

All of them are archived; none leaves its folder before every print is made, and what stops one holds all.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from platemark.config.ticket import Ticket
from platemark.contract.stage import Parameters
from platemark.errors import Held
from platemark.flow.chain import Applied, Step, stage_named, unusable
from platemark.flow.delivery import Delivery, Outcome, Progress, Taken, deliver, hold, keep_and_open
from platemark.flow.grouping import Bundle, gathering
from platemark.flow.intake import Incomplete, Opening
from platemark.flow.leaving import leave_together
from platemark.flow.notes import Reason, put_aside_together
from platemark.flow.studio import Studio, gathering_step, ticket_path
from platemark.pixels.picture import Picture
from platemark.records import store
from platemark.records.failpoint import reach
from platemark.records.names import readable_stem, shown
from platemark.records.store import Kept


class UnfinishedPart(Incomplete):
    """One scan of a set is not whole (yet)."""

    def __init__(self, fault: Incomplete, file: Path) -> None:
        """Tell which.

        Args:
            fault: what is wrong with it.
            file: the scan.
        """
        super().__init__(fault.reason, remedy=fault.remedy)
        self.file = file


def deliver_any(studio: Studio, work: Path | Bundle, progress: Progress = lambda _print, _stage: None) -> list[Outcome]:
    """Make all prints of a scan or a set; see `Delivery.run`."""
    if isinstance(work, Path):
        return deliver(studio, work, progress)
    if work.trouble:
        return hold_any(studio, work, work.trouble)
    return SetDelivery(studio, work.scan, progress, bundle=work).run()


def hold_any(studio: Studio, work: Path | Bundle, held: Held) -> list[Outcome]:
    """Put a scan or a whole set aside; see `hold`."""
    if isinstance(work, Path):
        return hold(studio, work, held)
    return SetDelivery(studio, work.scan, bundle=work).hold(held)


def files_of(work: Path | Bundle) -> tuple[Path, ...]:
    """The files of a scan or a set."""
    return (work,) if isinstance(work, Path) else work.files


def gather(step: Step, pictures: Sequence[Picture]) -> tuple[Picture, Applied]:
    """One picture of several, and what was decided for it.

    Raises:
        Held: they cannot be one, or the stage failed; names it.
    """
    profiles = {picture.profile.sha256 for picture in pictures}
    if len(profiles) > 1:
        raise Held(
            "the scans of one set have different colour profiles", remedy="scan all of them with the same settings"
        )
    with stage_named(step, remedy="see platemark.log; mend the stage, then drop all scans in again"):
        parameters = _decided(step, pictures)
        picture = gathering(step.found).apply_all(pictures, parameters)
    return picture, Applied(step, parameters, pictures[0].size, picture.size)


def _decided(step: Step, pictures: Sequence[Picture]) -> Parameters:
    """Measure; what the artist wrote in the ticket stands above what was measured."""
    stage, given = gathering(step.found), dict(step.correction)
    model = stage.parameters_model
    wrong = given.keys() - model.model_fields.keys()
    whole = given.keys() >= model.model_fields.keys()
    measured: Mapping[str, Any] = {}
    if not wrong and not whole:
        measured = stage.measure_all(pictures, step.settings, given).model_dump()
    try:
        return model.model_validate({**measured, **given})
    except ValidationError as fault:
        raise unusable(fault, step, model) from fault


@dataclass
class SetDelivery(Delivery):
    """A set on its way through a studio; `scan` is what it is called."""

    bundle: Bundle | None = None

    @property
    def files(self) -> tuple[Path, ...]:
        """All its scans."""
        assert self.bundle is not None  # noqa: S101 - what makes one gives it one
        return self.bundle.files

    def _take(self, ticket: Ticket, chains: Sequence[Sequence[Step]]) -> Taken:  # noqa: ARG002 - the sheet is looked for on the whole
        assert self.bundle is not None  # noqa: S101
        self._check_tickets()
        reach("decode")
        scans = [self._take_one(file, ticket) for file in self.files]
        self.progress("", self.bundle.stage.kind.name)
        step = gathering_step(self.studio, self.bundle.stage, ticket)
        picture, applied = gather(step, [picture for _, _, picture in scans])
        picture = replace(picture, sheet_mm=self.studio.sheet_mm(ticket))
        opening, kept, _ = scans[0]
        named = replace(
            kept, stem=self._stem(), first_stem=self._stem(), others=tuple(other for _, other, _ in scans[1:])
        )
        return Taken(ticket, opening, named, picture, tuple(other for other, _, _ in scans[1:]), applied)

    def _take_one(self, file: Path, ticket: Ticket) -> tuple[Opening, Kept, Picture]:
        try:
            taken = keep_and_open(self.studio, file, ticket)
        except Incomplete as fault:
            raise UnfinishedPart(fault, file) from fault
        reach("archived.part")
        return taken

    def _check_tickets(self) -> None:
        """A set has one ticket, under its own name.

        Raises:
            Held: a scan of it has one.
        """
        for file in self.files:
            ticket = ticket_path(file)
            if file.stem != self.scan.stem and store.is_file(ticket):
                raise Held(
                    f"{shown(ticket.name)} is a ticket for one scan of a set",
                    remedy=f"name it {shown(ticket_path(self.scan).name)}, for all of them, then drop all in again",
                )

    def _stem(self) -> str:
        return readable_stem(self.scan.stem)

    def _leave(self, taken: Taken) -> None:
        leave_together(self.studio, self.scan, self.files, taken.kept)

    def _put_aside(self, reasons: list[Reason], archived: Path | None = None, guess: bytes | None = None) -> Path:
        return put_aside_together(self.studio, self.scan, self.files, reasons, archived, guess)

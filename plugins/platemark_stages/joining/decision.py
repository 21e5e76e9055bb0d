"""What joining decides, all of it: how the parts lie, their exposure, and the seam; in part it may be given."""

from collections.abc import Mapping, Sequence
from typing import Any

from pydantic import Field, ValidationError

from platemark import Held, Parameters, Picture
from platemark_stages.joining.exposure import Exposure, exposure_of, match_exposure
from platemark_stages.joining.look import register_pictures
from platemark_stages.joining.placed import Overlap, Placed, Registration, framed
from platemark_stages.joining.register import rows_of
from platemark_stages.joining.seam import Seam, find_seam


class JoinParameters(Parameters):
    """How parts become one picture."""

    width: int = Field(ge=1, description="Pixels of the joined picture.")
    height: int = Field(ge=1, description="Pixels of the joined picture.")
    parts: list[Placed] = Field(description="In the order of their numbers: matrix, size and usable box of each.")
    rows: list[list[int]] = Field(description="Numbers of the parts from 0, in rows as they lie.")
    overlaps: list[Overlap] = Field(description="How well the parts agree; only told.")
    gains: list[list[float]] = Field(description="Per part, per channel: factor in linear light.")
    curves: list[list[list[int]]] = Field(description="Per part, per channel: the gain as 33 knots of a curve.")
    cell: int = Field(ge=2, description="Pixels along a side of a cell of the seam.")
    upright: list[list[list[int]]] = Field(description="Seams between neighbours, a column for every row of cells.")
    level: list[int] = Field(description="Seam between two rows of parts, a row for every column of cells.")

    @property
    def registration(self) -> Registration:
        """How the parts lie."""
        return Registration(
            width=self.width, height=self.height, parts=self.parts, rows=self.rows, overlaps=self.overlaps
        )

    @property
    def exposure(self) -> Exposure:
        """What is changed of their values."""
        return Exposure(gains=self.gains, curves=self.curves)

    @property
    def seam(self) -> Seam:
        """Where one ends and the next begins."""
        return Seam(cell=self.cell, upright=self.upright, level=self.level)


def decided(pictures: Sequence[Picture], known: Mapping[str, Any]) -> JoinParameters:
    """Measure what is not known; each step goes by the one before, given or measured.

    Raises:
        Held: the parts cannot be joined, or what is given does not fit them.
    """
    registration = _placed_by_hand(pictures, known["parts"]) if "parts" in known else register_pictures(pictures)
    if registration.held:
        raise Held(registration.held, remedy=registration.remedy)
    exposure = exposure_of(pictures[0].profile, _gains(pictures, known["gains"])) if "gains" in known else None
    exposure = exposure or match_exposure(pictures, registration)
    seam = find_seam(pictures, registration, exposure)
    return JoinParameters(
        **{name: getattr(registration, name) for name in ("width", "height", "parts", "rows", "overlaps")},
        **{name: getattr(exposure, name) for name in ("gains", "curves")},
        **{name: getattr(seam, name) for name in ("cell", "upright", "level")},
    )


def _placed_by_hand(pictures: Sequence[Picture], written: object) -> Registration:
    """The frame around parts that were placed in a ticket.

    Raises:
        Held: they are not these parts.
    """
    try:
        parts = Registration.model_validate({"parts": written}).parts
    except ValidationError as fault:
        raise _unfit(str(fault.errors()[0]["msg"])) from fault
    sizes = [list(picture.size) for picture in pictures]
    if [part.size for part in parts] != sizes:
        raise _unfit(f"they have the sizes {[part.size for part in parts]}, the scans {sizes}")
    return framed(Registration(parts=parts, rows=rows_of(parts)))


def _gains(pictures: Sequence[Picture], written: object) -> list[list[float]]:
    """Gains from a ticket.

    Raises:
        Held: they are not one positive number for each channel of each part.
    """
    bands = pictures[0].profile.bands
    try:
        gains = Exposure.model_validate({"gains": written, "curves": []}).gains
    except ValidationError as fault:
        raise _unfit(f"gains: {fault.errors()[0]['msg']}") from fault
    if [len(part) for part in gains] != [bands] * len(pictures) or min(map(min, gains)) <= 0:
        raise _unfit(f"gains want {bands} numbers above 0 for each of the {len(pictures)} parts")
    return gains


def _unfit(why: str) -> Held:
    return Held(
        f"what [corrections.join] of the ticket says does not fit these parts: {why}",
        remedy="put the ticket right, then drop all in again",
    )

"""Finding: what the sheet finder says about a scan."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

Corner = tuple[float, float]


class Decision(StrEnum):
    """What is to be done with a scan."""

    CROP = "crop"
    LEAVE = "leave"
    HELD = "held"


@dataclass(frozen=True)
class Side:
    """How well one side of the sheet was seen.

    Attributes:
        name: "top", "right", "bottom" or "left".
        strength: height of the edge in standard deviations of the noise; 0 on the rim of the bed.
        share: share of its length in which it was seen, 0..1.
        scatter: how far the edge wanders about its straight line, millimetres.
        on_rim: the sheet runs out of the picture here, the rim stands in for its edge.
        bay: how far a torn or deckle edge falls back within its straight line, millimetres; 0 for a clean cut.
        tongue: how far it reaches out beyond it.
    """

    name: str
    strength: float
    share: float
    scatter: float
    on_rim: bool
    bay: float = 0.0
    tongue: float = 0.0


@dataclass(frozen=True)
class Finding:
    """Where the sheet lies on the bed.

    Attributes:
        decision: crop, leave or held.
        reason: one sentence for the artist.
        corners: x, y in pixels of the preview, the centre of the first pixel at (0.5, 0.5), clockwise from the top left
            corner of the sheet. Empty where no sheet was found.
        skew: degrees, > 0 = the sheet lies turned counter-clockwise as seen.
        confidence: 0..1, estimated probability that the decision is right.
        sides: top, right, bottom, left. Empty where no sheet was found.
        bare: nothing lies on the bed.
    """

    decision: Decision
    reason: str
    corners: tuple[Corner, ...] = ()
    skew: float = 0.0
    confidence: float = 0.0
    sides: tuple[Side, ...] = ()
    bare: bool = False


@dataclass(frozen=True)
class Division:
    """What lies on a bed.

    Attributes:
        decision: crop each item, leave the scan as it is, or held: one item that is not certain holds the scan.
        reason: one sentence for the artist.
        items: the sheets in reading order, rows from the top, within a row from the left; 1 to 6 where there is a
            decision to crop, none where the scan is left. Where it is held, what was found so far.
        confidence: 0..1, estimated probability that the decision and all items are right.
        bare: nothing lies on the bed.
    """

    decision: Decision
    reason: str
    items: tuple[Finding, ...] = ()
    confidence: float = 0.0
    bare: bool = False


class Unsure(Exception):  # noqa: N818, an outcome and no error
    """The sheet is not certain; the text says what was seen, for the artist."""


class Several(Unsure):
    """Several sheets seem to lie on the bed, and not all of them are certain."""


class RimInDoubt(Unsure):
    """A sheet seems to run out of the picture, but no paper is seen along the rim."""


class NothingSeen(Unsure):
    """No sheet was seen, and yet the bed is neither empty nor covered."""

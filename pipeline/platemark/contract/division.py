"""What lies on the scanner bed: one sheet, several, or nothing to cut out."""

from collections.abc import Hashable, Mapping
from dataclasses import dataclass, field
from typing import Literal

Decision = Literal["found", "leave", "held"]


@dataclass(frozen=True)
class Item:
    """One sheet on the bed.

    Attributes:
        corners: x, y in pixels of the scan, clockwise from the sheet's own top left; x right, y down, the first
            pixel's centre is (0.5, 0.5).
        skew: degrees, positive = the sheet lies turned counter-clockwise on screen.
        confidence: 0 to 1, the chance that this is right.
        facts: what stages will want to `remember` of this item's picture.
    """

    corners: tuple[tuple[float, float], ...]
    skew: float
    confidence: float
    facts: Mapping[Hashable, object] = field(default_factory=dict, repr=False)


@dataclass(frozen=True)
class Division:
    """What was found on a scan.

    Attributes:
        decision: "found" where sheets were found, "leave" where there is nothing to cut, "held" where a person must
            look.
        reason: one sentence for the artist.
        items: in reading order. Where it is held, the best guess, or nothing.
    """

    decision: Decision
    reason: str = ""
    items: tuple[Item, ...] = ()

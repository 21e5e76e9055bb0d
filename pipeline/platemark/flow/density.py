"""How densely a scan was taken: from what its file says, or not at all."""

from collections.abc import Iterable
from dataclasses import dataclass

from platemark.errors import Held

# 72 and 96 are what programs write when they do not know (96 as 38 per cm reads as 96.5). The upper end is what
# flatbeds offer, interpolation included. Common practice.
_LOWEST, _HIGHEST = 97.0, 12800.0
# Two numbers for one thing may differ by rounding; this much is half a millimetre across A4.
_AGREE = 0.002
# Whole numbers come back from pixels per metre as 299.9994; scanners know whole numbers only.
_NEARLY_WHOLE = 0.05


@dataclass(frozen=True)
class Density:
    """One place of a file that speaks of its density.

    Attributes:
        across: pixels in a unit of length.
        down: as `across`.
        per_inch: units in an inch; 0 where the unit is not said, so that only the ratio means something.
    """

    across: float
    down: float
    per_inch: float

    @property
    def square(self) -> bool:
        """False when both axes are said and differ."""
        return not (self.across > 0 and self.down > 0) or _agree(self.across, self.down)

    @property
    def ppi(self) -> float | None:
        """Pixels per inch, or None where nothing is said, or nonsense."""
        ppi = self.across * self.per_inch
        if not (self.down > 0 and _LOWEST <= ppi <= _HIGHEST):
            return None
        return float(round(ppi)) if abs(ppi - round(ppi)) < _NEARLY_WHOLE else round(ppi, 2)


def stated_ppi(densities: Iterable[Density], name: str) -> float | None:
    """The resolution a file states, or None.

    Args:
        densities: from every place of the file that speaks of it.
        name: of the file, for the message.

    Raises:
        Held: its pixels are not square, or two places say two things.
    """
    densities = list(densities)
    for density in densities:
        if not density.square:
            raise Held(
                f"{name} says {density.across:g} pixels across and {density.down:g} down on one length: "
                "its pixels are not square",
                remedy="scan again with one resolution; if the file is wrong, write the true `ppi` in its ticket",
            )
    stated = [density.ppi for density in densities if density.ppi]
    if stated and not _agree(min(stated), max(stated)):
        raise Held(
            f"{name} says {stated[0]:g} ppi in one place and {stated[-1]:g} ppi in another",
            remedy="write the true `ppi` in its ticket",
        )
    return stated[0] if stated else None


def _agree(one: float, other: float) -> bool:
    return abs(one - other) <= _AGREE * max(one, other)

"""Where a scanner stands against published tolerances for digitising."""

from dataclasses import dataclass
from typing import Literal

from platemark.characterise.fitting import Spread

Figure = Literal["mean", "p90", "largest"]


@dataclass(frozen=True)
class Tolerance:
    """One limit.

    Attributes:
        scheme: who set it.
        level: its name there.
        figure: of which figure.
        limit: in colour differences.
        strict: below it, not at most.
        published: read in the document itself; False: in one public table about it.
    """

    scheme: str
    level: str
    figure: Figure
    limit: float
    strict: bool
    published: bool

    def met(self, spread: Spread) -> bool:
        """Whether the figure keeps to it."""
        value: float = getattr(spread, self.figure)
        return value < self.limit if self.strict else value <= self.limit


# FADGI: Technical Guidelines for Digitizing Cultural Heritage Materials, September 2016 (CC0), prints and photographs;
# 2023, bound general collections, and ISO 19264-1:2021 after one public comparison of the three, which does not state
# the formula of ISO's differences. They were set for other charts, and for the capture alone.
TOLERANCES = (
    Tolerance("FADGI 2016", "4-star", "mean", 2.0, strict=True, published=True),
    Tolerance("FADGI 2016", "3-star", "mean", 4.0, strict=True, published=True),
    Tolerance("FADGI 2016", "2-star", "mean", 6.0, strict=True, published=True),
    Tolerance("FADGI 2016", "1-star", "mean", 10.0, strict=True, published=True),
    Tolerance("FADGI 2023", "4-star", "p90", 4.0, strict=True, published=False),
    Tolerance("FADGI 2023", "3-star", "p90", 7.0, strict=True, published=False),
    Tolerance("FADGI 2023", "2-star", "p90", 10.0, strict=True, published=False),
    Tolerance("FADGI 2023", "1-star", "p90", 13.0, strict=True, published=False),
    Tolerance("ISO 19264-1:2021", "A", "mean", 4.0, strict=False, published=False),
    Tolerance("ISO 19264-1:2021", "B", "mean", 5.0, strict=False, published=False),
    Tolerance("ISO 19264-1:2021", "A", "largest", 10.0, strict=False, published=False),
    Tolerance("ISO 19264-1:2021", "B", "largest", 15.0, strict=False, published=False),
)
_WORDS = {"mean": "mean", "p90": "90th percentile", "largest": "largest"}


def standing(spread: Spread) -> list[str]:
    """For each scheme and figure the best level that is kept, in words."""
    said = []
    for scheme, figure in dict.fromkeys((it.scheme, it.figure) for it in TOLERANCES):
        levels = [it for it in TOLERANCES if (it.scheme, it.figure) == (scheme, figure)]
        kept = next((it for it in levels if it.met(spread)), None)
        bound = f"{'below' if levels[-1].strict else 'at most'}"
        words = f"level {kept.level} ({bound} {kept.limit:g})" if kept else f"no level ({bound} {levels[-1].limit:g})"
        source = "" if levels[0].published else ", after a public table"
        said.append(f"{scheme}{source}, {_WORDS[figure]}: {words}")
    return said

"""The families of colours that suffer most: shades near each other in CIELAB, weighed by area and loss."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from platemark import srgb
from platemark_stages.proof.figures import SEEN, percent
from platemark_stages.proof.naming import Colour, change_words, colour_words, place_words
from platemark_stages.proof.trips import Intent, Trips

_MOST = 5
_CELL = 6.0  # CIELAB: finer than any family, coarse enough that a picture has at most some thousands of cells
_RADIUS = 20.0  # CIELAB: about as far as one everyday word for a colour reaches
_ROUNDS = 5  # of moving to the middle of what lies around; it settles after three or four
# A family smaller than this is no larger than a thumbnail on A4, and nobody would look for it.
_LEAST = 0.002

Numbers = NDArray[np.intp]


@dataclass(frozen=True)
class Family:
    """Shades that suffer together.

    Attributes:
        name: of the colour, in words.
        place: where it mostly lies.
        change: what the print does to it.
        share: of the picture.
        apart: mean CIEDE2000.
        typical: number of the pixel that is nearest to its middle, before and after.
        original: that one's colour in sRGB, as "#c8641e".
        print: what it becomes, as `original`.
    """

    name: str
    place: str
    change: str
    share: float
    apart: float
    typical: int
    original: str = ""
    print: str = ""

    def sentence(self) -> str:
        """What a person would say."""
        return f"the {self.name} {self.place} prints {self.change}"

    def figures(self) -> str:
        """How much of it there is, and how far it moves."""
        return f"{percent(self.share)} of the picture, moved by {self.apart:.1f}"


def families_of(trips: Trips, intent: Intent) -> list[Family]:
    """At most five, the heaviest first; no two that would be told in the same words."""
    told: dict[str, Family] = {}
    for members in _groups(trips, intent):
        family = _family(trips, intent, members)
        told.setdefault(f"{family.name} {family.place}", family)
        if len(told) == _MOST:
            break
    return _with_swatches(trips, intent, list(told.values())) if told else []


def _groups(trips: Trips, intent: Intent) -> Iterator[Numbers]:
    """Numbers of the pixels of each family: from the heaviest shade to the middle of what lies around it."""
    apart = trips.by_intent[intent].apart.ravel()
    moved = np.flatnonzero(apart > SEEN)
    colours, weights = trips.before.reshape(-1, 3)[moved], apart[moved]
    cell_of, centres, loads = _cells(colours, weights)
    while loads.any():
        middle = centres[loads.argmax()]
        for _ in range(_ROUNDS):
            near = (np.linalg.norm(centres - middle, axis=1) < _RADIUS) & (loads > 0)
            middle = np.average(centres[near], axis=0, weights=loads[near])
        loads[near] = 0
        members = moved[near[cell_of]]
        if len(members) >= _LEAST * apart.size:
            yield members


def _cells(
    colours: NDArray[np.float32], weights: NDArray[np.float32]
) -> tuple[Numbers, NDArray[np.float64], NDArray[np.float64]]:
    """Cells of CIELAB that hold colours: of each colour its cell, of each cell the middle and the load."""
    places = np.floor(colours / _CELL).astype(np.int64) + 64  # none below -64 cells, none above 63
    _, cell_of = np.unique(places @ (1 << 14, 1 << 7, 1), return_inverse=True)
    loads = np.bincount(cell_of, weights).astype(np.float64)
    centres = [np.bincount(cell_of, weights * colours[:, i]) / loads for i in range(3)] if len(loads) else []
    return cell_of, np.array(centres).reshape(3, -1).T, loads


def _family(trips: Trips, intent: Intent, members: Numbers) -> Family:
    trip = trips.by_intent[intent]
    rows, columns = trip.apart.shape
    before, after = (lab.reshape(-1, 3)[members] for lab in (trips.before, trip.lab))
    apart = float(trip.apart.ravel()[members].mean())
    was, became = _mean(before), _mean(after)
    off = np.linalg.norm(before - before.mean(axis=0), axis=1) + np.linalg.norm(after - after.mean(axis=0), axis=1)
    return Family(
        name=colour_words(was),
        place=place_words((members % columns + 0.5) / columns, (members // columns + 0.5) / rows),
        change=change_words(was, became, apart),
        share=len(members) / trip.apart.size,
        apart=apart,
        typical=int(members[off.argmin()]),
    )


def _mean(lab: NDArray[np.float32]) -> Colour:
    lightness, a, b = (float(value) for value in lab.mean(axis=0, dtype=np.float64))
    return lightness, a, b


def _with_swatches(trips: Trips, intent: Intent, families: list[Family]) -> list[Family]:
    """Typical pixels before and after, in sRGB; the print beside the original, without help for its black."""
    numbers = [family.typical for family in families]
    original, there = (
        pixels.reshape(1, -1, pixels.shape[2])[:, numbers]
        for pixels in (trips.sample.array(), trips.by_intent[intent].codes)
    )
    pictures = (trips.sample.with_array(original), trips.sample.with_array(there, trips.profile))
    colours = (each.converted(srgb(), black_point=False).eight_bits()[0].tolist() for each in pictures)
    return [
        replace(family, original=_hexadecimal(before), print=_hexadecimal(after))
        for family, before, after in zip(families, *colours, strict=True)
    ]


def _hexadecimal(colour: list[int]) -> str:
    return "#{:02x}{:02x}{:02x}".format(*colour)

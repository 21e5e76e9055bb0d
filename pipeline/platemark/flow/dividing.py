"""Dividing: what lies on the bed, and a picture for each item of it."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from platemark.contract.division import Division
from platemark.contract.plugins import Plugins
from platemark.errors import Held
from platemark.flow.chain import Shared, Step
from platemark.flow.outline import outlined
from platemark.pixels.picture import Picture


@dataclass(frozen=True)
class Piece:
    """One item of a scan, on its way to its prints.

    Attributes:
        number: 1, 2 ... in reading order; 0 where the scan is not divided.
        picture: the whole scan; what is known of this item stands in its facts.
        shared: measurements that serve all prints of this item.
    """

    number: int
    picture: Picture
    shared: Shared = field(default_factory=dict)


def find(picture: Picture, plugins: Plugins) -> Division | None:
    """Ask the plugins, in the order of their names, what lies on the bed; the first answer counts. Once a scan.

    Raises:
        Held: a plugin failed; names it.
    """
    return picture.remember("division", lambda: _ask(picture, plugins))


def _ask(picture: Picture, plugins: Plugins) -> Division | None:
    for name, call in plugins.implementing("platemark_divide"):
        try:
            answers = call(picture=picture)
        except Held:
            raise
        except (Exception, SystemExit) as fault:
            raise Held(
                f"the plugin {name} failed when it looked for sheets: {fault}", remedy="mend it or take it away"
            ) from fault
        if answers and isinstance(answers[0], Division):
            return answers[0]
    return None


def may_be_divided(chains: Sequence[Sequence[Step]]) -> bool:
    """True where a stage cuts items out of the bed, unless the artist corrects it: then she has decided."""
    cutting = [step for steps in chains for step in steps if step.found.kind.per_item]
    return bool(cutting) and not any(step.correction for step in cutting)


def best_guess(picture: Picture, chains: Sequence[Sequence[Step]], plugins: Plugins) -> bytes | None:
    """A small picture of what was found where it was not certain enough to cut; None where there is none to show."""
    if not any(step.found.kind.per_item for steps in chains for step in steps):
        return None
    try:
        division = find(picture, plugins)
    except Held:
        return None
    return outlined(picture, division) if division and division.decision == "held" and division.items else None


def pieces_of(picture: Picture, chains: Sequence[Sequence[Step]], plugins: Plugins) -> tuple[Piece, ...]:
    """The items of a scan that are worked on each for itself.

    A scan stays whole where no chain cuts an item out, where one sheet or none was found, where it is not certain
    (the stages will say so), and where the artist corrects a cutting stage: then she has decided for the scan.

    Raises:
        Held: a plugin failed.
    """
    if not may_be_divided(chains):
        return (Piece(0, picture),)
    division = find(picture, plugins)
    if division is None or division.decision != "found" or len(division.items) < 2:
        return (Piece(0, picture),)
    return tuple(
        Piece(number, replace(picture, facts={**picture.facts, **item.facts}))
        for number, item in enumerate(division.items, start=1)
    )

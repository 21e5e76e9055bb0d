"""Checking that a print would come out the same again: its stages are applied once more and compared.

For whoever writes a stage. What differs is told with the first stage that gave another thing.
"""

import hashlib
from dataclasses import dataclass, field
from typing import Any

from platemark.contract.stage import Encoder, Stage
from platemark.flow.chain import Made, checked_apply
from platemark.pixels.picture import Picture


@dataclass
class Trace:
    """What came out of each stage of a chain: names with the sha256 of the pixels."""

    seen: list[tuple[str, str]] = field(default_factory=list)

    def note(self, stage: str, after: Picture) -> None:
        """Write down what came out of a stage."""
        self.seen.append((stage, hashlib.sha256(after.array().tobytes()).hexdigest()))


def first_unlike(picture: Picture, made: Made, first: Trace) -> str:
    """Apply all stages again, with the same parameters.

    Args:
        picture: what the chain began with.
        made: what it made the first time; only its own stages, no gathering of several scans.
        first: what came out of each stage then.

    Returns:
        The name of the first stage that gave another thing, or "".
    """
    again = Trace()
    for applied in made.applied:
        name = applied.step.name
        stage: Stage[Any, Any] = applied.step.found.kind()
        after = checked_apply(stage, picture, applied.parameters)
        again.note(name, after)
        beside = stage.companions(picture, after, applied.parameters)
        if again.seen != first.seen[: len(again.seen)] or not beside.items() <= made.companions.items():
            return name
        picture = after
        if isinstance(stage, Encoder) and stage.encode(after, applied.parameters) != made.data:
            return name
    return ""

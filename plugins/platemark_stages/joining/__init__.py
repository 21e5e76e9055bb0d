"""Joining: overlapping scans of one original, `heron_1of2` and `heron_2of2`, laid together to one picture."""

import re
from collections.abc import Mapping, Sequence
from typing import Any

from platemark import Affine, Gathering, Held, Picture, ScanSet, Settings
from platemark_stages.joining.compose import compose
from platemark_stages.joining.decision import JoinParameters, decided
from platemark_stages.joining.exposure import Exposure, match_exposure
from platemark_stages.joining.look import register_pictures
from platemark_stages.joining.placed import Overlap, Placed, Registration
from platemark_stages.joining.register import MOST_PARTS, register
from platemark_stages.joining.seam import Seam, find_seam
from platemark_stages.joining.surround import covered

__all__ = [
    "Exposure",
    "Join",
    "JoinParameters",
    "Overlap",
    "Placed",
    "Registration",
    "Seam",
    "compose",
    "covered",
    "find_seam",
    "match_exposure",
    "register",
    "register_pictures",
]

_PART = re.compile(r"(?P<name>.+)_(?P<number>[0-9]{1,3})of(?P<all>[0-9]{1,3})", re.IGNORECASE | re.DOTALL)


class JoinSettings(Settings):
    """Nothing to set: how the parts lie is measured, and can be corrected in the ticket."""


class Join(Gathering[JoinSettings, JoinParameters]):
    """Lays the parts of a large original together: NAME_1of2, NAME_2of2, up to 6."""

    name = "join"
    version = 1

    def announced(self, stem: str) -> ScanSet | None:
        """All the parts that the name of one part calls for."""
        found = _PART.fullmatch(stem)
        if not found:
            return None
        number, count = int(found["number"]), int(found["all"])
        if not (2 <= count <= MOST_PARTS and 1 <= number <= count):
            raise Held(
                f"{stem} says part {number} of {count}, and parts are counted from 1of2 to {MOST_PARTS}of{MOST_PARTS}",
                remedy=f"name the parts {found['name']}_1of2, {found['name']}_2of2 and so on; "
                "a scan that is no part needs a name without that",
            )
        # 01of02 calls for 02of02.
        digits, digits_of_all = len(found["number"]), len(found["all"])
        ends = [f"_{part:0{digits}}of{count:0{digits_of_all}}" for part in range(1, count + 1)]
        return ScanSet(found["name"], tuple(found["name"] + end for end in ends))

    def measure_all(
        self, pictures: Sequence[Picture], settings: JoinSettings, known: Mapping[str, Any]
    ) -> JoinParameters:
        """Register the parts, match their exposure, find the seam; what the ticket says of these is given."""
        del settings
        return decided(pictures, known)

    def apply_all(self, pictures: Sequence[Picture], parameters: JoinParameters) -> Picture:
        """Lay the parts together."""
        image = compose(pictures, parameters.registration, parameters.exposure, parameters.seam)
        joined = Picture.of(image, pictures[0].profile, pictures[0].source_ppi)
        # For whoever finds no sheet to cut to: beyond this box lies what no part shows.
        box = covered(parameters.registration, parameters.cell)
        if box[2] and box[3]:
            joined.remember("covered", lambda: box)
        return joined

    def placements(self, parameters: JoinParameters) -> list[Affine]:
        """Where each part lies in the joined picture."""
        return [part.affine for part in parameters.parts]

"""Two scans of one sheet, `heron` and upside down `heron.turned`, averaged: the grain of the paper grows faint."""

from collections.abc import Mapping, Sequence
from typing import Any

from platemark import Affine, Gathering, Picture, ScanSet, Settings
from platemark_stages.turned.average import average
from platemark_stages.turned.laid import Laid
from platemark_stages.turned.register import register

__all__ = ["Laid", "Turned", "TurnedSettings", "average", "register"]

_END = ".turned"


class TurnedSettings(Settings):
    """Nothing to set: how the turned scan lies is measured, and can be corrected in the ticket."""


class Turned(Gathering[TurnedSettings, Laid]):
    """Averages a scan with one of the same sheet laid upside down: NAME and NAME.turned."""

    name = "turned"
    version = 1

    def announced(self, stem: str) -> ScanSet | None:
        """The upright scan and the turned one; an upright scan alone calls for nothing."""
        name = stem[: -len(_END)]
        if not name or not stem.lower().endswith(_END):
            return None
        return ScanSet(name, (name, stem))

    def measure_all(self, pictures: Sequence[Picture], settings: TurnedSettings, known: Mapping[str, Any]) -> Laid:
        """Find where the turned scan lies; what the ticket says of it takes the place of that."""
        del settings, known
        upright, turned = pictures
        return register(upright, turned)

    def apply_all(self, pictures: Sequence[Picture], parameters: Laid) -> Picture:
        """Average the two."""
        upright, turned = pictures
        return average(upright, turned, parameters)

    def placements(self, parameters: Laid) -> list[Affine]:
        """The upright scan is the frame; the turned one lies on it."""
        return [Affine.identity(), parameters.affine]

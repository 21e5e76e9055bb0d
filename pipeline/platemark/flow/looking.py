"""Looking: what lies on a scan, without making anything."""

from dataclasses import dataclass, replace
from pathlib import Path

from platemark.config.model import Scanner
from platemark.contract.division import Division
from platemark.contract.plugins import Plugins
from platemark.errors import Held
from platemark.flow.dividing import find
from platemark.flow.intake import decode_to_the_end, examine
from platemark.pixels.picture import Picture

# A scan that does not say its resolution is looked at as if its longer side were that of an A4 bed: good enough to
# find paper on it, and nothing is made from it.
_A4_BED_INCHES = 297 / 25.4
_FIRST_GUESS = 300


@dataclass(frozen=True)
class Look:
    """What was seen on one scan.

    Attributes:
        scan: the file.
        division: what lies on it.
        picture: the scan, or None where it could not be opened.
    """

    scan: Path
    division: Division
    picture: Picture | None = None


def look_at(scan: Path, scanner: Scanner, plugins: Plugins) -> Look:
    """Find the sheets on a scan; whatever stands in the way is a reason, never an exception."""
    try:
        picture = _opened(scan, scanner)
        return Look(scan, find(picture, plugins) or Division("held", "no plugin looks for sheets"), picture)
    except Held as held:
        return Look(scan, Division("held", f"{held.reason}: {held.remedy}"))


def _opened(scan: Path, scanner: Scanner) -> Picture:
    try:
        return decode_to_the_end(scan, examine(scan, scanner))
    except Held:
        if scanner.ppi is not None:
            raise
    guess = examine(scan, scanner, _FIRST_GUESS)
    ppi = max(guess.width, guess.height) / _A4_BED_INCHES
    return decode_to_the_end(scan, replace(guess, ppi=ppi, ppi_from="guessed, to look only"))

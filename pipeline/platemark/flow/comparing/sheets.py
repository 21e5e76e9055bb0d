"""The two pictures that are compared: each the sheet found on its scan, straightened and cut out."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from platemark.config.model import Scanner
from platemark.contract.division import Item
from platemark.contract.plugins import Plugins
from platemark.errors import Held
from platemark.flow.looking import Look, look_at
from platemark.pixels.picture import Picture
from platemark.records.names import shown

# A sheet's edge may be off by some tenths of a millimetre, and there is its shadow.
_INSET_MM = 1.0


@dataclass(frozen=True)
class Sheet:
    """One of the two.

    Attributes:
        name: for people: the file, and which sheet of it.
        scan: the file.
        picture: the sheet alone, upright as it lay; its geometry still waits.
    """

    name: str
    scan: Path
    picture: Picture


def two_sheets(scans: Sequence[Path], scanner: Scanner, plugins: Plugins) -> tuple[Sheet, Sheet]:
    """The sheets of two scans, or both of one, in reading order.

    Raises:
        Held: a scan cannot be opened, its sheets are not certain, or there are not two.
    """
    if len(scans) == 2:
        return one_sheet(scans[0], scanner, plugins), one_sheet(scans[1], scanner, plugins)
    look = _certain(look_at(scans[0], scanner, plugins))
    picture, items = _counted(look, 2)
    name = shown(look.scan.name)
    first, second = (Sheet(f"{name}, sheet {n}", look.scan, _cut_out(picture, items[n - 1])) for n in (1, 2))
    return first, second


def one_sheet(scan: Path, scanner: Scanner, plugins: Plugins) -> Sheet:
    """The only sheet of a scan; all of it where no sheet is seen and nothing is in doubt.

    Raises:
        Held: as `two_sheets`.
    """
    look = _certain(look_at(scan, scanner, plugins))
    if look.division.decision == "leave" and look.picture is not None:
        return Sheet(shown(scan.name), scan, look.picture)
    picture, items = _counted(look, 1)
    return Sheet(shown(scan.name), scan, _cut_out(picture, items[0]))


def _certain(look: Look) -> Look:
    if look.division.decision == "held":
        reason, _, remedy = look.division.reason.partition(": ")
        raise Held(
            reason if shown(look.scan.name) in reason else f"{shown(look.scan.name)}: {reason}",
            remedy=remedy
            or "lay it again, with all edges in sight, and scan it again; `find --picture` shows what is seen",
        )
    return look


def _counted(look: Look, wanted: int) -> tuple[Picture, tuple[Item, ...]]:
    items = look.division.items if look.division.decision == "found" else ()
    if look.picture is None or len(items) != wanted:
        lies = "1 sheet lies" if len(items) == 1 else f"{len(items) or 'no'} sheets lie"
        raise Held(
            f"{lies} on {shown(look.scan.name)}, not {wanted}",
            remedy="give two scans with one sheet on each, or one scan with both sheets, a finger's breadth apart",
        )
    return look.picture, items


def _cut_out(picture: Picture, item: Item) -> Picture:
    """The mean line of each side, moved inwards."""
    straight = picture.rotated(-item.skew)
    (x1, y1), (x2, y2), (x3, y3), (x4, y4) = straight.placement.apply(item.corners).tolist()
    inset = _INSET_MM / 25.4 * picture.ppi
    left, right = max((x1 + x4) / 2 + inset, 0.0), min((x2 + x3) / 2 - inset, straight.width)
    top, bottom = max((y1 + y2) / 2 + inset, 0.0), min((y3 + y4) / 2 - inset, straight.height)
    return straight.cropped(left, top, right - left, bottom - top)

"""Items: one sheet after the other is taken off the bed, until nothing with four edges is left."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from . import lid
from .beside import out_to_the_lid
from .evidence import Flags
from .finding import Finding, Unsure
from .gutter import gutter_of
from .look import Look, lid_of, look_again
from .rectangle import Frame, sheet_among

MOST_ITEMS = 6  # more do not fit on an A4 bed with lid between them, unless they are stamps
AROUND_MM = 1.5  # beside a sheet that is taken off: its shadow goes with it
INSIDE = 0.97  # share of a sheet that must lie where nothing else was found; the rest are its own slanted edges


@dataclass(frozen=True)
class Laid:
    """Sheets found on a bed, and the bed without them."""

    frames: list[Frame]
    rest: Look


def sheets_on(look: Look) -> Laid:
    """Find all sheets; where lid runs through what looks like one, look at both parts by themselves.

    Raises:
        Unsure: sheets overlap, or there are more than six.
    """
    frames: list[Frame] = []
    parts = [look]
    rest = look
    while parts:
        rest = parts.pop()
        frame = sheet_among(rest.frames, 2 if not frames else 3)
        if frame is None:
            continue
        _check_apart(rest, frame)
        gutter = gutter_of(rest, frame)
        if gutter is not None:
            known = replace(rest, lid=lid_of(rest, frame))
            parts.extend(look_again(known, part) for part in gutter.parts(rest.free.shape))
            continue
        frame = out_to_the_lid(rest, frame)
        frames.append(frame)
        if len(frames) > MOST_ITEMS:
            raise Unsure(f"More than {MOST_ITEMS} sheets seem to lie on the bed.")
        parts.append(look_again(rest, _around(rest, frame)))
    if len(frames) > 1:
        free = np.logical_and.reduce([_around(look, frame) for frame in frames])
        rest = look_again(look, free)  # the lid is known best from the bed without any sheet
    return Laid(frames, rest)


def _around(look: Look, frame: Frame) -> Flags:
    """The cells outside a sheet and its shadow."""
    return lid.outside_of(frame, look.traces.shape, AROUND_MM / look.planes.mm)


def _check_apart(look: Look, frame: Frame) -> None:
    """A sheet must lie where no other was found before.

    Raises:
        Unsure: it does not.
    """
    own = ~lid.outside_of(frame, look.traces.shape, 0)
    if look.free[own].mean() < INSIDE:
        raise Unsure("Sheets touch or lie upon each other, and where one ends and the next begins is not certain.")


def in_reading_order(items: list[Finding]) -> list[Finding]:
    """Rows from the top, within a row from the left; sheets are in a row where half of the lower one is beside."""
    left = sorted(items, key=lambda item: _span(item, 1)[0])
    ordered: list[Finding] = []
    while left:
        top, bottom = _span(left[0], 1)
        row = [item for item in left if _shared(_span(item, 1), (top, bottom)) >= 0.5]
        ordered += sorted(row, key=lambda item: _span(item, 0)[0])
        left = [item for item in left if not any(item is taken for taken in row)]
    return ordered


def _span(item: Finding, axis: int) -> tuple[float, float]:
    places = [corner[axis] for corner in item.corners]
    return min(places), max(places)


def _shared(one: tuple[float, float], other: tuple[float, float]) -> float:
    """Share of the shorter of two spans that lies beside the other."""
    common = min(one[1], other[1]) - max(one[0], other[0])
    return common / min(one[1] - one[0], other[1] - other[0])

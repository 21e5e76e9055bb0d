"""Beside: beyond the edges of a sheet lies bare lid and no further edge, along a rim it runs out over lies paper."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from . import lid
from .evidence import Candidate
from .finding import Unsure
from .look import Look, ends_of, lid_of, middle_of, papers_of, seen_along
from .rectangle import LEAST_NET, SMALLEST_MM, Frame
from .sides import NAMES

Doubles = NDArray[np.float64]

APART_MM = 3.0  # edges nearer than this are the two flanks of one
HALF = 0.5  # share of a side
BARE = 0.7  # share of a side beyond which bare lid must show; tape and things laid on it hide the rest
BEYOND_MM = (1.2, 2.5)  # where to look for it: past most of the shadow, and no wider than a narrow margin of the sheet


def out_to_the_lid(look: Look, frame: Frame) -> Frame:
    """Move sides outwards to the next edge where what lies beyond them is not lid: a margin narrower on one side."""
    for axis, name in enumerate(NAMES):
        colour = lid_of(look, frame)
        if colour is None or frame.rims[axis] or _bare_beyond(look, frame, axis, colour) >= BARE:
            continue
        away = -1 if axis in (0, 3) else 1
        nearest = sorted(
            (away * (middle_of(frame, axis, line) - frame.box[axis]), k) for k, line in enumerate(look.found[name])
        )
        for distance, k in nearest:
            sides = list(frame.sides)
            sides[axis] = look.found[name][k]
            wider = look.frames.of(sides)
            if (
                distance > 0
                and wider is not None
                and wider.net > LEAST_NET
                and _bare_beyond(look, wider, axis, colour) >= BARE
            ):
                frame = wider
                break
    return frame


def _bare_beyond(look: Look, frame: Frame, axis: int, colour: Doubles) -> float:
    """Share of a side along which bare lid lies just beyond it."""
    cells = look.turned(axis)
    ends = ends_of(frame, axis)
    away = (-1 if axis in (0, 3) else 1) / look.planes.mm
    line = frame.sides[axis]
    near, far = (replace(line, start=line.start + away * mm) for mm in BEYOND_MM)
    return min(lid.share_like(cells, beyond, *ends, colour) for beyond in (near, far))


def check_rims(look: Look, frame: Frame) -> None:
    """Where the sheet is said to run out over a rim, paper must lie along it.

    Raises:
        Unsure: bare lid lies there.
    """
    colour = lid_of(look, frame)
    for axis, name in enumerate(NAMES):
        if not frame.rims[axis]:
            continue
        cells = look.turned(axis)
        ends = ends_of(frame, axis)
        inward = (1 if axis in (0, 3) else -1) * 1.5 / look.planes.mm
        line = replace(frame.sides[axis], start=frame.sides[axis].start + inward)
        colours = papers_of(look, frame)
        if colour is None or colours is None or lid.share_of_lid(cells, line, *ends, *colours) > 1 - BARE:
            raise Unsure(f"Whether the sheet reaches the {name} rim of the picture cannot be seen.")


def check_outside(look: Look, frame: Frame) -> None:
    """Outside the sheet there must be no further edge along it: then what was found is only the painting on a sheet.

    Raises:
        Unsure: there is one, and it is not that of a narrow thing lying by itself.
    """
    opposite = dict(zip(NAMES, (*NAMES[2:], *NAMES[:2]), strict=True))
    for axis, name in enumerate(NAMES):
        if frame.rims[axis]:
            continue
        away = -1 if axis in (0, 3) else 1

        def beyond(line: Candidate, axis: int = axis, away: int = away) -> float:
            return away * (middle_of(frame, axis, line) - frame.box[axis]) * look.planes.mm

        outer = [
            beyond(line)
            for line in look.found[name]
            if beyond(line) > APART_MM and seen_along(look, frame, axis, line) > HALF
        ]
        begins = [beyond(line) for line in look.found[opposite[name]] if seen_along(look, frame, axis, line) > HALF]
        # A strip of flat patches shows its near edge from both sides, so that edge is explained by the strip as well.
        strips = [(start, end) for start in begins for end in outer if 1.0 < start < end - APART_MM]
        strips = [(start, end) for start, end in strips if end - start < SMALLEST_MM]
        for edge in outer:
            if not any(start - APART_MM < edge <= end for start, end in strips):
                raise Unsure(f"A further edge is seen {edge:.0f} mm outside the {name} edge: which is the sheet's?")

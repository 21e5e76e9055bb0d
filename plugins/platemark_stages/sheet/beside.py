"""Beside: beyond the edges of a sheet lies bare lid and no further edge, along a rim it runs out over lies paper."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from . import lid
from .blocks import BLOCK
from .evidence import APART, SEEN, Candidate
from .finding import Unsure
from .look import Look, ends_of, lid_of, middle_of, net_along, papers_of, seen_along
from .rectangle import LEAST_NET, OFF_SQUARE, SMALLEST_MM, Frame
from .sides import NAMES

Doubles = NDArray[np.float64]

OPPOSITE = dict(zip(NAMES, (*NAMES[2:], *NAMES[:2]), strict=True))
APART_MM = 3.0  # edges nearer than this are the two flanks of one
FAINT_MM = 6.0  # as far as what a JPEG makes of a strong edge reaches, a block of colour, may be taken for a faint one
HALF = 0.5  # share of a side
LEVEL = 2  # cells that a line along the pixel grid may climb from rim to rim
SQUARE = 0.005  # 0.3 degrees: sides of one sheet, with the coarse slopes of the search
BARE = 0.7  # share of a side beyond which bare lid must show; tape and things laid on it hide the rest
BEYOND_MM = (1.2, 2.5)  # where to look for it: past most of the shadow, and no wider than a narrow margin of the sheet

WITHIN_MM = (1.5, 5.0)  # of a rim: the light of the lamp along it reaches a few millimetres in


def out_to_the_lid(look: Look, frame: Frame) -> Frame:
    """Move sides outwards to the next edge where what lies beyond them is not lid: a margin narrower on one side."""
    for axis, name in enumerate(NAMES):
        colour = lid_of(look, frame)
        if colour is None or frame.rims[axis] or bare_beyond(look, frame, axis, colour) >= BARE:
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
                and bare_beyond(look, wider, axis, colour) >= BARE
            ):
                frame = wider
                break
    return _out_to_the_rims(look, frame)


def _out_to_the_rims(look: Look, frame: Frame) -> Frame:
    """Move sides to the rim where neither lid nor an edge with lid beyond it comes before: a line of the art in a sheet
    that lies in a corner of the bed. Paper must be seen along that rim, and the sides next to it all the way to it.
    """
    colour = lid_of(look, frame)
    if colour is None:
        return frame
    moved = [k for k in range(4) if not frame.rims[k] and bare_beyond(look, frame, k, colour) < 1 - BARE]
    if not moved:
        return frame
    sides = [look.frames.lines[axis][-1] if axis in moved else side for axis, side in enumerate(frame.sides)]
    wider = look.frames.of(sides)
    if wider is None or wider.net <= LEAST_NET or rim_in_doubt(look, wider) is not None:
        return frame
    return wider if all(_run_to(wider, axis) for axis in moved) else frame


def bare_beyond(look: Look, frame: Frame, axis: int, colour: Doubles) -> float:
    """Share of a side along which bare lid lies just beyond it."""
    cells = look.turned(axis)
    ends = ends_of(frame, axis)
    away = (-1 if axis in (0, 3) else 1) / look.planes.mm
    line = frame.sides[axis]
    near, far = (replace(line, start=line.start + away * mm) for mm in BEYOND_MM)
    drift = lid.drift_of(look.planes.rounding)
    return min(lid.share_like(cells, beyond, *ends, colour, drift) for beyond in (near, far))


def rim_in_doubt(look: Look, frame: Frame) -> str | None:
    """Name of a rim the sheet is said to run out over though no paper is seen along it."""
    colours = papers_of(look, frame)
    for axis, name in enumerate(NAMES):
        if not frame.rims[axis]:
            continue
        if colours is None:
            if not _run_to(frame, axis):
                return name
            continue
        inward = (1 if axis in (0, 3) else -1) / look.planes.mm
        lines = [replace(frame.sides[axis], start=frame.sides[axis].start + inward * mm) for mm in WITHIN_MM]
        shares = [lid.share_of_lid(look.turned(axis), line, *ends_of(frame, axis), *colours) for line in lines]
        if max(shares) > 1 - BARE:
            return name
    return None


def _run_to(frame: Frame, axis: int) -> bool:
    """Whether the sides next to a rim are seen all the way to it; one of them may be a rim itself."""
    beside = [side for side in ((axis + 1) % 4, (axis + 3) % 4) if not frame.rims[side]]
    near = slice(0, 2) if axis in (0, 3) else slice(-2, None)  # the last two centimetres
    return bool(beside) and all((frame.sides[side].seen[near] >= SEEN).all() for side in beside)


def check_outside(look: Look, frame: Frame, others: list[Frame]) -> None:
    """Outside the sheet there must be no further edge along it: then what was found is only the painting on a sheet.

    Args:
        look: the bed without any sheet.
        frame: the sheet.
        others: the other sheets; what lies beyond one of them is none of this one's edges.

    Raises:
        Unsure: there is one, and it is not that of a narrow thing lying by itself.
    """
    near = _near_mm(look)
    for axis, name in enumerate(NAMES):
        if frame.rims[axis]:
            continue
        room = min((_distance(frame, axis, other) for other in others), default=np.inf) * look.planes.mm
        lines = [
            line
            for line in look.found[name]
            if not _between_blocks(look, line) and not _of_scanner(look, frame, axis, line)
        ]
        outer = [edge for edge in _beyond(look, frame, axis, lines, OFF_SQUARE) if near < edge < room]
        if not outer:
            continue
        strips = _strips(look, frame, axis, outer, room)
        for edge in outer:
            if not any(start - APART_MM < edge <= end for start, end in strips):
                raise Unsure(f"A further edge is seen {edge:.0f} mm outside the {name} edge: which is the sheet's?")


def _near_mm(look: Look) -> float:
    """Millimetres within which a further edge is the same edge seen again: as its shadow, or as blocks of a JPEG.

    Blocks of colour that the edge crosses end up to a block beyond it.
    """
    return APART_MM + (BLOCK * look.planes.mm / look.planes.side if any(look.planes.rounding) else 0)


def echoes(look: Look, frame: Frame, known: list[Frame]) -> bool:
    """Whether each side of a frame runs beside one of a sheet that is known, or is a rim along which no paper shows."""
    near = _near_mm(look) / look.planes.mm
    for axis, line in enumerate(frame.sides):
        if frame.rims[axis]:
            continue
        middle = sum(ends_of(frame, axis)) / 2
        beside = [other.sides[side] for other in known for side in (axis, (axis + 2) % 4) if not other.rims[side]]
        if not any(abs(float(line.at(middle)) - float(side.at(middle))) < near for side in beside):
            return False
    return not any(frame.rims) or rim_in_doubt(look, frame) is not None


def rival_of(look: Look, frame: Frame, axis: int) -> float:
    """How far beside a side another line is seen within a block of a JPEG, millimetres; 0 where there is none.

    Where only blocks show a side, one of two such lines is where blocks meet.
    """
    within = BLOCK / look.planes.side
    beside = [
        abs(middle_of(frame, axis, line) - frame.box[axis])
        for line in look.found[NAMES[axis]]
        if net_along(look, frame, axis, line) > LEAST_NET
    ]
    return min((off for off in beside if APART < off < within), default=0.0) * look.planes.mm


def _strips(look: Look, frame: Frame, axis: int, outer: list[float], room: float) -> list[tuple[float, float]]:
    """Narrow things that lie by themselves outside a side: from where to where, millimetres."""
    mm, colour = look.planes.mm, lid_of(look, frame)
    # It lies as straight as its own other edge, and not as the sheet does.
    lines = look.found[OPPOSITE[NAMES[axis]]]
    begins = [edge for edge in _beyond(look, frame, axis, lines, 2 * OFF_SQUARE) if edge > APART_MM / 2]
    # A strip of flat patches shows its near edge from both sides. The far one may be too near to the rim to be seen.
    rim = (frame.box[axis] if axis in (0, 3) else look.turned(axis).shape[0] - frame.box[axis]) * mm
    pairs = [
        (start, end) for start in begins for end in (*outer, min(rim, room)) if APART_MM < end - start < SMALLEST_MM
    ]
    away = (-1 if axis in (0, 3) else 1) / mm

    def bare(at: float) -> bool:
        line = replace(frame.sides[axis], start=frame.sides[axis].start + away * at)
        ends, drift = ends_of(frame, axis), lid.drift_of(look.planes.rounding)
        return colour is None or lid.share_like(look.turned(axis), line, *ends, colour, drift) > HALF

    return [(start, end) for start, end in pairs if not bare((start + end) / 2)]


def _beyond(look: Look, frame: Frame, axis: int, lines: list[Candidate], turned: float) -> list[float]:
    """How far outside a side of a frame the lines lie that run beside it, turned by so much at most; millimetres."""
    away = (-1 if axis in (0, 3) else 1) * look.planes.mm
    side = frame.sides[axis]
    beside = [
        (away * (middle_of(frame, axis, line) - frame.box[axis]), line)
        for line in lines
        if abs(line.slope - side.slope) < turned
    ]
    return [
        far
        for far, line in beside
        if seen_along(look, frame, axis, line) > HALF
        or (far > FAINT_MM and net_along(look, frame, axis, line) > LEAST_NET)
    ]


def _of_scanner(look: Look, frame: Frame, axis: int, line: Candidate) -> bool:
    """Whether a line is made by a sensor column: from rim to rim along the grid, where the sheet is turned.

    The edge of a sheet ends at its corners.
    """
    level = abs(line.slope) * max(look.traces.shape) < LEVEL
    turned = abs(frame.sides[axis].slope) > SQUARE
    least = HALF * float(line.seen.mean())
    through = min(float(line.seen[:2].mean()), float(line.seen[-2:].mean())) > least
    return axis % 2 == 1 and level and turned and through


def _between_blocks(look: Look, line: Candidate) -> bool:
    """Whether a line is just where a JPEG makes one by rounding: along a border of its blocks (8 pixels)."""
    off = (line.start * look.planes.side) % 8
    level = abs(line.slope) * max(look.traces.shape) < LEVEL
    return any(look.planes.rounding) and level and min(off, 8 - off) <= look.planes.side


def _distance(frame: Frame, axis: int, other: Frame) -> float:
    """Cells from a side outwards to a sheet beside it; infinite where it does not lie beside that side."""
    first, last = ends_of(frame, axis)
    begin, end = ends_of(other, axis)
    if min(last, end) <= max(first, begin):
        return np.inf
    near = other.box[(axis + 2) % 4]
    gap = frame.box[axis] - near if axis in (0, 3) else near - frame.box[axis]
    return gap if gap > 0 else np.inf

"""Finder: decides where the sheet is, or says why it does not know."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from . import lid
from .bed import Glass, glass_of, without_streaks
from .finding import Corner, Decision, Finding, Side
from .lines import Line, crossing
from .planes import Floats, Planes, reduce_to_cells
from .profiles import Edge, measure_edge, read_band
from .rectangle import LEAST_NET, NAMES, SMALLEST_MM, Frame, Frames, lines_of, others_beside, running_net, sheet_among
from .search import Candidate

Doubles = NDArray[np.float64]

ENOUGH = 0.8  # of confidence: one scan in five wrong is more than anybody checks for, so below it a person looks
CLEAR = 0.75  # share of a side that must be seen for its direction to count; with less, one piece of shadow turns it
GUTTER_MM = 4.0  # how far beside a line to look for the lid between two sheets
ASKEW = 12.0  # degrees; beyond it the search sees only half of the lines


class Unsure(Exception):  # noqa: N818 - an outcome, not an error
    """The sheet is not certain; the text says what was seen, for the artist."""


@dataclass(frozen=True)
class Look:
    """The bed as searched: cells of the glass, what was found there, and how to get back to the preview."""

    cells: Floats
    glass: Glass
    planes: Planes
    frames: Frames
    found: dict[str, list[Candidate]]

    def rough(self, line: Candidate, axis: int) -> Line:
        """A candidate in pixels of the preview."""
        across, along = (self.glass.top, self.glass.left) if axis % 2 == 0 else (self.glass.left, self.glass.top)
        start = line.start + across - line.slope * along
        return Line(0.0, start * self.planes.side, line.slope)


def find_sheet(preview: NDArray[np.uint16], ppi: float) -> Finding:
    """Find the sheet of paper on a scan.

    Args:
        preview: (rows, columns, 3), display-encoded RGB in the scan's own space; grey as three equal bands.
        ppi: resolution of the preview, best 100 to 200.

    Returns:
        What is to be done, and where the sheet lies.

    Raises:
        ValueError: the preview has not three bands, or is smaller than a sheet can be.
    """
    if preview.ndim != 3 or preview.shape[2] != 3:
        raise ValueError(f"preview has shape {preview.shape}; (rows, columns, 3) is needed")
    if min(preview.shape[:2]) * 25.4 / ppi < SMALLEST_MM:
        raise ValueError(f"preview of {preview.shape[1]} x {preview.shape[0]} pixels at {ppi:g} ppi is smaller than {SMALLEST_MM:g} mm")
    mended = without_streaks(preview)
    planes = reduce_to_cells(mended, ppi)
    look = _look(planes, glass_of(planes.cells, planes.mm))
    try:
        return _decide(mended, look)
    except Unsure as unsure:
        return Finding(Decision.HELD, str(unsure))


def _look(planes: Planes, glass: Glass) -> Look:
    cells = planes.cells[glass.top : glass.bottom, glass.left : glass.right]
    found = lines_of(cells)
    return Look(cells, glass, planes, Frames(found, cells.shape[0], cells.shape[1], planes.mm), found)


def _decide(preview: NDArray[np.uint16], look: Look) -> Finding:
    frame = sheet_among(look.frames)
    if frame is None:
        return _without_sheet(look)
    look, frame = _without_strip(look, frame)
    others = len(others_beside(look.frames, frame))
    outside = lid.outside_of(frame, look.cells.shape[:2], lid.BESIDE_MM / look.planes.mm)
    colour = lid.lid_colour(look.cells, outside)
    if colour is not None:
        others = max(others, lid.things_beside(look.cells, outside, colour, look.planes.mm))
    if others:
        raise Unsure(f"{others + 1} sheets found on the bed, and only one can be cut out.")
    edges = _measure(preview, look, frame)
    return _judge(preview.shape, look, frame, edges, colour)


def _without_sheet(look: Look) -> Finding:
    """Decide where no outline is seen: an empty bed, art all over it, or something that nobody can tell."""
    if lid.is_bare(look.cells, look.planes.mm):
        return Finding(Decision.LEAVE, "The bed is empty: one even surface without an edge or a mark.", confidence=0.9)
    if lid.is_covered(look.cells, look.planes.mm):
        return Finding(Decision.LEAVE, "The art covers the whole bed: it runs out over all four rims and shows no edge.", confidence=0.9)
    raise Unsure("No sheet with four straight edges was seen, yet the bed is neither empty nor covered by art.")


def _without_strip(look: Look, frame: Frame) -> tuple[Look, Frame]:
    """Look again at the larger part where lid runs through the frame: a colour target lies beside the sheet."""
    place = _gutter(look, frame)
    if place is None:
        return look, frame
    axis, position = place
    first, last = (frame.box[0], frame.box[2]) if axis == 0 else (frame.box[3], frame.box[1])
    if min(position - first, last - position) * look.planes.mm > SMALLEST_MM:
        raise Unsure("2 or more sheets found on the bed: bare lid runs between them, and only one can be cut out.")
    keep_first = position - first > last - position
    here = round(position) + (look.glass.top if axis == 0 else look.glass.left)
    ends = (("bottom" if keep_first else "top") if axis == 0 else ("right" if keep_first else "left"))
    part = _look(look.planes, replace(look.glass, **{ends: here}))
    smaller = sheet_among(part.frames)
    if smaller is None or _gutter(part, smaller) is not None:
        raise Unsure("Something lies close beside the sheet, and the edge between them is not certain.")
    return part, smaller


def _papers(look: Look, frame: Frame) -> tuple[Doubles, Doubles] | None:
    """Colours of lid and paper beside the edges of a frame, or None where they cannot be told apart."""
    far = lid.BESIDE_MM / look.planes.mm
    outside = lid.outside_of(frame, look.cells.shape[:2], far)
    colour = lid.lid_colour(look.cells, outside)
    if colour is None:
        return None
    inner = lid.outside_of(frame, look.cells.shape[:2], -2 * far) & ~lid.outside_of(frame, look.cells.shape[:2], -far / 2)
    paper = np.median(look.cells[inner], axis=0).astype(np.float64)
    return (colour, paper) if float(np.linalg.norm(paper - colour)) > 1.0 else None


def _gutter(look: Look, frame: Frame) -> tuple[int, float] | None:
    """Find a line of bare lid from one side of a frame to the other: 0 and its row, or 1 and its column."""
    colours = _papers(look, frame)
    if colours is None:
        return None
    mm = look.planes.mm
    for axis, names in ((0, ("top", "bottom")), (1, ("left", "right"))):
        cells = look.cells if axis == 0 else look.cells.transpose(1, 0, 2)
        before, after = (frame.box[0], frame.box[2]) if axis == 0 else (frame.box[3], frame.box[1])
        first, last = (frame.box[3], frame.box[1]) if axis == 0 else (frame.box[0], frame.box[2])
        for line in (line for name in names for line in look.found[name]):
            middle = float(line.at((first + last) / 2))
            net = running_net([line], cells.shape[1])[0]
            seen = (net[int(min(last, cells.shape[1]))] - net[int(max(first, 0))]) / (last - first)
            if seen < LEAST_NET or min(middle - before, after - middle) * mm < GUTTER_MM:
                continue
            for step in np.arange(-round(GUTTER_MM / mm), round(GUTTER_MM / mm) + 1, 2):
                beside = Candidate(line.start + float(step), line.slope, line.seen)
                at = float(beside.at((first + last) / 2))
                if min(at - before, after - at) * mm > GUTTER_MM and lid.share_of_lid(cells, beside, first, last, *colours) > 0.8:
                    return axis, at
    return None


def _measure(preview: NDArray[np.uint16], look: Look, frame: Frame) -> list[Edge | None]:
    """Measure the four sides in the preview itself; None for the rims."""
    rough = [look.rough(side, axis) for axis, side in enumerate(frame.sides)]
    corners = _corners(rough)
    ppi = look.planes.ppi
    edges: list[Edge | None] = []
    for axis, line in enumerate(rough):
        if frame.rims[axis]:
            edges.append(None)
            continue
        picture = preview.transpose(1, 0, 2) if axis % 2 == 0 else preview
        ends = sorted((corners[axis][axis % 2], corners[(axis + 1) % 4][axis % 2]))
        edge = measure_edge(read_band(picture, line, ends[0], ends[1], 1 if axis in (1, 2) else -1, ppi), ppi)
        if edge is None:
            raise Unsure(f"The {NAMES[axis]} edge of the sheet is too faint to measure.")
        edges.append(edge)
    return edges


def _corners(lines: list[Line]) -> list[Corner]:
    """Clockwise from the top left, of top, right, bottom and left lines."""
    top, right, bottom, left = lines
    return [crossing(top, left), crossing(top, right), crossing(bottom, right), crossing(bottom, left)]


def _skew(edges: list[Edge | None]) -> tuple[float, float]:
    """Skew of the sheet, and by how much the sides differ in it, degrees."""
    turns, errors, shares = [], [], []
    for axis, edge in enumerate(edges):
        if edge is not None:
            turns.append(np.degrees(np.arctan(edge.line.slope)) * (-1 if axis % 2 == 0 else 1))
            # 0.01 degrees: what the fit of a good edge is off by for other reasons than noise.
            errors.append(np.hypot(np.degrees(edge.line.slope_error), 0.01))
            shares.append(edge.share)
    clear = np.array(shares) >= CLEAR
    if np.count_nonzero(clear) < 2:
        clear = np.ones(len(turns), dtype=bool)
    turn, weights = np.array(turns)[clear], 1 / np.square(np.array(errors)[clear])
    mean = float(np.average(turn, weights=weights))
    chi = float(np.sum(weights * (turn - mean) ** 2)) / max(1, len(turn) - 1)
    # Sides that disagree by more than their errors: the sheet is not square, and each of its sides counts the same.
    return (mean if chi < 9 else float(np.mean(turn))), float(np.ptp(turn))


def _judge(shape: tuple[int, ...], look: Look, frame: Frame, edges: list[Edge | None], colour: Doubles | None) -> Finding:
    skew, spread = _skew(edges)
    lines = [_turned(edge, axis, skew) for axis, edge in enumerate(edges)]
    corners = _corners(_with_rims(lines, skew, shape))
    mm = 25.4 / look.planes.ppi
    sides = tuple(
        Side(name, edge.strength, edge.share, edge.line.scatter * mm, False) if edge is not None else Side(name, 0.0, 0.0, 0.0, True)
        for name, edge in zip(NAMES, edges, strict=True)
    )
    confidence, doubt = _confidence(look, frame, edges, spread, colour)
    decision = Decision.CROP if confidence >= ENOUGH else Decision.HELD
    seen = sum(not side.on_rim for side in sides)
    reason = f"One sheet with {seen} edges seen, lying {skew:+.2f} degrees askew." if decision is Decision.CROP else doubt
    return Finding(decision, reason, tuple((round(x, 3), round(y, 3)) for x, y in corners), round(skew, 4), round(confidence, 3), sides)


def _turned(edge: Edge | None, axis: int, skew: float) -> Line | None:
    """The line of an edge; of one badly seen only its place, with the direction of the sheet."""
    if edge is None or edge.share >= CLEAR:
        return edge.line if edge is not None else None
    slope = float(np.tan(np.radians(skew)))
    return replace(edge.line, slope=-slope if axis % 2 == 0 else slope)


def _with_rims(lines: list[Line | None], skew: float, shape: tuple[int, ...]) -> list[Line]:
    """Put in the rims, turned as the sheet is and moved inwards until no part of the side lies outside the picture."""
    slope = float(np.tan(np.radians(skew)))
    rim = [0.0, float(shape[1]), float(shape[0]), 0.0]
    full = [line or Line(0.0, rim[axis], 0.0) for axis, line in enumerate(lines)]
    corners = _corners(full)
    for axis, line in enumerate(lines):
        if line is None:
            ends = [corners[axis][axis % 2], corners[(axis + 1) % 4][axis % 2]]
            lean = -slope if axis % 2 == 0 else slope
            over = [lean * (end - ends[0]) for end in ends]
            start = rim[axis] - (max(over) if axis in (1, 2) else min(over))
            full[axis] = Line(ends[0], start, lean)
    return full


def _confidence(look: Look, frame: Frame, edges: list[Edge | None], spread: float, colour: Doubles | None) -> tuple[float, str]:
    """Multiply the chances that each thing that speaks for the sheet is true; the weakest gives the reason to hold."""
    chances: list[tuple[float, str]] = []
    for name, edge in zip(NAMES, edges, strict=True):
        if edge is None:
            chances.append((0.97, f"The sheet runs out of the picture at the {name}."))
            continue
        chances.append((1 - 0.3 * (1 - edge.share) ** 1.5, f"The {name} edge is seen on {edge.share:.0%} of its length only."))
        if colour is not None and (np.abs(edge.outside - colour) > LID_BESIDE).any():
            chances.append((0.5, f"What lies beyond the {name} edge does not look like the bare lid."))
    chances.append((float(np.exp(-((spread / 2.0) ** 2))), f"The edges differ by {spread:.1f} degrees from a rectangle."))
    chances.append((0.99, "The sheet is not certain."))
    confidence = float(np.prod([chance for chance, _ in chances]))
    return confidence, min(chances)[1]


# Twice the drift of a lid, for a strip of it against all of it.
LID_BESIDE = 2 * lid.LID_DRIFT

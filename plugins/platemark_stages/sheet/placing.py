"""Placing: the four sides measured in the preview, the skew they agree on, and the corners."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from .blocks import BLOCK, place_by_area
from .deckle import with_deckle
from .finding import Corner, Unsure
from .lines import Line, crossing
from .look import Look
from .planes import Planes
from .profiles import Band, Edge, measure_edge, read_band
from .rectangle import Frame
from .sides import NAMES

STEPS = 4.0  # of rounding: an edge so high is drawn within its block and not only at the border of one
LEVEL = 0.25  # of a block: what climbs less lies along one border of it
LEVEL_MM = 0.5  # by which such a side may be out at most to be relied on
CLEAR = 0.75  # share of a side that must be seen for its direction to count; with less, one piece of shadow turns it


def measured(preview: NDArray[np.uint16], look: Look, frame: Frame) -> list[Edge | None]:
    """Measure the four sides in the preview itself; None for the rims."""
    rough = [look.rough(side, axis) for axis, side in enumerate(frame.sides)]
    corners = corners_of(rough)
    edges: list[Edge | None] = []
    for axis, line in enumerate(rough):
        if frame.rims[axis]:
            edges.append(None)
            continue
        picture, ends, outward = _along_side(preview, corners, axis)
        edge = _measure_side(picture, line, ends, outward, look.planes)
        if edge is None:
            raise Unsure(f"The {NAMES[axis]} edge of the sheet is too faint to measure.")
        edges.append(with_deckle(edge, picture, ends, outward, look.planes))
    return _aligned(preview, look.planes, rough, edges)


def _along_side(
    preview: NDArray[np.uint16], corners: list[Corner], axis: int
) -> tuple[NDArray[np.uint16], tuple[float, float], int]:
    """The preview as (along, across, 3) for a side, where the side begins and ends, and which way is outwards."""
    first, last = sorted((corners[axis][axis % 2], corners[(axis + 1) % 4][axis % 2]))
    picture = preview.transpose(1, 0, 2) if axis % 2 == 0 else preview
    return picture, (first, last), 1 if axis in (1, 2) else -1


def _aligned(
    preview: NDArray[np.uint16], planes: Planes, rough: list[Line], edges: list[Edge | None]
) -> list[Edge | None]:
    """Read the badly seen sides once more along the direction of the clear ones, and keep what shows more of them.

    A faint side gives a rough line so far off in its direction that most of its length lies beyond what is read.
    """
    if sum(edge is not None and edge.share >= CLEAR for edge in edges) < 2:
        return edges
    skew, _ = skew_of(edges)
    corners = corners_of(rough)
    better = list(edges)
    for axis, edge in enumerate(edges):
        if edge is None or edge.share >= CLEAR:
            continue
        picture, ends, outward = _along_side(preview, corners, axis)
        middle = sum(ends) / 2
        line = Line(middle, float(rough[axis].at(middle)), _slope_of(skew, axis))
        again = _measure_side(picture, line, ends, outward, planes)
        if again is not None and again.share > edge.share:
            better[axis] = again
    return better


def _slope_of(skew: float, axis: int) -> float:
    """Across per along of a side of a sheet that lies askew by so many degrees."""
    slope = float(np.tan(np.radians(skew)))
    return -slope if axis % 2 == 0 else slope


def _measure_side(
    picture: NDArray[np.uint16], rough: Line, ends: tuple[float, float], outward: int, planes: Planes
) -> Edge | None:
    """Measure one side; read again about the edge found where that lies far from the rough line."""
    for _ in range(3):
        band = read_band(picture, rough, *ends, outward, planes.ppi, planes.rounding)
        edge = measure_edge(band, planes.ppi)
        if edge is None:
            return None
        edge = _by_area(_by_lightness(edge, band, planes), picture, band, planes)
        if max(abs(float(edge.line.at(end) - rough.at(end))) for end in ends) < planes.ppi / 25.4:
            return edge
        rough = edge.line
    return edge


def _by_lightness(edge: Edge, band: Band, planes: Planes) -> Edge:
    """The side by lightness where a JPEG moved the colours to the borders of its blocks and lightness shows it too."""
    if not any(planes.rounding[1:]):
        return edge
    ends = (float(band.along[0]), float(band.along[-1]))
    # A side that climbs over a whole block or more meets their borders at all phases, which evens out.
    climb = abs(edge.line.slope) * (ends[1] - ends[0])
    if climb >= BLOCK:
        return edge
    light = measure_edge(replace(band, slopes=band.slopes * np.array([1.0, 0.0, 0.0])), planes.ppi)
    if light is not None and light.share >= CLEAR:
        moved = max(abs(float(light.line.at(end) - edge.line.at(end))) for end in ends)
        if moved < BLOCK:
            # A block of lightness is moved too where the edge is but a few steps high.
            high = abs(float(light.inside[0] - light.outside[0]))
            return replace(light, by_blocks=high < STEPS * planes.rounding[0])
    return replace(edge, by_blocks=True, level=climb < BLOCK * LEVEL)


def _by_area(edge: Edge, picture: NDArray[np.uint16], band: Band, planes: Planes) -> Edge:
    """A side that only the colour of level blocks shows, placed by how much of them it covers."""
    if not edge.level:
        return edge
    first, last = int(band.along[0]), int(band.along[-1]) + 1
    found = place_by_area(picture[first:last], edge.line.across, band.outward, planes.rounding)
    if found is None:
        return edge
    place, out = found
    line = replace(edge.line, across=place, middle=(first + last) / 2)
    return replace(edge, line=line, level=out * 25.4 / planes.ppi > LEVEL_MM)


def exact_frame(look: Look, frame: Frame, edges: list[Edge | None]) -> Frame:
    """The frame with its sides where they were measured."""
    top, right, bottom, left = (
        side if edge is None else look.line_in_cells(edge.line, axis, side.seen)
        for axis, (side, edge) in enumerate(zip(frame.sides, edges, strict=True))
    )
    tl, tr, br, bl = corners_of([Line(0.0, side.start, side.slope) for side in (top, right, bottom, left)])
    box = ((tl[1] + tr[1]) / 2, (tr[0] + br[0]) / 2, (br[1] + bl[1]) / 2, (bl[0] + tl[0]) / 2)
    return replace(frame, sides=(top, right, bottom, left), box=box)


def corners_of(lines: list[Line]) -> list[Corner]:
    """Clockwise from the top left, of top, right, bottom and left lines."""
    top, right, bottom, left = lines
    return [crossing(top, left), crossing(top, right), crossing(bottom, right), crossing(bottom, left)]


def skew_of(edges: list[Edge | None]) -> tuple[float, float]:
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


def turned(edge: Edge | None, axis: int, skew: float) -> Line | None:
    """The line of an edge; of one badly seen only its place, with the direction of the sheet."""
    if edge is None or edge.share >= CLEAR:
        return edge.line if edge is not None else None
    return replace(edge.line, slope=_slope_of(skew, axis))


def with_rims(lines: list[Line | None], skew: float, shape: tuple[int, ...]) -> list[Line]:
    """Put in the rims, turned as the sheet is and moved inwards until no part of the side lies outside the picture."""
    rim = [0.0, float(shape[1]), float(shape[0]), 0.0]
    full = [line or Line(0.0, rim[axis], 0.0) for axis, line in enumerate(lines)]
    corners = corners_of(full)
    for axis, line in enumerate(lines):
        if line is None:
            ends = [corners[axis][axis % 2], corners[(axis + 1) % 4][axis % 2]]
            lean = _slope_of(skew, axis)
            over = [lean * (end - ends[0]) for end in ends]
            start = rim[axis] - (max(over) if axis in (1, 2) else min(over))
            full[axis] = Line(ends[0], start, lean)
    return full

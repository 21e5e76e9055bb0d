"""Finder: decides where the sheet is, or says why it does not know."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from . import lid
from .bed import glass_all, glass_of, without_streaks
from .beside import check_outside, check_rims, out_to_the_lid
from .finding import Decision, Finding, Side, Unsure
from .gutter import without_strip
from .look import Look, look_at
from .placing import CLEAR, corners_of, measured, skew_of, turned, with_rims
from .planes import reduce_to_cells
from .profiles import Edge
from .rectangle import NAMES, SMALLEST_MM, others_beside, sheet_among

Doubles = NDArray[np.float64]

ENOUGH = 0.8  # of confidence: one scan in five wrong is more than anybody checks for, so below it a person looks
SQUARE_DEG = (
    1.2  # sides of a sheet cut by hand differ by half a degree; from a whole degree on they belong to different things
)
LID_BESIDE = 2 * lid.LID_DRIFT  # for a strip of lid against all of it


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
        size = f"{preview.shape[1]} x {preview.shape[0]} pixels at {ppi:g} ppi"
        raise ValueError(f"preview of {size}: narrower than {SMALLEST_MM:g} mm, too small for a sheet")
    mended = without_streaks(preview)
    planes = reduce_to_cells(mended, ppi)
    look = look_at(planes, glass_of(planes.cells, planes.mm))
    try:
        return _decide(mended, look)
    except Unsure as unsure:
        return Finding(Decision.HELD, str(unsure))


def _decide(preview: NDArray[np.uint16], look: Look) -> Finding:
    frame = sheet_among(look.frames)
    if frame is None and look.glass != glass_all(look.planes.cells):
        # What was taken for the frame of the glass may be a dark lid around a large sheet.
        look = look_at(look.planes, glass_all(look.planes.cells))
        frame = sheet_among(look.frames)
        if frame is None:
            raise Unsure("A frame was seen around the bed, but no sheet within it.")
    if frame is None:
        return _without_sheet(look)
    look, frame = without_strip(look, frame)
    frame = out_to_the_lid(look, frame)
    check_rims(look, frame)
    others = len(others_beside(look.frames, frame))
    outside = lid.outside_of(frame, look.cells.shape[:2], lid.BESIDE_MM / look.planes.mm)
    colour = lid.lid_colour(look.cells, outside)
    if colour is not None:
        others = max(others, lid.things_beside(look.cells, outside, colour, look.planes.mm))
    if others:
        raise Unsure(f"{others + 1} sheets found on the bed, and only one can be cut out.")
    check_outside(look, frame)
    edges = measured(preview, look, frame)
    return _judge(preview.shape, look.planes.ppi, edges, colour)


def _without_sheet(look: Look) -> Finding:
    """Decide where no outline is seen: an empty bed, art all over it, or something that nobody can tell."""
    if lid.is_bare(look.cells, look.planes.mm):
        reason = "The bed is empty: one even surface without an edge or a mark."
        return Finding(Decision.LEAVE, reason, confidence=0.9, bare=True)
    if lid.is_covered(look.cells, look.planes.mm):
        return Finding(
            Decision.LEAVE,
            "The art covers the whole bed: it runs out over all four rims and shows no edge.",
            confidence=0.9,
        )
    raise Unsure("No sheet with four straight edges was seen, yet the bed is neither empty nor covered by art.")


def _judge(shape: tuple[int, ...], ppi: float, edges: list[Edge | None], colour: Doubles | None) -> Finding:
    """Put the finding together, to be cropped where it is certain enough."""
    skew, spread = skew_of(edges)
    lines = [turned(edge, axis, skew) for axis, edge in enumerate(edges)]
    corners = corners_of(with_rims(lines, skew, shape))
    mm = 25.4 / ppi
    sides = tuple(
        Side(name, edge.strength, edge.share, edge.line.scatter * mm, False)
        if edge is not None
        else Side(name, 0.0, 0.0, 0.0, True)
        for name, edge in zip(NAMES, edges, strict=True)
    )
    confidence, doubt = _confidence(edges, skew, spread, colour)
    decision = Decision.CROP if confidence >= ENOUGH else Decision.HELD
    seen = sum(not side.on_rim for side in sides)
    reason = (
        f"One sheet with {seen} edges seen, lying {skew:+.2f} degrees askew." if decision is Decision.CROP else doubt
    )
    return Finding(
        decision,
        reason,
        tuple((round(x, 3), round(y, 3)) for x, y in corners),
        round(skew, 4),
        round(confidence, 3),
        sides,
    )


def _confidence(edges: list[Edge | None], skew: float, spread: float, colour: Doubles | None) -> tuple[float, str]:
    """Multiply the chances that each thing that speaks for the sheet is true; the weakest gives the reason to hold."""
    chances: list[tuple[float, str]] = []
    for name, edge in zip(NAMES, edges, strict=True):
        if edge is None:
            chances.append((0.97, f"The sheet runs out of the picture at the {name}."))
            continue
        chance = 1 - 0.3 * (1 - edge.share) ** 1.5
        if edge.share < CLEAR:
            # A chance line of noise has any direction; one edge of this sheet has the sheet's.
            turn = np.degrees(np.arctan(edge.line.slope)) * (-1 if name in {"top", "bottom"} else 1)
            chance *= float(np.exp(-(((turn - skew) / 0.5) ** 2)))
        chances.append((chance, f"The {name} edge is seen on {edge.share:.0%} of its length only."))
        if colour is not None and (np.abs(edge.outside - colour) > LID_BESIDE).any():
            chances.append((0.5, f"What lies beyond the {name} edge does not look like the bare lid."))
    chances.extend(
        (0.4, f"The same paper as elsewhere on the sheet goes on beyond the {name} edge.") for name in _on_paper(edges)
    )
    chances.append(
        (float(np.exp(-((spread / SQUARE_DEG) ** 2))), f"The edges differ by {spread:.1f} degrees from a rectangle.")
    )
    chances.append((0.99, "The sheet is not certain."))
    confidence = float(np.prod([chance for chance, _ in chances]))
    return confidence, min(chances)[1]


def _on_paper(edges: list[Edge | None]) -> list[str]:
    """Sides beyond which the tint is that of the paper within another side, and not that of the lid beyond it."""
    tints = [
        (name, edge.inside[1:], edge.outside[1:]) for name, edge in zip(NAMES, edges, strict=True) if edge is not None
    ]
    doubtful = []
    for name, _, beyond in tints:
        for other, paper, bare in tints:
            # Below one level of tint, paper and lid cannot be told apart by it.
            told_apart = other != name and float(np.linalg.norm(paper - bare)) > 1.0
            if told_apart and float(np.linalg.norm(beyond - paper)) < 0.4 * float(np.linalg.norm(beyond - bare)):
                doubtful.append(name)
                break
    return doubtful

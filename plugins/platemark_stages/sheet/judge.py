"""Judge: how certain a sheet is, from all that was seen of it."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from platemark import sizes_sold

from . import lid
from .finding import Corner, Decision, Finding, Side
from .placing import CLEAR, corners_of, skew_of, turned, with_rims
from .profiles import Edge
from .sides import NAMES

Doubles = NDArray[np.float64]

# What the product of all chances was worth: share of sheets with every corner within half a millimetre (plus 0.3 mm for
# ragged and hand-cut edges), measured on 300 drawn beds; `python bench/sheet.py --scenes` measures it anew.
SAID = (0.0, 0.2, 0.5, 0.8, 0.93, 0.96, 0.99)
WORTH = (0.0, 0.03, 0.4, 0.8, 0.95, 0.98, 0.99)
# Odds that a sheet of the size that was expected is right against one of another size. Another sheet may lie on the bed
# than was announced, so it is far from proof.
PAPER_FITS, PAPER_DIFFERS = 4.0, 0.3
PAPER_MM = 1.5  # as far as a side of up to 150 mm may be off. Source: ISO 216, from memory
# A sheet of a size that paper is sold in. Twenty such fit on the bed, and both sides within half a millimetre of one
# is what one rectangle of a thousand there is by chance; at least a quarter of all sheets are. Odds of 250 that
# would be, but a side that is out by chance leaves the others right: no more than where the size was expected.
SOLD_FITS, SOLD_MM = PAPER_FITS, 0.5
SOLD = np.array(sizes_sold())
ENOUGH = 0.8  # of confidence: one scan in five wrong is more than anybody checks for, so below it a person looks
# What it costs where all of a side is missed. On drawn beds most of the sides seen on less than `CLEAR` of their length
# were out by a millimetre and more: such a side needs something else that speaks for it, as the size of the sheet does.
MISSED, MISSED_MUCH = 0.3, 0.8
# That a sheet reaches a rim is told by the colour of paper along it, which says less where only the blocks of a JPEG
# tell that colour from the lid's.
RIM, RIM_COARSE = 0.97, 0.9
# Where only the blocks of a JPEG show a side: fitted across their borders at all phases, or all along one of them,
# which may be half a block, 1.4 mm at 150 ppi, beside the sheet.
BLOCKS, BLOCKS_LEVEL = 0.96, 0.5
SQUARE_DEG = (
    1.2  # sides of a sheet cut by hand differ by half a degree; from a whole degree on they belong to different things
)
ODD = 0.2  # the contrast of one side against that of all others: paper does not change so much around a sheet
CLEARLY = 3.0  # times what lid differs from lid
LID_BESIDE = 2 * lid.LID_DRIFT  # for a strip of lid against all of it


def judged(
    shape: tuple[int, ...],
    ppi: float,
    edges: list[Edge | None],
    colour: Doubles | None,
    paper_mm: tuple[float, float] | None = None,
) -> Finding:
    """Put the finding together, to be cropped where it is certain enough.

    Args:
        shape: of the preview.
        ppi: of the preview.
        edges: top, right, bottom, left; None on a rim.
        colour: of bare lid, None where it is not known.
        paper_mm: width and height of the paper that is expected, either way round.
    """
    skew, spread = skew_of(edges)
    lines = [turned(edge, axis, skew) for axis, edge in enumerate(edges)]
    corners = corners_of(with_rims(lines, skew, shape))
    mm = 25.4 / ppi
    sides = tuple(
        Side(name, edge.strength, edge.share, edge.line.scatter * mm, False, edge.bay * mm, edge.tongue * mm)
        if edge is not None
        else Side(name, 0.0, 0.0, 0.0, True)
        for name, edge in zip(NAMES, edges, strict=True)
    )
    confidence, doubt = _confidence(edges, skew, spread, colour)
    confidence = float(np.interp(_with_paper(confidence, corners, sides, mm, paper_mm), SAID, WORTH))
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
    coarse = any(edge is not None and edge.by_blocks for edge in edges)
    for name, edge in zip(NAMES, edges, strict=True):
        if edge is None:
            chances.append((RIM_COARSE if coarse else RIM, f"The sheet runs out of the picture at the {name}."))
            continue
        chance = 1 - (MISSED if edge.share >= CLEAR else MISSED_MUCH) * (1 - edge.share) ** 1.5
        doubt = f"The {name} edge is seen on {edge.share:.0%} of its length only."
        if edge.share < CLEAR or edge.by_blocks:
            # A chance line of noise has any direction, and a border of blocks its own; an edge of this sheet has its.
            turn = np.degrees(np.arctan(edge.line.slope)) * (-1 if name in {"top", "bottom"} else 1)
            chance *= float(np.exp(-(((turn - skew) / 0.5) ** 2)))
            doubt = doubt if edge.share < CLEAR else f"The {name} edge may be a border of blocks of the JPEG."
        chances.append((chance, doubt))
        if colour is not None and (np.abs(edge.outside - colour) > LID_BESIDE).any():
            chances.append((0.5, f"What lies beyond the {name} edge does not look like the bare lid."))
    chances.extend(
        (0.4, f"The same paper as elsewhere on the sheet goes on beyond the {name} edge.") for name in _on_paper(edges)
    )
    chances.extend(
        (BLOCKS_LEVEL if edge.level else BLOCKS, f"Only coarse blocks of a JPEG show the {name} edge.")
        for name, edge in zip(NAMES, edges, strict=True)
        if edge is not None and edge.by_blocks
    )
    chances.extend(
        (0.5, f"Two edges {edge.rival_mm:.0f} mm apart are seen at the {name}, and one is made by the JPEG.")
        for name, edge in zip(NAMES, edges, strict=True)
        if edge is not None and edge.rival_mm
    )
    chances.extend((0.5, doubt) for doubt in _odd_sides(edges))
    chances.append(
        (float(np.exp(-((spread / SQUARE_DEG) ** 2))), f"The edges differ by {spread:.1f} degrees from a rectangle.")
    )
    chances.append((0.99, "The sheet is not certain."))
    confidence = float(np.prod([chance for chance, _ in chances]))
    return confidence, min(chances)[1]


def _with_paper(
    chance: float,
    corners: list[Corner],
    sides: tuple[Side, ...],
    mm: float,
    paper_mm: tuple[float, float] | None,
) -> float:
    """The chance, better for a size that is expected or that paper is sold in, worse for another than is expected."""
    if any(side.on_rim for side in sides):
        return chance
    lengths = [float(np.hypot(*np.subtract(corners[k], corners[(k + 1) % 4]))) * mm for k in range(4)]
    size = sorted(((lengths[0] + lengths[2]) / 2, (lengths[1] + lengths[3]) / 2))
    if paper_mm is not None:
        fits = all(abs(side - paper) < PAPER_MM for side, paper in zip(size, sorted(paper_mm), strict=True))
        factor = PAPER_FITS if fits else PAPER_DIFFERS
    else:
        factor = SOLD_FITS if (np.abs(SOLD - size) < SOLD_MM).all(axis=1).any() else 1.0
    odds = chance / max(1e-6, 1 - chance) * factor
    return odds / (1 + odds)


def _contrasts(edges: list[Edge | None]) -> dict[str, float]:
    """How much each side differs within and beyond, in what lid differs from lid."""
    seen = [(name, edge) for name, edge in zip(NAMES, edges, strict=True) if edge is not None]
    return {name: float(np.max(np.abs(edge.inside - edge.outside) / lid.LID_DRIFT)) for name, edge in seen}


def _odd_sides(edges: list[Edge | None]) -> Iterator[str]:
    """One side much fainter than the rest has lid within; one much stronger, on paper like lid, has paint within."""
    found = _contrasts(edges)
    for name, contrast in found.items():
        rest = [other for key, other in found.items() if key != name]
        if not rest:
            continue
        if contrast < ODD * min(rest) and min(rest) > CLEARLY:
            yield f"What lies within the {name} edge looks like the bare lid."
        if max(rest) < ODD * contrast and max(rest) < 1 and contrast > CLEARLY:
            yield f"The {name} edge may be that of the painting."


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

"""Deckle: how far a torn or deckle edge leaves the line that a ruler would be laid to, inwards and outwards."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from .planes import Planes
from .profiles import SEEN, STRAY, Edge, mean_shape, places_of, read_band

ROUGH_MM = 0.08  # scatter of a clean cut stays below; that of torn and deckle paper is several times this
PIECE_MM = 1.0  # shorter than the bays of handmade paper, long enough to average its fibres
ENDS = (2.0, 98.0)  # per cent: a hair or a speck across the edge is no part of it


def with_deckle(
    edge: Edge, picture: NDArray[np.uint16], ends: tuple[float, float], outward: int, planes: Planes
) -> Edge:
    """Follow a rough edge millimetre by millimetre; a clean one is given back as it is.

    Args:
        edge: as measured.
        picture: (along, across, 3).
        ends: where along it the side begins and ends, pixels.
        outward: +1 or -1.
        planes: of the preview.
    """
    per_mm = planes.ppi / 25.4
    # A faint edge cannot be followed so closely.
    if edge.line.scatter < ROUGH_MM * per_mm or edge.strength < STRAY * SEEN:
        return edge
    band = read_band(picture, edge.line, *ends, outward, planes.ppi, planes.rounding, PIECE_MM)
    straight = replace(edge.line, across=0.0, slope=0.0)
    limit = 2.0 * float(np.sqrt(np.median(np.sum(band.slopes**2, axis=2).max(axis=1))))
    capped = replace(band, slopes=np.clip(band.slopes, -limit, limit))
    shift, match = places_of(capped, straight, mean_shape(capped, straight), round(1.5 * per_mm))
    clear = match > SEEN
    if not clear.any():
        return edge
    inmost, outmost = np.percentile(shift[clear] - np.median(shift[clear]), ENDS)
    return replace(edge, bay=max(0.0, -float(inmost)), tongue=max(0.0, float(outmost)))

"""Faint: sides too faint for a search in all directions, looked for along the direction that two clear sides have."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from .bed import Glass
from .evidence import SEEN, SURE, Candidate
from .finding import NothingSeen
from .look import Look, look_at
from .planes import Planes
from .rectangle import Frames
from .search import STRETCH, Floats

POOL = 9  # stretches, nine centimetres: a side of a small sheet
# Nine stretches at half the limit are rarer by chance than one at the limit, and there are a few hundred lines of one
# direction where the search in all of them has a hundred thousand.
POOLED = 2.0
SQUARE = 0.005  # 0.3 degrees: two clear sides of one sheet, with the coarse slopes of the search
CLEAR_MM = 50.0  # of two sides that give the direction
MOST = 6  # lines a side: the few that a sheet and a border drawn on it can have


def look_along(planes: Planes, glass: Glass) -> Look:
    """Search the glass for lines along the direction of its two clearest ones, and for frames of them.

    Raises:
        NothingSeen: there are no two that are square to each other.
    """
    look = look_at(planes, glass)
    turn = _turn_of(look)
    if turn is None:
        raise NothingSeen("No two clear sides that are square to each other were seen.")
    lines = look.traces.along(turn, look.free, MOST)
    found = {name: [replace(line, seen=_over_several(line)) for line in own] for name, own in lines.items()}
    return replace(look, found=found, frames=Frames(found, *look.traces.shape, planes.mm))


def _turn_of(look: Look) -> float | None:
    """Turn of the longest line along the rows and the longest along the columns that are square to each other."""
    least = CLEAR_MM / look.planes.mm / STRETCH
    rows = [(-line.slope, _sure(line)) for name in ("top", "bottom") for line in look.found[name]]
    columns = [(line.slope, _sure(line)) for name in ("left", "right") for line in look.found[name]]
    pairs = [
        (long_row + long_column, (row + column) / 2)
        for row, long_row in rows
        for column, long_column in columns
        if min(long_row, long_column) >= least and abs(row - column) < SQUARE
    ]
    return max(pairs)[1] if pairs else None


def _sure(line: Candidate) -> int:
    """Stretches of a line that are certain."""
    return int(np.count_nonzero(line.seen >= SURE))


def _over_several(line: Candidate) -> Floats:
    """Evidence stretch by stretch, or of the stretches around together where that says more."""
    width = min(POOL, len(line.seen))
    # A stretch counts no more than one that is just seen: certain ones must not spread over their neighbours.
    mean = np.convolve(np.minimum(line.seen, SEEN), np.ones(width) / width, mode="same")
    return np.asarray(np.maximum(line.seen, np.minimum(POOLED * mean, SEEN)), dtype=np.float32)

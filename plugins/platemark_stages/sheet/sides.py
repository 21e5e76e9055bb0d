"""Sides: the lines that may be the top, right, bottom or left side of a sheet, and what is seen along them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .evidence import SEEN, SURE, Candidate, Evidence, Flags, candidates, evidence_before, parallels, tops_of, within
from .search import STEEPEST, STRETCH, Floats, stretch_strengths

Doubles = NDArray[np.float64]

NAMES = ("top", "right", "bottom", "left")
MOST = 16  # lines tried a side: art has few straight lines longer than these


@dataclass(frozen=True)
class Traces:
    """Edge strength all over the bed.

    Attributes:
        along_rows: from `stretch_strengths`, for top and bottom sides.
        along_columns: the same of the transposed cells, for left and right sides.
        shape: rows and columns of the cells.
    """

    along_rows: Floats
    along_columns: Floats
    shape: tuple[int, int]

    def lines(self, free: Flags, *, beyond: bool = False) -> dict[str, list[Candidate]]:
        """Candidate lines for each side of a sheet.

        Args:
            free: where to look, (rows, columns).
            beyond: look also for lines that begin or end beyond the bed, as far as the steepest do: a side that leans
                towards a rim. Takes half as long again, and few beds have one.

        Returns:
            The lines by name of the side, the strongest first.
        """
        return self._found(free, beyond=beyond, take=lambda evidence, _: candidates(evidence, MOST))

    def along(self, turn: float, free: Flags, most: int) -> dict[str, list[Candidate]]:
        """The strongest lines of one direction for each side of a sheet.

        Args:
            turn: of the sheet, tangent, > 0 = counter-clockwise.
            free: where to look, (rows, columns).
            most: how many a side.
        """
        return self._found(free, beyond=False, take=lambda evidence, lean: parallels(evidence, lean * turn, most))

    def _found(
        self, free: Flags, *, beyond: bool, take: Callable[[Evidence, int], list[Candidate]]
    ) -> dict[str, list[Candidate]]:
        """Lines taken from the evidence of each side, by name.

        Args:
            free: as for `lines`.
            beyond: as for `lines`.
            take: lines from evidence; also told by what the turn of the sheet is multiplied for their slope.
        """
        found: dict[str, list[Candidate]] = {}
        for names, strength, part, lean in (
            (("top", "bottom"), self.along_rows, free, -1),
            (("left", "right"), self.along_columns, free.T, 1),
        ):
            rows, count = part.shape[0], max(1, part.shape[1] // STRETCH)
            known = strength if free.all() else within(strength, part)
            margin = int(STEEPEST * part.shape[1]) if beyond else 0
            known = np.pad(known, ((0, 0), (0, 0), (margin, margin))) if margin else known
            tops = tops_of(known)
            upper = take(evidence_before(known, tops, count, margin), lean)
            found[names[0]] = [replace(line, start=line.start - margin) for line in upper]
            # The other side has its lid at the larger offsets: look from there, and turn back the lines found.
            known, tops = (np.ascontiguousarray(part[:, ::-1, ::-1]) for part in (known, tops))
            mirrored = take(evidence_before(known, tops, count, margin), -lean)
            found[names[1]] = [Candidate(rows - 1 + margin - line.start, -line.slope, line.seen) for line in mirrored]
        return found


def traces_of(cells: Floats, rounding: tuple[float, ...]) -> Traces:
    """Edge strength for all four sides."""
    upright = np.ascontiguousarray(cells.transpose(1, 0, 2))
    return Traces(
        stretch_strengths(cells, rounding), stretch_strengths(upright, rounding), (cells.shape[0], cells.shape[1])
    )


def running_net(lines: list[Candidate], length: int) -> Doubles:
    """Seen less twice missed from the start of each line to each cell, (line, cell + 1)."""
    return _running(lines, length, _net)


def running_certain(lines: list[Candidate], length: int) -> Doubles:
    """What is certainly an edge, from the start of each line to each cell, (line, cell + 1)."""
    return _running(lines, length, _certain)


def _net(seen: Floats) -> Floats:
    return np.asarray(np.minimum(seen * 3 / SEEN - 2, 1))


def _certain(seen: Floats) -> Floats:
    # Beyond the corners only what is surely an edge speaks against a side; half-seen things lie about on any bed.
    return np.asarray(np.clip((seen - SEEN) / (SURE - SEEN), 0, 1))


def _running(lines: list[Candidate], length: int, weigh: Callable[[Floats], Floats]) -> Doubles:
    """Sum of the weights of the stretches from the start of each line to each cell, (line, cell + 1)."""
    cells = np.repeat(np.array([weigh(line.seen) for line in lines]), STRETCH, axis=1)
    cells = np.pad(cells, ((0, 0), (0, max(0, length - cells.shape[1]))), mode="edge")[:, :length]
    return np.pad(np.cumsum(cells, axis=1, dtype=np.float64), ((0, 0), (1, 0)))

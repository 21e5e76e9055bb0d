"""Planes: the preview as lightness and two colour differences, reduced to cells for the search.

White paper on a white lid often differs more in tint than in lightness, so each is a plane of its own. Everything here
and beside it is measured in 8-bit grey levels (16-bit value / 257), the unit scanner noise is usually quoted in.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]

# Cells of about a third of a millimetre: the shadow beside a sheet of paper is 0.3 to 1 mm wide, so it still fills one.
CELLS_PER_MM = 3.0

# Rows: red, green, blue. Columns: lightness, warm against cool, green against magenta. The weights of a luma with
# power-of-two parts; which exact weights does not matter to an edge (common practice).
OPPONENT = np.array([[0.25, 1.0, -0.5], [0.5, 0.0, 1.0], [0.25, -1.0, -0.5]], dtype=np.float32) / np.float32(257.0)


@dataclass(frozen=True)
class Planes:
    """A preview in cells.

    Attributes:
        cells: (rows, columns, 3) lightness and colour differences in grey levels, means of `side` x `side` pixels.
        side: pixels along a cell.
        ppi: resolution of the preview, not of the cells.
        rounding: steps a JPEG makes between blocks of even areas, grey levels for each plane; 0 without such a grid.
    """

    cells: Floats
    side: int
    ppi: float
    rounding: tuple[float, ...] = (0.0, 0.0, 0.0)

    @property
    def mm(self) -> float:
        """Millimetres along a cell."""
        return self.side * 25.4 / self.ppi


def reduce_to_cells(preview: NDArray[np.uint16], ppi: float, per_mm: float = CELLS_PER_MM) -> Planes:
    """Average the preview in square cells and split it in lightness and colour differences.

    Args:
        preview: (rows, columns, 3), display-encoded.
        ppi: resolution of the preview.
        per_mm: about so many cells a millimetre.

    Returns:
        The planes. Rows and columns that do not fill a cell at the right and at the bottom are left out.
    """
    side = max(1, round(ppi / 25.4 / per_mm))
    rows, columns = preview.shape[0] // side, preview.shape[1] // side
    pixels = preview[: rows * side, : columns * side].reshape(rows * side, columns, 3 * side).astype(np.float32)
    # One matrix product does the sum along the row and the change of planes: far faster than a mean over a small axis.
    across = pixels @ np.tile(OPPONENT / np.float32(side), (side, 1))
    cells = across.reshape(rows, side, columns, 3).mean(axis=1)
    return Planes(cells=cells, side=side, ppi=ppi)

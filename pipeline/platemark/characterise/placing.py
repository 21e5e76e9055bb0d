"""Which patch of the reference lies where: the grid laid on the lattice in every way, the colours decide."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platemark.characterise.lattice import Lattice, find_lattice
from platemark.characterise.patches import flat_regions
from platemark.characterise.reference import ChartError, Reference

Numbers = NDArray[np.float64]
Layout = NDArray[np.int64]
Pixels = NDArray[np.uint16]

MOST_SKEW = 10.0  # degrees
_MEASURED = 0.5  # of a degree and less is within what the finding itself may be off
# Neighbours within a patch differ by noise and texture, patches by their edge: which is which depends on both.
_CONTRASTS = (0.012, 0.03, 0.06)
# Colours of the right chart, guessed from the scan's by a quadratic, leave a few per cent of their variance; another
# chart, or the right one a row off, leaves more than half. Between lies nothing known.
_EXPLAINED = 0.8
_WORST = 0.15  # of the patches may be covered, or glare


@dataclass(frozen=True)
class Placed:
    """Where the patches lie.

    Attributes:
        cells: pixels of the four corners of each patch of the grid, shape (patches, 4, 2), clockwise on the chart.
        indices: which patch of the reference each of these is.
        turned: degrees the chart lies turned counter-clockwise: 0, 90, 180 or 270, as far as the names tell.
        skew: degrees beside that.
    """

    cells: Numbers
    indices: Layout
    turned: int
    skew: float


def find_chart(pixels: Pixels, reference: Reference, grid: tuple[int, int] | None = None) -> Placed:
    """Find the chart on a small picture of the scan.

    Args:
        pixels: shape (rows, columns, 3).
        reference: of the chart.
        grid: its rows and columns, where the reference does not tell.

    Raises:
        ChartError: there is none, it lies too far askew, or it is another.
    """
    layouts = reference.layouts(grid)
    found = [it for contrast in _CONTRASTS if (it := find_lattice(flat_regions(pixels, contrast))) is not None]
    if not found:
        raise ChartError(
            "no grid of patches was found on the scan: it shows no colour chart, or only the back of one",
            remedy="lay the chart face down on the glass and scan it whole, or give its four corners with --corners",
        )
    tried = sorted((_laid(pixels, lattice, layouts, reference.lab) for lattice in found), key=lambda it: -it[0])
    score, placed = tried[0]
    askew = max(found, key=lambda it: len(it.cells)).skew
    if placed is None or score < _EXPLAINED:
        _refuse_size(found, layouts, reference.name)
        _check_skew(askew)
        raise another_chart(reference.name)
    _check_skew(placed.skew)
    return placed


def chart_within(corners: Numbers, pixels: Pixels, reference: Reference, grid: tuple[int, int] | None = None) -> Placed:
    """As `find_chart`, between four corners of the grid of patches.

    Args:
        corners: x, y in pixels of the picture, clockwise from any of them; shape (4, 2).
        pixels: as in `find_chart`.
        reference: of the chart.
        grid: as in `find_chart`.

    Raises:
        ChartError: the corners enclose no area, or the colours between them are those of another chart.
    """
    x, y = (corners - corners.mean(axis=0)).T
    around = np.roll(x, -1) * y - np.roll(y, -1) * x
    if not ((around > 0).all() or (around < 0).all()) or abs(around.sum()) < 2 * len(reference.patches) * 9:
        raise ChartError(
            "the four corners enclose no chart", remedy="give them in order around the grid of patches, in pixels"
        )
    best: tuple[float, Placed | None] = (-np.inf, None)
    for layout in _unlike([np.rot90(it, turn) for it in reference.layouts(grid) for turn in range(4)]):
        rows, columns = layout.shape
        cells = _between(corners, rows, columns)
        score = _explained(_colours(pixels, cells), reference.lab, layout)
        best = max(best, (score, _placed(cells, layout, 0, 0.0)), key=lambda it: it[0])
    if best[1] is None or best[0] < _EXPLAINED:
        raise another_chart(reference.name)
    return best[1]


def another_chart(name: str) -> ChartError:
    """The refusal of a chart whose colours do not fit."""
    return ChartError(
        f"the patches on the scan are not those of {name}: it is another chart, or many of its patches are covered",
        remedy="name the reference that belongs to this chart, or uncover it and scan again",
    )


def _refuse_size(found: list[Lattice], layouts: list[Layout], name: str) -> None:
    """More columns or rows than the reference has, in every way: another chart for sure."""
    largest = max(found, key=lambda it: len(it.cells))
    columns, rows = np.ptp(largest.cells, axis=0) + 1
    wanted = layouts[0].shape
    if len(largest.cells) > layouts[0].size or min(rows, columns) > min(wanted) + 1:
        raise ChartError(
            f"the scan shows a grid of about {min(rows, columns)} x {max(rows, columns)} patches, and {name} has "
            f"{min(wanted)} x {max(wanted)}: it is another chart",
            remedy="name the reference that belongs to this chart",
        )


def _check_skew(skew: float) -> None:
    if abs(skew) > MOST_SKEW + _MEASURED:
        raise ChartError(
            f"the chart lies {abs(skew):.0f} degrees askew, and {MOST_SKEW:g} are the most that is read",
            remedy="lay it straight and scan again, or give its four corners with --corners",
        )


def _laid(pixels: Pixels, lattice: Lattice, layouts: list[Layout], lab: Numbers) -> tuple[float, Placed | None]:
    """The grid moved over the lattice so that it covers what was seen, in four directions: the best way."""
    best: tuple[float, Placed | None] = (-np.inf, None)
    low, high = lattice.cells.min(axis=0), lattice.cells.max(axis=0)
    for turn in range(4):
        for layout in _unlike([np.rot90(it, turn) for it in layouts]):
            rows, columns = layout.shape
            for left in _offsets(low[0], high[0], columns):
                for top in _offsets(low[1], high[1], rows):
                    cells = _cells(lattice, left, top, rows, columns)
                    if not _inside(cells, pixels.shape):
                        continue
                    score = _explained(_colours(pixels, cells), lab, layout)
                    if score > best[0]:
                        best = score, _placed(cells, layout, 90 * turn, lattice.skew)
    return best


def _unlike(layouts: list[Layout]) -> list[Layout]:
    kept: list[Layout] = []
    for layout in layouts:
        if not any(np.array_equal(layout, other) for other in kept):
            kept.append(layout)
    return kept


def _offsets(low: int, high: int, count: int) -> range:
    """Where the grid may begin so that it covers all that was seen, or is covered by it."""
    first, last = sorted((high - count + 1, low))
    return range(int(first), int(last) + 1)


def _cells(lattice: Lattice, left: int, top: int, rows: int, columns: int) -> Numbers:
    """The corners of each cell, shape (rows, columns, 4, 2)."""
    j, i = np.mgrid[top : top + rows, left : left + columns]
    square = np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]])
    return lattice.at(np.stack([i, j], axis=-1)[:, :, None] + square)


def _between(corners: Numbers, rows: int, columns: int) -> Numbers:
    """As `_cells`, between four corners: straight lines on two sides, as a flat bed shows them."""
    j, i = np.mgrid[0:rows, 0:columns]
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]])
    place = (np.stack([i, j], axis=-1)[:, :, None] + square) / (columns, rows)
    u, v = place[..., :1], place[..., 1:]
    a, b, c, d = corners
    laid: Numbers = (1 - u) * (1 - v) * a + u * (1 - v) * b + u * v * c + (1 - u) * v * d
    return laid


def _inside(cells: Numbers, shape: tuple[int, ...]) -> bool:
    """The middles of all cells are on the scan."""
    middles = cells.mean(axis=2)
    return bool((middles >= 1).all() and (middles < (shape[1] - 1, shape[0] - 1)).all())


def _colours(pixels: Pixels, cells: Numbers) -> Numbers:
    """The median of 5 x 5 points in the middle of each cell, 0 to 1."""
    share = np.linspace(0.35, 0.65, 5)
    u, v = (it[..., None] for it in np.meshgrid(share, share))
    a, b, c, d = (cells[..., k, :][..., None, None, :] for k in range(4))
    at = ((1 - u) * (1 - v) * a + u * (1 - v) * b + u * v * c + (1 - u) * v * d).astype(int)
    seen = pixels[at[..., 1].clip(0, pixels.shape[0] - 1), at[..., 0].clip(0, pixels.shape[1] - 1)]
    colours: Numbers = np.median(seen.reshape(*cells.shape[:2], -1, 3), axis=2) / 65535
    return colours


def _explained(colours: Numbers, lab: Numbers, layout: Layout) -> float:
    """How much of the reference's variance the scan foretells, each patch by the others, the worst left out."""
    known = layout >= 0
    r, g, b = np.sqrt(colours[known]).T
    terms = np.stack([np.ones_like(r), r, g, b, r * r, g * g, b * b], axis=1)
    wanted = lab[layout[known]]
    keep = np.ones(len(terms), bool)
    for _ in range(2):
        if np.linalg.matrix_rank(terms[keep]) < terms.shape[1]:
            return -np.inf
        hat = terms[keep] @ np.linalg.pinv(terms[keep])
        left = (wanted[keep] - hat @ wanted[keep]) / (1 - np.diag(hat)).clip(0.05)[:, None]
        error = (left**2).sum(axis=1)
        score = 1 - error.sum() / ((wanted[keep] - wanted[keep].mean(axis=0)) ** 2).sum()
        worst = np.quantile(error, 1 - _WORST)
        keep[np.flatnonzero(keep)[error > worst]] = False
    return float(score)


def _placed(cells: Numbers, layout: Layout, turned: int, skew: float) -> Placed:
    known = layout >= 0
    return Placed(cells[known], layout[known], turned, skew)

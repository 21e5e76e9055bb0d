"""Lid: what bare lid looks like on this scan, and what else lies on the bed beside the sheet."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .evidence import Candidate
from .planes import Floats
from .rectangle import SMALLEST_MM, Frame

Doubles = NDArray[np.float64]
Flags = NDArray[np.bool_]

TILE_MM = 4.0  # larger than any dust, smaller than anything that is laid on the bed on purpose
BESIDE_MM = 2.5  # past the shadow of the edge
# Grey levels by which lid differs from lid: fall-off of the lamp in lightness, JPEG in the colour differences.
LID_DRIFT = np.array([6.0, 2.0, 2.0])
ROUNDED = 1.25  # steps of a JPEG by which one even colour may differ from place to place: one, and what it is known by
RIM_MM = (1.0, 6.0)  # from the rim of the bed: past its own shadow, nearer than a sheet that lies free is laid
PAINT_MM = 20.0  # broader than tape and most strips of patches
LONG = 3.0  # times as long as broad: no strip
PAINT_FILLS = 0.4  # of its rectangle: paint has any outline, yet tape around a corner fills a third
PIECE = 16  # cells of a line that are looked at together, half a centimetre
THIN = 3  # every third cell each way is plenty for a median
LEAST_CELLS = 60
DUST_MM = 4.0  # dust is shorter, and the strokes of a signature run longer
MARK, MARK_NOISE = (
    3.0,
    8.0,
)  # grey levels, and medians of the noise (five deviations), off the ground: something lies here
MOST_MARKED = 0.01  # of the bed: no dust
SMOOTH = 1.5  # grey levels of standard deviation within a tile: bare lid and unpainted paper stay below


def outside_of(frame: Frame, shape: tuple[int, int], margin: float, step: int = 1) -> Flags:
    """Places that lie more than `margin` cells outside a frame, (rows, columns); beyond a rim there is nothing.

    Args:
        frame: four lines.
        shape: rows and columns of the cells.
        margin: cells.
        step: take the middle of every `step` x `step` cells only.
    """
    y, x = (np.arange(side // step) * step + step / 2 for side in shape)
    y, x = y[:, None], x[None, :]
    top, right, bottom, left = frame.sides
    parts = ((top.at(x), y), (x, right.at(y)), (y, bottom.at(x)), (left.at(y), x))
    flags = np.zeros((y.size, x.size), dtype=bool)
    for (more, less), rim in zip(parts, frame.rims, strict=True):
        if not rim:
            flags |= more - margin > less
    return flags


def _thinned(shape: tuple[int, ...]) -> tuple[slice, slice]:
    """The middle one of every THIN x THIN cells, as `outside_of` has it."""
    rows, columns = (side // THIN * THIN for side in shape[:2])
    return slice(THIN // 2, rows, THIN), slice(THIN // 2, columns, THIN)


def lid_colour(cells: Floats, free: Flags, frame: Frame, margin: float, mm: float) -> Doubles | None:
    """Colour of bare lid; None where hardly any is seen.

    Args:
        cells: (rows, columns, 3).
        free: where to look, (rows, columns).
        frame: the sheet.
        margin: cells around it that its shadow falls on.
        mm: millimetres along a cell.

    Returns:
        The median of all that lies around the sheet; of what lies along the rims of the bed where that differs, since
        other sheets may cover more of the bed than they leave of the lid, but hardly its rims.
    """
    some = outside_of(frame, cells.shape[:2], margin, THIN) & free[_thinned(free.shape)]
    # A strip 2 mm wide along one side of a small sheet: less cannot be told from a shadow.
    if np.count_nonzero(some) < LEAST_CELLS:
        return None
    colours = cells[_thinned(cells.shape)]
    colour = np.asarray(np.median(colours[some], axis=0), dtype=np.float64)
    near, far = (max(1, round(at / mm / THIN)) for at in RIM_MM)
    band = np.zeros(some.shape, dtype=bool)
    band[near:-near, near:-near] = True
    band[far:-far, far:-far] = False
    band &= some
    if np.count_nonzero(band) < LEAST_CELLS:
        return colour
    along = np.asarray(np.median(colours[band], axis=0), dtype=np.float64)
    return colour if (np.abs(along - colour) < LID_DRIFT).all() else along


def paper_colour(cells: Floats, frame: Frame, margin: float) -> Doubles:
    """Median colour half to twice `margin` cells within the edges of a frame."""
    shape = cells.shape[:2]
    inner = outside_of(frame, shape, -2 * margin, THIN) & ~outside_of(frame, shape, -margin / 2, THIN)
    return np.asarray(np.median(cells[_thinned(cells.shape)][inner], axis=0), dtype=np.float64)


def tiles(cells: Floats, mm: float) -> tuple[Floats, Floats]:
    """Mean colour of every tile and standard deviation of its lightness."""
    side = max(2, round(TILE_MM / mm))
    rows, columns = cells.shape[0] // side, cells.shape[1] // side
    parts = cells[: rows * side, : columns * side].reshape(rows, side, columns * side, 3)
    light = parts[..., 0].astype(np.float64)

    def means(values: Doubles | Floats) -> Floats:
        # Rows first: numpy is fast over a long last axis, and then little is left.
        return np.asarray(values.mean(axis=1).reshape(rows, columns, side, -1).mean(axis=2), dtype=values.dtype)

    variance = means(light**2)[..., 0] - means(light)[..., 0] ** 2
    return means(parts), np.sqrt(np.maximum(variance, 0)).astype(np.float32)


def things_beside(cells: Floats, frames: list[Frame], lid: Doubles, mm: float) -> int:
    """Count what lies outside all sheets, is not lid, and is as large as a sheet, or as what is painted on one."""
    side = max(2, round(TILE_MM / mm))
    colour, rough = tiles(cells, mm)
    # Half the diagonal of a tile more, for a tile to lie outside as a whole.
    margin = BESIDE_MM / mm + 0.7 * side
    other = (np.abs(colour - lid) > 2 * LID_DRIFT).any(axis=2) | (rough > 2 * SMOOTH)
    for frame in frames:
        other &= outside_of(frame, cells.shape[:2], margin, side)
    return sum(_is_thing(*group, mm * side) for group in _groups(other))


def _is_thing(height: int, width: int, count: int, tile_mm: float) -> bool:
    """Whether a group of tiles is as large as a sheet both ways, or as a patch of paint on paper like the lid."""
    # Mean width, since a strip that lies askew reaches over more tiles than it is wide. Tape around a corner of the
    # sheet reaches as far both ways, but fills a third of its rectangle at most.
    longest = max(height, width)
    broad = count / longest * tile_mm
    small = broad < SMALLEST_MM
    if small and (broad < PAINT_MM or longest > LONG * count / longest):
        return False
    return count > PAINT_FILLS * height * width


def _groups(flags: Flags) -> list[tuple[int, int, int]]:
    """Height, width and number of each group of neighbouring flags."""
    left = {(int(y), int(x)) for y, x in np.argwhere(flags)}
    groups = []
    while left:
        queue, group = [left.pop()], []
        while queue:
            y, x = queue.pop()
            group.append((y, x))
            near = {(y + dy, x + dx) for dy in (-1, 0, 1) for dx in (-1, 0, 1)} & left
            left -= near
            queue.extend(near)
        ys, xs = zip(*group, strict=True)
        groups.append((max(ys) - min(ys) + 1, max(xs) - min(xs) + 1, len(group)))
    return groups


def is_bare(cells: Floats, mm: float, rounding: tuple[float, ...]) -> bool:
    """Whether the bed is one even surface with nothing on it but dust."""
    colour, rough = tiles(cells, mm)
    drift = np.quantile(colour, 0.99, axis=(0, 1)) - np.quantile(colour, 0.01, axis=(0, 1))
    # Marks that reach over two tiles are longer than dust: a signature perhaps, on a sheet whose edges do not show.
    tint = (np.abs(colour - np.median(colour, axis=(0, 1))) > drift_of(rounding))[..., 1:].any(axis=2)
    marks = max((max(height, width) for height, width, _ in _groups((rough > SMOOTH) | tint)), default=0)
    even = np.all(drift < drift_of(rounding) * np.array([2, 1, 1]))
    return bool(even and marks <= 2 and _longest_mark(cells, colour[..., 0], mm) <= DUST_MM)


def _longest_mark(cells: Floats, ground: Floats, mm: float) -> float:
    """Millimetres that the longest mark reaches: what differs from the mean of its tile, cell beside cell.

    Args:
        cells: (rows, columns, 3).
        ground: mean lightness of every tile.
        mm: millimetres along a cell.
    """
    side = cells.shape[0] // ground.shape[0]
    spread = ground.repeat(side, axis=0).repeat(side, axis=1)
    off = np.abs(cells[: spread.shape[0], : spread.shape[1], 0] - spread)
    marked = off > max(MARK, MARK_NOISE * float(np.median(off)))
    if marked.mean() > MOST_MARKED:
        return np.inf
    return max((max(height, width) for height, width, _ in _groups(marked)), default=0) * mm


def is_covered(cells: Floats, mm: float) -> bool:
    """Whether art runs out over all four rims, with no even stretch along any."""
    _, rough = tiles(cells, mm)
    busy = rough > SMOOTH
    return all(float(rim.mean()) > 0.9 for rim in (busy[0], busy[-1], busy[:, 0], busy[:, -1]))


def _along(cells: Floats, line: Candidate, first: float, last: float) -> Doubles:
    """Median colours of pieces of half a centimetre of a line along the rows, (piece, plane)."""
    columns = np.arange(max(0, int(first)), min(cells.shape[1], int(last)))
    rows = np.rint(np.asarray(line.at(columns.astype(np.float32)))).astype(int)
    inside = (rows >= 0) & (rows < cells.shape[0])
    if np.count_nonzero(inside) < len(columns) / 2 or not len(columns):
        return np.zeros((0, 3))
    colours = cells[rows[inside], columns[inside]]
    size = min(PIECE, len(colours))
    pieces = colours[: len(colours) // size * size].reshape(-1, size, colours.shape[1])
    return np.asarray(np.median(pieces, axis=1), dtype=np.float64)


def drift_of(rounding: tuple[float, ...]) -> Doubles:
    """How much lid differs from lid: `LID_DRIFT`, or one step of a JPEG that rounds more coarsely than that."""
    return np.asarray(np.maximum(LID_DRIFT, ROUNDED * np.asarray(rounding)))


def share_like(cells: Floats, line: Candidate, first: float, last: float, lid: Doubles, drift: Doubles) -> float:
    """How much of a line looks like lid; 1 where the line lies outside the picture.

    Args:
        cells: with the line along the rows.
        line: to look along.
        first: column at which to begin.
        last: column at which to end.
        lid: colour of bare lid.
        drift: from `drift_of`.
    """
    pieces = _along(cells, line, first, last)
    return float(np.mean((np.abs(pieces - lid) < drift).all(axis=1))) if len(pieces) else 1.0


def share_of_lid(cells: Floats, line: Candidate, first: float, last: float, lid: Doubles, paper: Doubles) -> float:
    """How much of a line shows lid and not paper; 0 where the line lies outside the picture.

    Args:
        cells: with the line along the rows.
        line: to look along.
        first: column at which to begin.
        last: column at which to end.
        lid: colour of bare lid.
        paper: colour of the sheet along its edges.

    Returns:
        Share of its pieces in which the colour is nearer to that of the lid than to that of the paper.
    """
    pieces = _along(cells, line, first, last)
    if not len(pieces):
        return 0.0
    # Not how near to the lid, only nearer than to the paper: between two sheets the lid lies in their shadows.
    return float(np.mean(np.linalg.norm(pieces - lid, axis=1) < 0.5 * np.linalg.norm(paper - lid)))

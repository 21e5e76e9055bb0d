"""Specks: the small marks that stand out by themselves, and what is to be known of each to tell dust from ink."""

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from platemark_stages.dust.heights import STRONG, WIDEST_MM, Levels, Relief, extreme, grey
from platemark_stages.dust.survey import Floats, Pixels

Mask = NDArray[np.bool_]
Indices = NDArray[np.int64]

# A step of 3 in 255 is about 1 L* in the lights, which is just visible (IEC 61966-2-1 with CIE 15, computed).
SEEN = 3 * 257.0
# What lies so near is compared first: of two marks nearer than this the fainter is not looked at.
_APART_MM = 0.7
# The grain of a paper is alike within some millimetres; 441 cells lie in such a square.
_GRAIN_MM = 2.5
# Strokes may cover a fifth of it, so the 80th percentile is taken; as extremes are spread (Gumbel), the 90th lies 1.66
# times further from the median.
_TO_NINETIETH = 1.66
# What stands out less than this, as `beyond` counts, is grain; the judging asks for as much or more.
_BEYOND_GRAIN = 3.0
_AT_ONCE = 512
# Light spreads over two pixels beyond the half height of a speck.
_SKIRT = 2


@dataclass(frozen=True)
class Specks:
    """Small compact marks of one sign; entry i of each array belongs to speck i.

    Attributes:
        y: row of the middle of its box, in working pixels; the first pixel's centre is 0.
        x: the same, column.
        radius: from there to the farthest of its pixels that is half as high as its peak.
        peak: height, 0 to 65535.
        around: the highest as far as was looked that is not of it.
        against: the highest of the other sign there.
        beyond: height above the median of the cells within 2.5 mm, in steps from there to about their 90th percentile.
        spread: how far the greys as far as was looked lie apart, but for the last hundredth on both sides.
        colour: how much of it no grey veil explains, 0 to 1.
        slope: steepest step on the gentlest of its four sides, as a share of its height.
    """

    y: Floats
    x: Floats
    radius: Floats
    peak: Floats
    around: Floats
    against: Floats
    beyond: Floats
    spread: Floats
    colour: Floats
    slope: Floats

    def those(self, chosen: Mask) -> "Specks":
        """Only some of them."""
        return Specks(**{part.name: getattr(self, part.name)[chosen] for part in fields(self)})


def patches(image: Levels, y: Indices, x: Indices, reach: int) -> Levels:
    """Squares around places, shape (places, 2 reach + 1, 2 reach + 1, ...); beyond the rim the last pixel again."""
    steps = np.arange(-reach, reach + 1)
    rows = np.clip(y[:, None, None] + steps[:, None], 0, image.shape[0] - 1)
    columns = np.clip(x[:, None, None] + steps, 0, image.shape[1] - 1)
    return np.asarray(image[rows, columns])


def standing_out(seen: Relief) -> tuple[Indices, Indices, Floats]:
    """Rows and columns of cells that are the highest near them and beyond the grain around."""
    cells, per_mm = seen.cells, seen.ppmm / seen.cell
    if not cells.size:
        return np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0, np.float32)
    highest = extreme(cells, max(1, round(_APART_MM * per_mm)), np.maximum)
    y, x = np.nonzero((cells == highest) & (cells >= SEEN))
    reach = max(3, round(_GRAIN_MM * per_mm))
    beyond = [np.zeros(0, np.float32)]
    for part in range(0, len(y), _AT_ONCE):
        here = slice(part, part + _AT_ONCE)
        square = patches(cells, y[here], x[here], reach).reshape(len(y[here]), -1)
        middle, often = np.percentile(square, (50, 80), axis=1)
        beyond.append((cells[y[here], x[here]] - middle) / np.maximum(_TO_NINETIETH * (often - middle), 1))
    scales = np.concatenate(beyond).astype(np.float32)
    # Strong ones are kept in any case, to tell by whether there is a pen at work.
    chosen = (scales >= _BEYOND_GRAIN) | (cells[y, x] >= STRONG)
    return y[chosen], x[chosen], scales[chosen]


def find_specks(pixels: Pixels, seen: Relief, other: Relief, alone_mm: float) -> Specks:
    """All small compact marks that stand out, with what there is to know of each.

    Args:
        pixels: shape (rows, columns, channels).
        seen: what stands out of them with the sign asked for.
        other: with the other sign.
        alone_mm: how far around each to look.
    """
    cell_y, cell_x, beyond = standing_out(seen)
    parts = []
    for start in range(0, len(cell_y), _AT_ONCE):
        part = slice(start, start + _AT_ONCE)
        parts.append(_described(pixels, (seen, other), (cell_y[part], cell_x[part]), beyond[part], alone_mm))
    names = [part.name for part in fields(Specks)]
    return Specks(
        **{name: np.concatenate([np.zeros(0, np.float32), *(part[name] for part in parts)]) for name in names}
    )


def _described(
    pixels: Pixels, reliefs: tuple[Relief, Relief], cells: tuple[Indices, Indices], beyond: Floats, alone_mm: float
) -> dict[str, Floats]:
    """The columns of a `Specks`, of those among these cells that hold one."""
    seen, other = reliefs
    y, x = _summits(seen, *cells)
    reach = round(WIDEST_MM * seen.ppmm / 2) + 3
    body, box = _bodies(seen.heights, y, x, reach)
    peak, around = seen.heights[y, x].astype(np.float32), _highest(seen, y, x, box - reach, alone_mm)
    chosen = _compact(body, box, seen.ppmm) & _whole(y, x, box, reach, seen.heights.shape)
    chosen &= (peak >= around) | (peak >= STRONG)
    y, x, body, box = y[chosen], x[chosen], body[chosen], box[chosen] - reach
    colour, slope = _looks(patches(pixels, y, x, reach).astype(np.float32), body)
    middle_y, middle_x, radius = _circles(body, box, reach)
    return {
        "y": (y + middle_y).astype(np.float32),
        "x": (x + middle_x).astype(np.float32),
        "radius": radius,
        "peak": peak[chosen],
        "around": around[chosen],
        "against": _highest(other, y, x, box, alone_mm),
        "beyond": beyond[chosen],
        "spread": _spread(pixels, (y, x), box, round(alone_mm * seen.ppmm)),
        "colour": colour,
        "slope": slope,
    }


def _circles(body: Mask, box: Indices, reach: int) -> tuple[Floats, Floats, Floats]:
    """Middle of each box, from the summit, and how far from there the body reaches."""
    top, bottom, left, right = box.T.astype(np.float32)
    steps = np.arange(-reach, reach + 1, dtype=np.float32)
    middle_y, middle_x = (top + bottom) / 2, (left + right) / 2
    away = np.hypot(steps[:, None] - middle_y[:, None, None], steps - middle_x[:, None, None])
    return middle_y, middle_x, np.where(body, away, 0).max(axis=(1, 2), initial=0).astype(np.float32)


def _summits(seen: Relief, cell_y: Indices, cell_x: Indices) -> tuple[Indices, Indices]:
    """The highest pixel of each cell."""
    steps = np.arange(seen.cell)
    square = seen.heights[
        (cell_y * seen.cell)[:, None, None] + steps[:, None], (cell_x * seen.cell)[:, None, None] + steps
    ]
    at = square.reshape(len(cell_y), -1).argmax(axis=1)
    return cell_y * seen.cell + at // seen.cell, cell_x * seen.cell + at % seen.cell


def _bodies(heights: Levels, y: Indices, x: Indices, reach: int) -> tuple[Mask, Indices]:
    """What is connected with each summit and half as high, in the square around it; its top, bottom, left, right."""
    high = patches(heights, y, x, reach) * np.uint32(2) >= heights[y, x].astype(np.uint32)[:, None, None]
    body: Mask = np.zeros(high.shape, bool)
    body[:, reach, reach] = True
    for _ in range(2 * reach):
        grown: Mask = np.asarray(widened(body) & high)
        if np.array_equal(grown, body):
            break
        body = grown
    rows, columns = np.asarray(body.any(axis=2)), np.asarray(body.any(axis=1))
    last = body.shape[1] - 1
    ends = [(line.argmax(axis=1), last - line[:, ::-1].argmax(axis=1)) for line in (rows, columns)]
    return body, np.stack([*ends[0], *ends[1]], axis=1).astype(np.int64)


def widened(body: Mask) -> Mask:
    """With all neighbours, also those across corners; the last two axes are those of the picture."""
    padded = np.pad(body, [(0, 0)] * (body.ndim - 2) + [(1, 1), (1, 1)])
    tall = padded[..., :-2, :] | padded[..., 1:-1, :] | padded[..., 2:, :]
    return np.asarray(tall[..., :-2] | tall[..., 1:-1] | tall[..., 2:])


def _compact(body: Mask, box: Indices, ppmm: float) -> Mask:
    """No longer than a speck may be, and filling a good part of the square around it."""
    top, bottom, left, right = box.T
    longest = np.maximum(bottom - top, right - left) + 1
    # Light spreads over one pixel on each side; a disc fills 0.79 of its square, a line across it a tenth.
    return np.asarray((longest <= WIDEST_MM * ppmm + 2) & (body.sum(axis=(1, 2)) >= 0.35 * longest**2))


def _whole(y: Indices, x: Indices, box: Indices, reach: int, shape: tuple[int, ...]) -> Mask:
    """What touches the rim is cut, and cannot be judged."""
    top, bottom, left, right = box.T - reach
    return np.asarray((y + top > 1) & (x + left > 1) & (y + bottom < shape[0] - 2) & (x + right < shape[1] - 2))


def _highest(seen: Relief, y: Indices, x: Indices, box: Indices, alone_mm: float) -> Floats:
    """The highest cell around each that it does not touch."""
    reach = max(2, round(alone_mm * seen.ppmm / seen.cell))
    cells = patches(seen.cells, y // seen.cell, x // seen.cell, reach)
    steps = np.arange(-reach, reach + 1)
    top, bottom, left, right = box.T
    own: list[Mask] = [
        np.asarray(steps >= ((at + low - _SKIRT) // seen.cell - at // seen.cell)[:, None])
        & (steps <= ((at + high + _SKIRT) // seen.cell - at // seen.cell)[:, None])
        for at, low, high in ((y, top, bottom), (x, left, right))
    ]
    cells[own[0][:, :, None] & own[1][:, None, :]] = 0
    return np.asarray(cells.max(axis=(1, 2), initial=0).astype(np.float32))


def _looks(window: Floats, body: Mask) -> tuple[Floats, Floats]:
    """Share of own colour and steepness of each."""
    colour, slope = np.zeros(len(body), np.float32), np.zeros(len(body), np.float32)
    for number, (pixels, inside) in enumerate(zip(window, body, strict=True)):
        around = ~widened(widened(inside))
        ground = np.median(pixels[around], axis=0) if around.any() else pixels[inside].mean(axis=0)
        off = pixels[inside] - ground
        order = np.argsort(-np.abs(off.mean(axis=1)))[: max(1, len(off) // 4)]
        core = ground + off[order].mean(axis=0)
        colour[number] = own_colour(ground, core)
        height = abs(float(off[order].mean()))
        slope[number] = gentlest(pixels.mean(axis=2), inside) / max(height, 1.0)
    return colour, slope


def _spread(pixels: Pixels, at: tuple[Indices, Indices], box: Indices, reach: int) -> Floats:
    """How far the softened greys within `reach` of each lie apart, but for the last hundredth on both sides."""
    found = np.zeros(len(box), np.float32)
    for number, (row, column, (top, bottom, left, right)) in enumerate(zip(*at, box, strict=True)):
        first, start = max(0, row + top - reach), max(0, column + left - reach)
        window = grey(pixels[first : row + bottom + reach + 1, start : column + right + reach + 1])
        around = np.ones(window.shape, bool)
        rows = slice(max(0, row + top - _SKIRT - first), row + bottom + _SKIRT + 1 - first)
        around[rows, max(0, column + left - _SKIRT - start) : column + right + _SKIRT + 1 - start] = False
        low, high = np.percentile(window[around], (1, 99)) if around.any() else (0.0, 0.0)
        found[number] = high - low
    return found


def gentlest(light: Floats, inside: Mask) -> float:
    """The steepest step on each of the four sides; of these the least."""
    near = widened(inside)
    down, right = np.diff(light, axis=0)[near[1:]], np.diff(light, axis=1)[near[:, 1:]]
    return float(min(down.max(), -down.min(), right.max(), -right.min()))


def own_colour(ground: Floats, core: Floats) -> float:
    """How much of a difference stays unexplained when the mark is a grey veil over the ground, 0 to 1.

    A veil of grey value v that covers the share a makes ground (1 - a) + v a; with v = 0 it is a shadow. Chroma is
    often stored at half the density, so that of a small speck only the lightness shows: that is tried as well.
    """
    off = ground - core
    size = float(np.sqrt(np.square(off).sum()))
    if not size:
        return 1.0
    share = np.arange(1, 21, dtype=np.float32)[:, None] / 20
    veil = ground - off / share
    rest = (veil - np.clip(veil.mean(axis=1, keepdims=True), 0, 65535)) * share
    light = off - off.mean()
    return float(np.sqrt(min(np.square(rest).sum(axis=1).min(), np.square(light).sum()))) / size

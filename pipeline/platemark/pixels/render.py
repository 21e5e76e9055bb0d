"""The one resampling: put a source through its placement onto the grid of the output.

Three steps, from the top of the source to its bottom, a strip of the output at a time:

1. A low-pass along columns and rows, at the density of the source or twice that. It cuts what the output
   cannot hold, and raises in advance what step 2 will dampen.
2. A quadratic spline (libvips "vsqbs") evaluated once for each output pixel, at its exact position.
3. The background where the source does not reach; rounding to 16 bits.

Why a spline: at 1.7 samples per output pixel it leaves a third of the ghost images that a Catmull-Rom of
the same width leaves, and its dampening is known, so step 1 undoes it. Why numpy for step 1: an 11-tap filter
takes 1.5 ns a sample and pass there, 13 ns in libvips (convi has no vector code for 16 bits).

Every step gives the same bytes on any processor: numpy's float32 sums and products round the same way
everywhere, the taps are multiples of 2**-14, and the spline is polynomial, in double.
"""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cached_property
from math import ceil, floor, hypot

import numpy as np
import pyvips
from numpy.typing import NDArray

from platemark.pixels.affine import Affine

Floats = NDArray[np.float32]

STRIP = 128  # output rows at a time: one libvips tile, so that no tile is computed twice
CHUNK = 64  # filtered rows at a time
BLOCK = 16  # rows a pass, so that its sums stay in the processor's cache: 1 MB each at 600 ppi across A4
WORKERS = 2  # blocks at a time; numpy lets go of the interpreter while it sums, and no block sees another's result
MARGIN = 4  # filtered pixels kept beyond the source, a copy of its edge: the spline reaches 2, an output pixel 2

LEAST_DENSITY = 1.6  # filtered pixels per output pixel; at 1.5 the spline's ghosts pass -31 dB
PASS = 0.355  # cycles per output pixel that come through unchanged
STOP = 0.65  # and from here on as little as possible: a diagonal grating of 0.75 is 0.53 along each axis
TAP_BITS = 14


def render(
    source: pyvips.Image, placement: Affine, width: int, height: int, background: tuple[int, ...]
) -> pyvips.Image:
    """Resample a source once.

    A source opened with access="sequential" is read once, from top to bottom, before this returns; memory
    holds the output and a band of the source as high as the output's tilt makes it (10 degrees across A4 at
    600 ppi: 75 MB). Whole-pixel moves stay lazy and are read when the result is.

    Args:
        source: 'ushort', any number of bands.
        placement: source positions to output positions.
        width: of the output, in pixels.
        height: of the output, in pixels.
        background: one value for each band, 0 to 65535, for positions outside the source.

    Returns:
        'ushort', as many bands as the source. A whole-pixel move or quarter turn changes no value.

    Raises:
        ValueError: the source is not 'ushort', or the background has another number of values.
    """
    if source.format != "ushort" or len(background) != source.bands:
        found = f"{source.format} with {source.bands} bands, background {background}"
        message = f"render: expected 'ushort' and one background value for each band, found {found}"
        raise ValueError(message)
    turns = _quarter_turns(placement)
    if turns:
        # The output is turned instead of the source, which then still streams from top to bottom.
        size = (height, width) if turns % 2 else (width, height)
        upright = render(source, _turned_back(placement, turns, size), *size, background)
        return upright.copy_memory().rot(f"d{360 - 90 * turns}")
    if _is_whole_move(placement):
        left, top = round(placement.tx), round(placement.ty)
        return source.embed(left, top, width, height, extend="background", background=background)
    pixels = _resample(source, placement, width, height, background)
    image = pyvips.Image.new_from_memory(pixels, width, height, source.bands, "ushort")
    return image.copy(interpretation=source.interpretation)


def _is_whole_move(placement: Affine) -> bool:
    linear = (placement.a, placement.b, placement.c, placement.d)
    return linear == (1, 0, 0, 1) and placement.tx == round(placement.tx) and placement.ty == round(placement.ty)


def _quarter_turns(placement: Affine) -> int:
    """Count the counter-clockwise quarter turns in a placement, 0 to 3, so that the rest is within 45 degrees."""
    # How far down the output one goes with each step down the source, for each turn taken back.
    downwards = (placement.d, placement.b, -placement.d, -placement.b)
    return max(range(4), key=lambda turns: downwards[turns])


def _turned_back(placement: Affine, turns: int, size: tuple[int, int]) -> Affine:
    """Take whole turns out of a placement: the rest lands on an output of `size` (width, height) before turning."""
    width, height = size
    back = {
        1: Affine(0, -1, width, 1, 0, 0),
        2: Affine(-1, 0, width, 0, -1, height),
        3: Affine(0, 1, 0, -1, 0, height),
    }
    return placement.then(back[turns])


@dataclass(frozen=True)
class _Axis:
    """The low-pass along one axis: `up` results for each source pixel, or one for every `step` of them."""

    up: int
    step: int
    phases: tuple[tuple[tuple[np.float32, int, int], ...], ...]  # (tap, offset, mirrored offset) for each result

    @property
    def density(self) -> float:
        """Results per source pixel."""
        return self.up / self.step

    @cached_property
    def reach(self) -> int:
        """Source pixels needed beyond the outermost result."""
        return max(max(-left, right) for phase in self.phases for _, left, right in phase)

    def filter(self, window: Callable[[int], Floats], phase: int, out: Floats) -> None:
        """Sum the taps of one phase; `window(offset)` are the source pixels that far from each result."""
        taps = self.phases[phase]
        pair = np.empty_like(out)
        for index, (tap, left, right) in enumerate(taps):
            term = out if index == 0 else pair
            if left == right:
                np.multiply(window(left), tap, out=term)
            else:
                np.add(window(left), window(right), out=term)
                np.multiply(term, tap, out=term)
            if index:
                np.add(out, pair, out=out)


def _axis(shrink: float, *, thinned: bool) -> _Axis:
    """Design the low-pass for `shrink` source pixels per output pixel; `thinned` drops results nobody needs."""
    up = 2 if shrink < LEAST_DENSITY else 1
    step = max(1, floor(shrink / LEAST_DENSITY)) if thinned else 1
    taps = _taps(max(shrink, 1.0), up, step)
    last = len(taps) - 1
    phases = tuple(
        tuple((np.float32(taps[n]), (p - n) // up, (p + n) // up) for n in range(last + 1) if (p - n) % up == 0)
        for p in range(up)
    )
    return _Axis(up, step, phases)


def _taps(shrink: float, up: int, step: int) -> NDArray[np.float64]:
    """Fit the taps 0, 1, ... of a symmetric low-pass to the wanted response, as multiples of 2**-TAP_BITS.

    Least squares over frequency, weighted: the pass band, where low-pass times spline shall be 1, counts most;
    then the stop band; the fall between them is a raised cosine and counts little. When nothing is cut, the stop
    band begins where the pass band's first mirror image does.

    Source: FIR design by weighted least squares; length from the width of the fall, common practice. The spline's
    response sinc(f)**3: Unser (1999), Splines: a perfect fit for signal and image processing.
    """
    stop = min(STOP, shrink - PASS)
    fine = shrink * up  # samples of the filter's grid per output pixel
    taps = np.arange(ceil(1.15 * fine / (stop - PASS)) + 1)
    grid = np.linspace(0, 0.5, 257)  # cycles per sample
    cycles = grid * fine  # per output pixel
    fall = np.clip((cycles - PASS) / (stop - PASS), 0, 1)
    wanted = 0.5 + 0.5 * np.cos(np.pi * fall)
    weight = np.where(fall == 0, 1.0, np.where(fall == 1, 1.0, 0.03))
    # In the stop band the spline is left out: its ghosts bring back at 1 - f what it dampens at f.
    spline = np.where(fall == 1, 1.0, np.sinc(grid * step) ** 3)
    cosines = np.where(taps == 0, 1, 2) * np.cos(2 * np.pi * np.outer(grid, taps))
    flat = np.array([np.where(taps == 0, 1, 2) * (taps % up == p) for p in range(up)]) * 1e4
    system = np.vstack([cosines * (spline * weight)[:, None], flat])
    target = np.concatenate([wanted * weight, np.full(up, 1e4 / up)])
    fitted = np.linalg.lstsq(system, target, rcond=None)[0] * up
    return _rounded(fitted, up)


def _rounded(taps: NDArray[np.float64], up: int) -> NDArray[np.float64]:
    """Round taps to TAP_BITS, each phase summing to exactly 1, so that paper white stays paper white."""
    one = 1 << TAP_BITS
    whole = np.rint(taps * one)
    whole[0] += one - whole[0] - 2 * whole[up::up].sum()
    if up == 2:  # noqa: PLR2004
        whole[1] += one // 2 - whole[1::2].sum()
    return whole / one


class _Band:
    """The filtered source, a band of rows at a time, from top to bottom."""

    def __init__(
        self,
        source: pyvips.Image,
        axes: tuple[_Axis, _Axis],
        columns: tuple[int, int],
        height: int,
        workers: ThreadPoolExecutor,
    ) -> None:
        """Start above the source; `columns` are source pixels [from, to), `height` the filtered rows asked at once."""
        x, y = axes
        self.x, self.y, self.columns = x, y, columns
        self._source, self._region = source, pyvips.Region.new(source)
        self._workers = workers
        self._rows = np.empty((height * 3 // 2 + 2 * CHUNK, (columns[1] - columns[0]) * x.up * source.bands), np.float32)
        self._first = self._filled = 0
        self._raw: NDArray[np.uint16] = np.empty((0, 0), np.uint16)
        self._raw_first = 0

    def rows(self, first: int, end: int) -> Floats:
        """Return filtered rows [first, end); `first` must never go back. Row 0 is that of the source's first row."""
        if self._first == self._filled == 0:
            self._first = self._filled = first - first % self.y.up
        while self._filled < end:
            if self._filled - self._first + CHUNK > len(self._rows):
                kept = self._rows[first - self._first : self._filled - self._first]
                self._rows[: len(kept)] = kept
                self._first = first
            self._append()
        return self._rows[first - self._first : end - self._first]

    def _append(self) -> None:
        """Filter the next CHUNK rows."""
        start = self._filled - self._first
        reach, step, up = self.y.reach, self.y.step, self.y.up
        top = self._filled * step // up - reach
        raw = self._raw_rows(top, top + (CHUNK // up - 1) * step + 1 + 2 * reach)

        def filter_block(done: int) -> None:
            above = done // up * step
            block = raw[above : above + (BLOCK // up - 1) * step + 1 + 2 * reach].astype(np.float32)
            self._filter(block, self._rows[start + done : start + done + BLOCK])

        list(self._workers.map(filter_block, range(0, CHUNK, BLOCK)))
        self._filled += CHUNK

    def _filter(self, block: Floats, out: Floats) -> None:
        """Filter columns, then rows."""
        x, y, bands = self.x, self.y, self._source.bands
        upright = np.empty((len(out), block.shape[1]), np.float32)
        for phase in range(y.up):
            rows = upright[phase :: y.up]
            y.filter(lambda o: block[o + y.reach :: y.step][: len(rows)], phase, rows)  # noqa: B023
        wide = out.shape[1] // x.up
        results = out if x.up == 1 else np.empty((len(out), wide), np.float32)
        for phase in range(x.up):
            x.filter(lambda o: upright[:, (o + x.reach) * bands :][:, :wide], phase, results)
            if x.up > 1:
                out.reshape(len(out), -1, x.up, bands)[:, :, phase] = results.reshape(len(out), -1, bands)

    def _raw_rows(self, first: int, end: int) -> NDArray[np.uint16]:
        """Return source rows [first, end) with the columns the filter needs; beyond the source, copies of its edge."""
        kept = self._raw[max(0, first - self._raw_first) :]
        start = max(first, self._raw_first + len(self._raw)) if len(self._raw) else first
        top, bottom = max(start, 0), min(end, self._source.height)
        if top < bottom:
            left, right = self.columns[0] - self.x.reach, self.columns[1] + self.x.reach
            inner, outer = max(left, 0), min(right, self._source.width)
            data = self._region.fetch(inner, top, outer - inner, bottom - top)
            new = np.frombuffer(data, np.uint16).reshape(bottom - top, outer - inner, self._source.bands)
            new = np.pad(new, ((top - start, end - bottom), (inner - left, right - outer), (0, 0)), mode="edge")
            new = new.reshape(end - start, -1)
        else:
            new = np.repeat(self._raw[-1:], end - start, axis=0)
        self._raw = np.concatenate([kept, new]) if len(kept) else new
        self._raw_first = first
        return self._raw


def _resample(
    source: pyvips.Image, placement: Affine, width: int, height: int, background: tuple[int, ...]
) -> NDArray[np.uint16]:
    """Filter and interpolate, strip by strip; the placement's turn is within 45 degrees."""
    x = _axis(1 / hypot(placement.a, placement.c), thinned=False)  # picking columns costs more than it saves
    y = _axis(1 / hypot(placement.b, placement.d), thinned=True)
    back = placement.inverse()
    out = np.empty((height, width, source.bands), np.uint16)
    strips = [(top, min(top + STRIP, height)) for top in range(0, height, STRIP)]
    columns = _reached(back, (0, width), (0, height), 0, source.width, x)
    spans = [_reached(back, (0, width), strip, 1, source.height, y) for strip in strips]
    if columns[0] >= columns[1]:
        out[:] = background
        return out
    columns = (floor(columns[0] / x.up), ceil(columns[1] / x.up))
    height_of_band = max(end - first for first, end in spans)
    # Where the band's first pixel of row 0 has its centre in the source.
    left, upper = columns[0] + 0.5, 0.5
    with ThreadPoolExecutor(WORKERS) as workers:
        band = _Band(source, (x, y), columns, height_of_band, workers)
        for (top, bottom), (first, end) in zip(strips, spans, strict=True):
            if first >= end:
                out[top:bottom] = background
                continue
            corner = (left, upper + first / y.density)
            values = _interpolate(band.rows(first, end), source.bands, placement, corner, (x, y), (top, bottom, width))
            _cover(values, back, placement, source, top, background)
            np.rint(values, out=values)
            np.clip(values, 0, 65535, out=values)
            out[top:bottom] = values
    return out


def _reached(
    back: Affine, columns: tuple[int, int], rows: tuple[int, int], axis: int, size: int, along: _Axis
) -> tuple[int, int]:
    """Return the filtered pixels [first, end) along an axis that a rectangle of the output draws from."""
    corners = [(column, row) for column in columns for row in rows]
    reached = (back.apply(corners)[:, axis] - 0.5) * along.density
    least, most = -MARGIN, ceil(size * along.density) + MARGIN
    return max(least, floor(reached.min()) - 2), min(most, ceil(reached.max()) + 3)


def _interpolate(  # noqa: PLR0913
    rows: Floats,
    bands: int,
    placement: Affine,
    corner: tuple[float, float],
    axes: tuple[_Axis, _Axis],
    strip: tuple[int, int, int],
) -> Floats:
    """Evaluate the spline at the centres of the output pixels of a strip (top, bottom, width)."""
    top, bottom, width = strip
    image = pyvips.Image.new_from_memory(rows, rows.shape[1] // bands, len(rows), bands, "float")
    x, y = axes[0].density, axes[1].density
    origin = placement.apply([corner])[0]
    placed = image.affine(
        [placement.a / x, placement.b / y, placement.c / x, placement.d / y],
        interpolate=pyvips.Interpolate.new("vsqbs"),
        oarea=[0, 0, width, bottom - top],
        odx=float(origin[0]) - 0.5,
        ody=float(origin[1]) - 0.5 - top,
        extend="copy",
    )
    return np.frombuffer(placed.write_to_memory(), np.float32).reshape(bottom - top, width, bands)


def _cover(  # noqa: PLR0913
    values: Floats, back: Affine, placement: Affine, source: pyvips.Image, top: int, background: tuple[int, ...]
) -> None:
    """Blend into the background, over one output pixel at the source's edge; a crop along the edge blends nothing."""
    rows, columns = values.shape[:2]
    corners = back.apply([(x, y) for x in (0, columns) for y in (top, top + rows)])
    if (corners >= 0).all() and (corners <= (source.width, source.height)).all():
        return
    x = np.arange(columns)[None, :] + 0.5
    y = np.arange(rows)[:, None] + top + 0.5
    across = back.a * x + back.b * y + back.tx
    down = back.c * x + back.d * y + back.ty
    inside_x = np.minimum(across, source.width - across) * hypot(placement.a, placement.c)
    inside_y = np.minimum(down, source.height - down) * hypot(placement.b, placement.d)
    share = (np.clip(inside_x + 0.5, 0, 1) * np.clip(inside_y + 0.5, 0, 1)).astype(np.float32)
    paper = np.array(background, np.float32)
    values[:] = paper + (values - paper) * share[:, :, None]

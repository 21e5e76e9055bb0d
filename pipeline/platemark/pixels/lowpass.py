"""The low-pass of the one resampling: the filtered source, a band of rows at a time, from top to bottom.

It cuts what the output cannot hold, and raises in advance what the spline that follows will dampen. Why numpy: a
pass of 11 taps takes 1.5 ns a sample there, 10 ns in libvips, which has no vector code for 16 bits. The bytes are
the same with any thread count and vector unit: numpy's float32 sums and products round the same way everywhere, and
the taps are multiples of 2**-14.
"""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cached_property
from math import ceil, floor

import numpy as np
import pyvips
from numpy.typing import NDArray

from platemark.pixels.depth import WIDER
from platemark.pixels.source_rows import Numbers, SourceRows

Floats = NDArray[np.float32]

CHUNK = 64  # filtered rows at a time
BLOCK = 16  # rows a pass, so that its sums stay in the processor's cache: 1 MB each at 600 ppi across A4
SPLINE = 3  # filtered pixels a side that the spline needs, and one for rounding

LEAST_DENSITY = 1.6  # filtered pixels per output pixel; at 1.5 the finest detail's ghosts reach -31 dB, at 1.67 -34
PASS = 0.355  # cycles per output pixel that come through unchanged
STOP = 0.65  # and from here on as little as possible: a diagonal grating of 0.75 is 0.53 along each axis
TAP_BITS = 14


@dataclass(frozen=True)
class Axis:
    """The low-pass along one axis: `up` results for each source pixel, or one for every `step` of them."""

    up: int
    step: int
    phases: tuple[tuple[tuple[np.float32, int, int], ...], ...]  # (tap, offset, mirrored offset) for each result
    margin: int  # results kept beyond the source, made from copies of its edge: half an output pixel and the spline

    @property
    def density(self) -> float:
        """Results per source pixel."""
        return self.up / self.step

    @cached_property
    def reach(self) -> int:
        """Source pixels needed beyond the outermost result."""
        return max(max(-left, right) for phase in self.phases for _, left, right in phase)

    def times(self, factor: int) -> "Axis":
        """The same low-pass with its results multiplied; exact for 9 bits of factor."""
        multiplied = [
            tuple((np.float32(tap * factor), left, right) for tap, left, right in phase) for phase in self.phases
        ]
        return replace(self, phases=tuple(multiplied))

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


def design_axis(shrink: float, *, thinned: bool) -> Axis:
    """Design the low-pass for `shrink` source pixels per output pixel; `thinned` drops results nobody needs."""
    up = 2 if shrink < LEAST_DENSITY else 1
    step = max(1, floor(shrink / LEAST_DENSITY)) if thinned else 1
    taps = _taps(max(shrink, 1.0), up, step)
    last = len(taps) - 1
    phases = tuple(
        tuple((np.float32(taps[n]), (p - n) // up, (p + n) // up) for n in range(last + 1) if (p - n) % up == 0)
        for p in range(up)
    )
    return Axis(up, step, phases, ceil(shrink * up / step / 2) + SPLINE)


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
    grid = np.linspace(0, 0.5, 32 * len(taps))  # cycles per sample
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
    if up == 2:
        whole[1] += one // 2 - whole[1::2].sum()
    return whole / one


class Band:
    """The filtered source, a band of rows at a time, from top to bottom."""

    def __init__(
        self,
        source: pyvips.Image,
        axes: tuple[Axis, Axis],
        columns: tuple[int, int],
        height: int,
        workers: ThreadPoolExecutor,
    ) -> None:
        """Start above the source; `columns` are source pixels [from, to), `height` the filtered rows asked at once."""
        x, y = axes
        # Of 8 bits the taps make 16: the products, and so their rounding, are those of the widened pixels.
        self.x, self.y = x, (y.times(WIDER) if source.format == "uchar" else y)
        self._bands, self._workers = source.bands, workers
        self._reached = (CHUNK // y.up - 1) * y.step + 1 + 2 * y.reach
        self._raw = SourceRows(source, (columns[0] - x.reach, columns[1] + x.reach), self._reached)
        across = max(0, columns[1] - columns[0]) * x.up * source.bands
        # Half as high again as needed: else each strip would move the rows that the next one shares.
        self._rows: Floats = np.empty((max(0, height) * 3 // 2 + 2 * CHUNK, across), np.float32)
        self._first = self._filled = 0

    def rows(self, first: int, end: int, before_moving: Callable[[], None]) -> Floats:
        """Return filtered rows [first, end); `first` must never go back. Row 0 is that of the source's first row.

        They are a view, good until `before_moving` has been called: then the rows are moved to make room.
        """
        if self._first == self._filled == 0:
            self._first = self._filled = first - first % self.y.up
        while self._filled < end:
            if self._filled - self._first + CHUNK > len(self._rows):
                kept = self._rows[first - self._first : self._filled - self._first]
                before_moving()
                self._rows[: len(kept)] = kept
                self._first = first
            self._append()
        return self._rows[first - self._first : end - self._first]

    def _append(self) -> None:
        """Filter the next CHUNK rows."""
        start = self._filled - self._first
        reach, step, up = self.y.reach, self.y.step, self.y.up
        raw = self._chunk(self._filled)

        def filter_block(done: int) -> None:
            above = done // up * step
            block = raw[above : above + (BLOCK // up - 1) * step + 1 + 2 * reach].astype(np.float32)
            self._filter(block, self._rows[start + done : start + done + BLOCK])

        filtered = self._workers.map(filter_block, range(0, CHUNK, BLOCK))
        self._filled += CHUNK
        self._chunk(self._filled)  # read ahead meanwhile: decoding and filtering go side by side
        list(filtered)

    def _chunk(self, filled: int) -> Numbers:
        """The source rows that the next CHUNK of filtered rows is made of."""
        top = filled * self.y.step // self.y.up - self.y.reach
        return self._raw.rows(top, top + self._reached)

    def _filter(self, block: Floats, out: Floats) -> None:
        """Filter columns, then rows."""
        x, y, bands = self.x, self.y, self._bands
        upright = np.empty((len(out), block.shape[1]), np.float32)
        for phase in range(y.up):
            rows = upright[phase :: y.up]
            y.filter(lambda o: block[o + y.reach :: y.step][: len(rows)], phase, rows)  # noqa: B023 - called at once
        wide = out.shape[1] // x.up
        results = out if x.up == 1 else np.empty((len(out), wide), np.float32)
        for phase in range(x.up):
            x.filter(lambda o: upright[:, (o + x.reach) * bands :][:, :wide], phase, results)
            if x.up > 1:
                between = out.reshape(len(out), -1, x.up, bands)[:, :, phase]
                for band in range(bands):  # numpy copies long rows of single values faster than threes
                    between[:, :, band] = results[:, band::bands]

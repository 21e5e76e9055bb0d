"""The one resampling: put a source through its placement onto the grid of the output.

Three steps, from the top of the source to its bottom, a strip of the output at a time:

1. A low-pass along columns and rows, at the density of the source or twice that. It cuts what the output
   cannot hold, and raises in advance what step 2 will dampen.
2. A quadratic spline (libvips "vsqbs") evaluated once for each output pixel, at its exact position; where the scan
   is bent along its carriage, that is undone by the same step.
3. The background where the source does not reach; rounding to 16 bits.

Why a spline: at 1.7 samples per output pixel its ghost images are half as strong as those of libvips' bicubic, it
is evaluated at exact positions, not at 64ths of a pixel, and its dampening is known, so step 1 (`lowpass`) undoes it.

Every step gives the same bytes with any thread count and vector unit: numpy's float32 sums and products round the
same way everywhere, the taps are multiples of 2**-14, and the spline is a polynomial in double.
"""

import os
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from functools import cached_property
from math import ceil, floor, hypot

import numpy as np
import pyvips
from numpy.typing import NDArray

from platemark.pixels.affine import Affine
from platemark.pixels.bend import Bend
from platemark.pixels.depth import to_sixteen_bits
from platemark.pixels.lowpass import SPLINE, Axis, Band, Floats, design_axis

STRIP = 128  # output rows at a time: one libvips tile, so that no tile is computed twice
FINISHED = 16  # of them rounded at a time, so that they stay in the processor's cache
# Blocks at a time; numpy lets go of the interpreter while it sums, and no block sees another's result.
WORKERS = min(4, max(2, os.cpu_count() or 2))


def render(
    source: pyvips.Image,
    placement: Affine,
    width: int,
    height: int,
    background: tuple[int, ...],
    bend: Bend | None = None,
) -> pyvips.Image:
    """Resample a source once.

    A source opened with access="sequential" is read once, from top to bottom, before this returns; memory
    holds the output and a band of the source as high as the output's tilt makes it (10 degrees across A4 at
    600 ppi: 75 MB). Whole-pixel moves stay lazy and are read when the result is.

    Args:
        source: 'ushort', any number of bands; 'uchar' stands for 257 times its values.
        placement: source positions to output positions.
        width: of the output, in pixels.
        height: of the output, in pixels.
        background: one value for each band, 0 to 65535, for positions outside the source.
        bend: undone before the placement, in the same resampling.

    Returns:
        'ushort', as many bands as the source. A whole-pixel move or quarter turn changes no value.

    Raises:
        ValueError: the source is neither 'ushort' nor 'uchar', or the background has another number of values.
    """
    if source.format not in {"ushort", "uchar"} or len(background) != source.bands:
        found = f"{source.format} with {source.bands} bands, background {background}"
        message = f"render: expected 'ushort' or 'uchar' and one background value for each band, found {found}"
        raise ValueError(message)
    turns = _quarter_turns(placement)
    if turns:
        # The output is turned instead of the source, which then still streams from top to bottom.
        size = (height, width) if turns % 2 else (width, height)
        upright = render(source, _turned_back(placement, turns, size), *size, background, bend)
        return upright.copy_memory().rot(f"d{360 - 90 * turns}")
    if bend is None and _is_whole_move(placement):
        left, top = round(placement.tx), round(placement.ty)
        wide = to_sixteen_bits(source) if source.format == "uchar" else source
        return wide.embed(left, top, width, height, extend="background", background=background)
    pixels = _Resampling(source, placement, width, height, background, bend).pixels()
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
class _Resampling:
    """One rendering whose turn is within 45 degrees: filter and interpolate, strip by strip."""

    source: pyvips.Image
    placement: Affine
    width: int
    height: int
    background: tuple[int, ...]
    bend: Bend | None

    @cached_property
    def back(self) -> Affine:
        """Output positions to source positions."""
        return self.placement.inverse()

    @cached_property
    def x(self) -> Axis:
        """The low-pass along rows; all its results are kept, as picking columns costs more than it saves."""
        return design_axis(1 / hypot(self.placement.a, self.placement.c), thinned=False)

    @cached_property
    def y(self) -> Axis:
        """The low-pass along columns."""
        return design_axis(1 / hypot(self.placement.b, self.placement.d), thinned=True)

    def pixels(self) -> NDArray[np.uint16]:
        """Return the output, shape (rows, columns, bands)."""
        out = np.empty((self.height, self.width, self.source.bands), np.uint16)
        strips = [(top, min(top + STRIP, self.height)) for top in range(0, self.height, STRIP)]
        across = [self._reached(strip)[0] for strip in strips]
        down = [self._reached(strip)[1] for strip in strips]
        left = min(first for first, _ in across) // self.x.up
        right = -(-max(end for _, end in across) // self.x.up)
        with ThreadPoolExecutor(WORKERS) as workers, ThreadPoolExecutor(1) as finisher:
            most = max(end - first for first, end in down)
            band = Band(self.source, (self.x, self.y), (left, right), most, workers)
            finishing: Future[None] = finisher.submit(lambda: None)
            for (top, bottom), (first, end) in zip(strips, down, strict=True):
                if first >= end or left >= right:
                    out[top:bottom] = self.background
                    continue
                # Where the first pixel of the rows has its centre in the source.
                corner = (left + 0.5, first / self.y.density + 0.5)
                rows = band.rows(first, end, finishing.result)
                finishing.result()  # one strip behind, so that memory holds two
                finishing = finisher.submit(self._finish, rows, corner, out[top:bottom], top)
            finishing.result()
        return out

    def _finish(self, rows: Floats, corner: tuple[float, float], out: NDArray[np.uint16], top: int) -> None:
        """Bring one strip of the output about, while the rows of the next are filtered."""
        values = self._interpolate(rows, corner, (top, top + len(out)))
        self._cover(values, top)
        for first in range(0, len(out), FINISHED):
            rows = values[first : first + FINISHED]
            np.rint(rows, out=rows)
            np.clip(rows, 0, 65535, out=rows)
            out[first : first + FINISHED] = rows

    def _reached(self, strip: tuple[int, int]) -> list[tuple[int, int]]:
        """Return the filtered columns [first, end) and rows [first, end) that a strip of the output draws from."""
        corners = self.back.apply([(x, y) for x in (0, self.width) for y in strip])
        sizes = (self.source.width, self.source.height)
        if self.bend:
            least, most = self.bend.span(corners[:, 1].min(), corners[:, 1].max())
            corners = np.vstack([corners + np.array([0, shift]) for shift in (least, most)])
        spans = []
        for positions, axis, size in zip(corners.T, (self.x, self.y), sizes, strict=True):
            reached = (positions - 0.5) * axis.density
            first, end = floor(reached.min()) - SPLINE, ceil(reached.max()) + SPLINE + 1
            spans.append((max(first, -axis.margin), min(end, ceil(size * axis.density) + axis.margin)))
        return spans

    def _interpolate(self, rows: Floats, corner: tuple[float, float], strip: tuple[int, int]) -> Floats:
        """Evaluate the spline at the centres of a strip's pixels; `corner` is where the first of `rows` lies."""
        top, bottom = strip
        bands = self.source.bands
        image = pyvips.Image.new_from_memory(rows, rows.shape[1] // bands, len(rows), bands, "float")
        if self.bend:
            placed = image.mapim(self._index(self.bend, corner, strip), interpolate=pyvips.Interpolate.new("vsqbs"))
            return np.frombuffer(placed.write_to_memory(), np.float32).reshape(bottom - top, self.width, bands)
        place, x, y = self.placement, self.x.density, self.y.density
        origin_x, origin_y = place.apply([corner])[0]
        placed = image.affine(
            [place.a / x, place.b / y, place.c / x, place.d / y],
            interpolate=pyvips.Interpolate.new("vsqbs"),
            oarea=[0, 0, self.width, bottom - top],
            odx=float(origin_x) - 0.5,
            ody=float(origin_y) - 0.5 - top,
        )
        return np.frombuffer(placed.write_to_memory(), np.float32).reshape(bottom - top, self.width, bands)

    def _positions(self, top: int, bottom: int, columns: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Where in the source, x and y, the centres of rows [top, bottom) of the output lie; any bend is left out."""
        x = np.arange(columns)[None, :] + 0.5
        y = np.arange(top, bottom)[:, None] + 0.5
        back = self.back
        return back.a * x + back.b * y + back.tx, back.c * x + back.d * y + back.ty

    def _index(self, bend: Bend, corner: tuple[float, float], strip: tuple[int, int]) -> pyvips.Image:
        """Where in the filtered rows the centres of a strip's pixels lie: float32 holds it to a 1000th of a pixel."""
        across, down = self._positions(*strip, self.width)
        down = down + bend.at(across, down)
        index = np.empty((*down.shape, 2), np.float32)
        index[:, :, 0] = (across - corner[0]) * self.x.density
        index[:, :, 1] = (down - corner[1]) * self.y.density
        return pyvips.Image.new_from_memory(index, self.width, len(index), 2, "float")

    def _cover(self, values: Floats, top: int) -> None:
        """Blend into the background over one output pixel at the source's edge; a crop along it blends nothing."""
        rows, columns = values.shape[:2]
        sides = (self.source.width, self.source.height)
        corners = self.back.apply([(x, y) for x in (0, columns) for y in (top, top + rows)])
        if self.bend is None and (corners >= 0).all() and (corners <= sides).all():
            return
        across, down = self._positions(top, top + rows, columns)
        if self.bend:
            down = down + self.bend.at(across, down)
        place = self.placement
        inside_x = np.minimum(across, sides[0] - across) * hypot(place.a, place.c)  # output pixels
        inside_y = np.minimum(down, sides[1] - down) * hypot(place.b, place.d)
        share = (np.clip(inside_x + 0.5, 0, 1) * np.clip(inside_y + 0.5, 0, 1)).astype(np.float32)
        edge = share < 1
        paper = np.array(self.background, np.float32)
        values[edge] = paper + (values[edge] - paper) * share[edge][:, None]

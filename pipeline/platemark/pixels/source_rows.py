"""The rows of a source for a filter that moves over it from top to bottom; beyond the source, copies of its edge."""

import numpy as np
import pyvips
from numpy.typing import NDArray

Numbers = NDArray[np.uint8] | NDArray[np.uint16]

_KINDS = {"uchar": np.uint8, "ushort": np.uint16}


class SourceRows:
    """A window on the source, as wide as asked, that only moves down.

    Two buffers take turns, so that rows handed out stay as they are while the next ones are read.
    """

    def __init__(self, source: pyvips.Image, columns: tuple[int, int], height: int) -> None:
        """Start above the source; `columns` are its pixels [from, to), `height` the most rows asked at once."""
        self._source, self._region, self._columns = source, pyvips.Region.new(source), columns
        shape = (height, max(0, columns[1] - columns[0]), source.bands)
        self._buffers = [np.empty(shape, _KINDS[source.format]) for _ in range(2)]
        self._first = self._end = 0

    def rows(self, first: int, end: int) -> Numbers:
        """Return rows [first, end), neither ever going back, as rows of numbers; good until the call after the next."""
        if end > self._end or self._first == self._end:
            self._read(first, end)
        kept = self._buffers[0][first - self._first : end - self._first]
        return kept.reshape(len(kept), -1)

    def _read(self, first: int, end: int) -> None:
        now, following = self._buffers
        kept = now[max(0, first - self._first) : self._end - self._first]
        following[: len(kept)] = kept
        self._fetch(first + len(kept), following[len(kept) : end - first], following[len(kept) - 1])
        self._buffers = [following, now]
        self._first, self._end = first, end

    def _fetch(self, start: int, out: Numbers, above: Numbers) -> None:
        """Fill `out`, whose first row is `start`; `above` is the row before it, for where the source has ended."""
        top, bottom = max(start, 0), min(start + len(out), self._source.height)
        if top >= bottom:
            out[...] = above
            return
        left, right = max(self._columns[0], 0), min(self._columns[1], self._source.width)
        data = self._region.fetch(left, top, right - left, bottom - top)
        inner = slice(left - self._columns[0], right - self._columns[0])
        rows = out[top - start : bottom - start]
        rows[:, inner] = np.frombuffer(data, out.dtype).reshape(bottom - top, right - left, -1)
        rows[:, : inner.start] = rows[:, inner.start, None]
        rows[:, inner.stop :] = rows[:, inner.stop - 1, None]
        out[: top - start] = rows[0]
        out[bottom - start :] = rows[-1]

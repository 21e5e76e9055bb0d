"""Quality: the best JPEG quality whose whole file stays under a size limit.

A full encode of an A4 sheet takes a quarter of a second, so the size is first foretold from a sample of the picture,
encoded at several qualities. One full encode anchors the forecast, and usually settles it.

The file that is returned was encoded and measured, so it is never over. Its quality is the best that fits, on two
conditions. Sizes grow with quality: from 74 up they did in all that was measured; below, a nearly blank picture can
lose 16 % in a step, and a higher quality might fit as well. And the next quality, where it was not encoded to see, is
over the limit by more than the forecast may err.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np
import pyvips

from .encoders import Bytes, Subsampling, as_pixels, encode, subsamplings
from .segments import Metadata, assemble, scan_bytes

if TYPE_CHECKING:
    from PIL import Image

Encode = Callable[[Bytes, int, Subsampling], bytes]

# A tile is one MCU row of 4:2:0 high, so it is coded alike at its place and in the sample.
TILE_ROWS: Final = 16
SAMPLED: Final = 1_000_000  # pixels or less: a thirteenth of an A4 sheet at 360 ppi, and a small picture whole
# More than twice the worst that was measured from quality 84 to 100, over eight pictures of which one is all white but
# for a strip and a spot: with an anchor at the next quality 0.54 % (on average 0.12 %), without any 4.7 % (1.5 %).
ANCHORED_ERROR: Final = 0.02
FREE_ERROR: Final = 0.12
TYPICAL_POWER: Final = 1.6  # see `fitting_ppi`
TABLES_ERROR: Final = 600  # bytes: Huffman tables are fitted to each picture, and may differ by as much as this


@dataclass(frozen=True)
class Fit:
    """A file under the limit.

    Attributes:
        quality: the best that fits.
        subsampling: "4:2:0" only where "4:4:4" did not fit at the lowest quality allowed.
        file: the whole file.
        encodes_done: full encodes it took.
    """

    quality: int
    subsampling: Subsampling
    file: bytes
    encodes_done: int


@dataclass(frozen=True)
class TooLarge:
    """No file under the limit.

    Attributes:
        smallest: bytes of the smallest file that was reached, so the limit that would let it pass.
        quality: of that file.
        subsampling: of that file.
        fitting_ppi: resolution at which the picture would fit as it is limited now, estimated; 0 if there is none.
        encodes_done: full encodes it took.
    """

    smallest: int
    quality: int
    subsampling: Subsampling
    fitting_ppi: int
    encodes_done: int


def fit_under(
    source: Bytes | Image.Image | memoryview,
    metadata: Metadata,
    *,
    cap: int,
    min_quality: int,
    max_quality: int,
    encoder: Encode = encode,
) -> Fit | TooLarge:
    """Find the best integer quality whose file is at most `cap` bytes long.

    "4:4:4" is tried first; "4:2:0" only where "4:4:4" would need less than `min_quality`.

    Args:
        source: the picture, see `encoders.as_pixels`.
        metadata: for the segments, which count.
        cap: most bytes of the whole file.
        min_quality: 1 to `max_quality`.
        max_quality: up to 100; taken at once if it fits.
        encoder: makes the coded picture.

    Raises:
        ValueError: the qualities are out of range or order, or pixels and metadata cannot become a JPEG.
    """
    if not 1 <= min_quality <= max_quality <= 100:
        message = f"qualities from {min_quality} to {max_quality}: wanted 1 <= lowest <= highest <= 100"
        raise ValueError(message)
    encodes = 0
    pixels = as_pixels(source)
    for subsampling in (choices := subsamplings(pixels.shape[2])):
        search = _Search(pixels, metadata, subsampling, encoder, cap)
        # Of several choices, one that the forecast rules out is not worth an encode; the last must show its size.
        if subsampling != choices[-1] and search.surely_over(min_quality):
            continue
        best = search.best(min_quality, max_quality)
        encodes += len(search.sizes)
        if best is not None:
            return Fit(best, subsampling, search.file, encodes)
    return TooLarge(search.sizes[min_quality], min_quality, subsampling, search.fitting_ppi(min_quality), encodes)


def has_room(source: Bytes | Image.Image | memoryview, metadata: Metadata, *, cap: int, quality: int) -> bool:
    """Tell from a sample whether a file of this quality at 4:4:4 will probably be well under `cap` bytes.

    Then there is nothing to search, and no need to spend time and memory on a smaller file.
    """
    search = _Search(as_pixels(source), metadata, "4:4:4", encode, cap)
    # Standard Huffman tables cost up to 10 % where the picture is dense; where it is not, the file is small anyway.
    return search.forecast(quality) * (1 + FREE_ERROR) < cap


@dataclass
class _Search:
    """The search with one subsampling. `sizes` holds what full encodes have shown, `file` the best that fits."""

    pixels: Bytes
    metadata: Metadata
    subsampling: Subsampling
    encoder: Encode
    cap: int
    sizes: dict[int, int] = field(default_factory=dict)
    file: bytes = b""
    overhead: int = 0
    halves: tuple[Bytes, Bytes] = field(init=False)
    sampled: dict[int, tuple[int, int]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.halves = _tiles(self.pixels)

    def best(self, lowest: int, highest: int) -> int | None:
        """Find the best quality that fits, or None once the lowest is known not to."""
        fits, over = lowest - 1, highest + 1
        while over - fits > 1 and not (fits >= lowest and self.surely_over(fits + 1)):
            quality = self.likely(fits + 1, over - 1)
            if self.encoded(quality) <= self.cap:
                fits = quality
            else:
                over = quality
        return fits if fits >= lowest else None

    def encoded(self, quality: int) -> int:
        """Encode the whole picture; its file's size in bytes. One that fits is kept: it is better than those before."""
        coded = self.encoder(self.pixels, quality, self.subsampling)
        file = assemble(coded, self.metadata)
        if len(file) <= self.cap:
            self.file = file
        self.overhead = len(file) - scan_bytes(coded)
        self.sizes[quality] = len(file)
        return len(file)

    def likely(self, lowest: int, highest: int) -> int:
        """Pick the best quality of a range that the forecast lets pass, or the lowest."""
        while lowest < highest:
            middle = (lowest + highest + 1) // 2
            if self.forecast(middle) <= self.cap:
                lowest = middle
            else:
                highest = middle - 1
        return lowest

    def surely_over(self, quality: int) -> bool:
        """Tell whether the file is over the limit by more than the forecast may err."""
        size = self.forecast(quality)
        return size - TABLES_ERROR > self.cap * (1 + self.error(quality))

    def forecast(self, quality: int) -> float:
        """Foretell a file's size in bytes: the sample's curve, through the nearest quality that was encoded whole."""
        if not self.sizes:
            return sum(self.sample(quality)) * self.pixels.size / sum(half.size for half in self.halves)
        anchor = self.anchor(quality)
        ratio = sum(self.sample(quality)) / sum(self.sample(anchor))
        return self.overhead + (self.sizes[anchor] - self.overhead) * ratio

    def error(self, quality: int) -> float:
        """Bound the forecast's relative error: what is usual, or three times what the halves of the sample disagree."""
        upper, lower = self.sample(quality)
        if not self.sizes:
            return max(FREE_ERROR, 3 * abs(upper - lower) / (upper + lower))
        upper_anchor, lower_anchor = self.sample(self.anchor(quality))
        return max(ANCHORED_ERROR, 3 * abs(upper * lower_anchor / (lower * upper_anchor) - 1) / 2)

    def anchor(self, quality: int) -> int:
        """Find the quality nearest to this one that was encoded whole."""
        return min(self.sizes, key=lambda known: (abs(known - quality), known))

    def sample(self, quality: int) -> tuple[int, int]:
        """Encode both halves of the sample; the bytes of their scans."""
        if quality not in self.sampled:
            one, other = (scan_bytes(self.encoder(half, quality, self.subsampling)) for half in self.halves)
            self.sampled[quality] = (one, other)
        return self.sampled[quality]

    def fitting_ppi(self, quality: int) -> int:
        """Estimate at which resolution the picture would fit, from one trial near it.

        Fewer pixels need more bits each, as their detail is finer: bytes grow with a power of the ppi that is less than
        two, from 1.1 for a pencil drawing on grained paper to 1.9 for a wash.
        """
        room, whole = self.cap - self.overhead, self.sizes[quality] - self.overhead
        # The power cannot be told from a step too small to see: a limit missed by one byte tries nine tenths, too.
        trial = min(0.9, math.pow(max(room, 0) / whole, 1 / TYPICAL_POWER))
        if min(self.pixels.shape[:2]) * trial < 1:
            return 0
        reduced = scan_bytes(self.encoder(_reduced(self.pixels, trial), quality, self.subsampling))
        power = max(1.0, math.log(reduced / whole) / math.log(trial))
        # 2 % less, so that another reduction kernel does not miss by a hair what this one met.
        return math.floor(self.metadata.ppi * 0.98 * math.pow(room / whole, 1 / power))


def _tiles(pixels: Bytes) -> tuple[Bytes, Bytes]:
    """Take a sample: from each band of 16 rows one tile, the tiles of odd and even bands stacked apart.

    The tiles wander across the bands, so that all rows and all columns are represented alike; stripes would see too
    much or too little of a picture within white borders.
    """
    rows, columns = pixels.shape[:2]
    bands = max(1, rows // TILE_ROWS)
    places = min(rows * columns // SAMPLED, columns // TILE_ROWS) // 2 * 2 + 1
    width = max(columns // places // TILE_ROWS * TILE_ROWS, min(columns, TILE_ROWS))
    tiles = []
    for band in range(bands):
        # Half of an odd number has no divisor in common with it, so this comes to every place before it comes again.
        place = band * (places // 2) % places
        left = place * columns // places // TILE_ROWS * TILE_ROWS
        tiles.append(pixels[band * TILE_ROWS : (band + 1) * TILE_ROWS, left : left + width])
    whole = np.concatenate(tiles)
    if bands == 1:
        return whole, whole
    return np.concatenate(tiles[0::2]), np.concatenate(tiles[1::2])


def _reduced(pixels: Bytes, scale: float) -> Bytes:
    """Reduce a picture as it would be for a lower resolution; each side keeps at least one pixel."""
    rows, columns, channels = pixels.shape
    image = pyvips.Image.new_from_memory(pixels.data, columns, rows, channels, "uchar")
    return as_pixels(image.resize(scale).numpy())

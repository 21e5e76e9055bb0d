"""Whitening: paper to bare print paper, washes through a shoulder, paint left alone. A pure function, lazy, integers.

Three shares of each pixel are decided by how far it is from being paper:

- `blank`: how much of its own grain it loses. All of it: the pixel becomes exactly white.
- `light`: how much of the lift from the paper's lightness to white it gets.
- `tint`: how much of the paper's tint is taken from it. It ends sooner, because a tint taken from paint shifts its hue.
"""

from dataclasses import dataclass

import numpy as np
import pyvips
from numpy.typing import NDArray

from platemark import Picture
from platemark_stages.paper_white.distance import WHITE, distances, squared
from platemark_stages.paper_white.lamp import levelled
from platemark_stages.registration.cells import Flags, box_sum

Doubles = NDArray[np.float64]
Shares = NDArray[np.uint16]

ONE = 256  # of a share: products with 16 bits still fit into the 24 bits of a float
PAINT = 4.0  # CIEDE2000 from the paper: farther off, a colour is paint beyond doubt and keeps hue and chroma
SURE_GRAIN = 2.0  # CIEDE2000; grain that goes farther is known for grain only among blank surroundings
# Means over 1.3 mm tell a wash of half a unit from the grain of paper.
_AROUND_MM = 0.5
MM_PER_INCH = 25.4


@dataclass(frozen=True)
class Paper:
    """The bare paper as measured: see the parameters of the stage.

    Attributes:
        colour: its value in each channel.
        lamp: per channel, see `levelled`.
        axes: see `squared`.
        grain: CIEDE2000 that its single pixels wander.
        mottle: that means over a millimetre wander.
        fibre: that cells of a quarter of a millimetre wander.
        tint_reach: CIEDE2000 beyond all these at which the tint is no longer taken away.
        light_reach: as `tint_reach`, for the lightness.
    """

    colour: list[int]
    lamp: list[list[float]]
    axes: list[list[int]]
    grain: float
    mottle: float
    fibre: float
    tint_reach: float
    light_reach: float

    @property
    def blank_reach(self) -> float:
        """Where the paper's own grain is left in full."""
        return max(self.mottle, 0.75)

    def shares(self, beyond: Doubles, sooner: float = 0.0) -> Shares:
        """Blank, light and tint, one column each, 0 to ONE.

        Args:
            beyond: distances beyond what paper does by itself, CIEDE2000.
            sooner: by how much sooner light and tint fall than blank.
        """
        falls = ((0.0, self.blank_reach), (sooner, self.light_reach), (sooner, self.tint_reach))
        return np.stack(
            [np.rint(ONE * falling((beyond + by) / reach)).astype(np.uint16) for by, reach in falls], axis=-1
        )

    def own_shares(self, apart: Doubles) -> Shares:
        """Shares by the distances of single pixels, which may be grain or paint."""
        return self.shares(apart - self.grain, max(0.0, self.grain - SURE_GRAIN))


def falling(x: Doubles) -> Doubles:
    """1 up to 0, 0 from 1, and smooth between them."""
    x = np.clip(x, 0, 1)
    return 1 - x * x * (3 - 2 * x)


def whitened(picture: Picture, paper: Paper, fade_mm: float) -> Picture:
    """The picture with its paper white.

    Args:
        picture: in the frame that the paper was measured in.
        paper: as measured.
        fade_mm: over how many millimetres the tint fades out around the art; 0 for no tint at all.
    """
    small = cells_of(picture)
    shares = surroundings(beyond_paper(small, paper), paper, fade_mm / MM_PER_INCH * small.ppi)
    near = _enlarged(shares, picture.size, picture.ppi / small.ppi)
    return picture.with_pixels(lifted(levelled(picture.pixels(), paper.lamp), near, paper))


def cells_of(picture: Picture) -> Picture:
    """The picture in cells, each of several pixels, so that its noise is less."""
    return picture.reduced(float(np.clip(picture.ppi / 2, 50, 100)))


def surroundings(apart: Doubles, paper: Paper, fade_cells: float) -> Shares:
    """What the surroundings of each cell of a reduced picture allow: shares of shape (rows, columns, 3).

    Args:
        apart: of each cell, see `beyond_paper`.
        paper: as measured.
        fade_cells: over how many cells the tint fades out around the art; 0 for no tint at all.
    """
    shares = paper.shares(apart)
    return np.minimum(shares, _fade(apart > paper.blank_reach / 2, fade_cells)[..., None]) if fade_cells else shares


def beyond_paper(small: Picture, paper: Paper) -> Doubles:
    """How far beyond what paper does by itself the surroundings of each cell are, CIEDE2000.

    Paint is left out of the means, so that paper is known for paper up to the very edge of a stroke. A faint line is
    told by its own cells.
    """
    level = levelled(small.pixels(), paper.lamp)
    single = cells_apart(level, paper)
    alike = single <= paper.fibre
    # The few cells of bare paper that go farther stand alone; a faint line has company.
    alike |= (single <= 2 * paper.fibre) & (_count(~alike, 1) <= 2)
    beyond = mean_apart(level, alike, single <= PAINT, paper, around(small)) - paper.mottle
    # Cells partly on a stroke and partly on paper tell of neither; there each pixel speaks for itself. A wash that
    # grows out of the paper has no such edge.
    partly = (_highest_near(single) > 3 * single) | (single > PAINT + paper.grain)
    edge = partly & (_count(alike, 1) > 0)
    return np.where(alike | edge, beyond, np.maximum(beyond, single - paper.mottle))


def cells_apart(level: pyvips.Image, paper: Paper) -> Doubles:
    """The distance of each cell from the paper, CIEDE2000."""
    data = np.frombuffer(squared(level, paper.colour, paper.axes).write_to_memory(), np.uint16)
    return distances()[data.reshape(level.height, level.width)]


def around(small: Picture) -> int:
    """How many cells each way the surroundings of a cell reach."""
    return max(1, round(_AROUND_MM / MM_PER_INCH * small.ppi))


def mean_apart(level: pyvips.Image, alike: Flags, pale: Flags, paper: Paper, reach: int) -> Doubles:
    """As `cells_apart`, of the mean colour around each cell.

    Args:
        level: evenly lit.
        alike: cells like paper; the mean is of these where they are a quarter or more of the cells around.
        pale: cells that may be a wash; the mean is of these elsewhere, so that paper between strokes is paper.
        paper: as measured.
        reach: cells each way.
    """
    data = np.frombuffer(level.write_to_memory(), np.uint16).reshape(level.height, level.width, level.bands)
    every = _count(np.ones_like(alike), reach)
    usual = 4 * _count(alike, reach) >= every
    counts = [np.maximum(_count(taken, reach), 1) for taken in (alike, pale)]
    means = np.empty_like(data)
    for channel in range(level.bands):
        values = data[:, :, channel].astype(np.int64)
        of_alike, of_pale = (
            box_sum(np.where(taken, values, 0), reach) // count
            for taken, count in zip((alike, pale), counts, strict=True)
        )
        means[:, :, channel] = np.where(usual, of_alike, of_pale)
    return cells_apart(image_of(means), paper)


def _highest_near(values: Doubles) -> Doubles:
    """The highest of the nine values at and around each."""
    for axis in (0, 1):
        wide = np.pad(values, [(1, 1) if a == axis else (0, 0) for a in (0, 1)], mode="edge")
        values = np.maximum(
            values, np.maximum(*(np.take(wide, range(i, i + values.shape[axis]), axis) for i in (0, 2)))
        )
    return values


def _count(flags: Flags, reach: int) -> NDArray[np.int64]:
    return box_sum(flags.astype(np.int64), reach)


def _fade(art: Flags, reach: float) -> Shares:
    """Nought on the art, ONE from `reach` cells off it; and towards the edges, so that no box of tint shows."""
    # Three means of this reach fall from all to nothing over six steps.
    step = max(1, round(reach / 6))
    # A speck is no art to fade around: nine cells are half a square millimetre.
    art = art & (_count(art, 2) >= 9)
    cover = (_count(art, 3 * step) > 0).astype(np.int64) * ONE
    # Beyond the frame the art goes on as it does at its edge; then the means near it are not too small.
    for _ in range(3):
        cover = box_sum(np.pad(cover, step, mode="edge"), step)[step:-step, step:-step] // (2 * step + 1) ** 2
    rows, columns = (np.minimum(np.arange(side), np.arange(side)[::-1]) for side in art.shape)
    from_edge = np.minimum(rows[:, None], columns[None, :]) / max(1.0, reach)
    return np.maximum(ONE - cover, np.rint(ONE * falling(from_edge)).astype(np.int64)).astype(np.uint16)


def image_of(array: NDArray[np.uint16]) -> pyvips.Image:
    """An image of an array of shape (rows, columns, bands)."""
    rows, columns, bands = array.shape
    return pyvips.Image.new_from_memory(np.ascontiguousarray(array).tobytes(), columns, rows, bands, "ushort")


def _enlarged(shares: Shares, size: tuple[int, int], scale: float) -> pyvips.Image:
    return image_of(shares).affine(
        [scale, 0, 0, scale],
        interpolate=pyvips.Interpolate.new("bilinear"),
        oarea=[0, 0, *size],
        odx=(scale - 1) / 2,  # from centre to centre of the first cell and pixel
        ody=(scale - 1) / 2,
        extend="copy",
    )


def _table(shares: Shares) -> pyvips.Image:
    return image_of(shares[None])


def lifted(level: pyvips.Image, near: pyvips.Image, paper: Paper) -> pyvips.Image:
    """Mix by the shares: whole numbers below 2 to the 24th, which a float holds exactly.

    What is lighter than the paper keeps its place between paper and white, so that nothing but paper is cut off.

    Args:
        level: evenly lit.
        near: the shares that the surroundings allow.
        paper: as measured.
    """
    own = squared(level, paper.colour, paper.axes).maplut(_table(paper.own_shares(distances())))
    both = (own < near).ifthenelse(own, near)
    # What is blank is white, however far its own grain goes.
    shares = (both > both[0]).ifthenelse(both, both[0])
    highest = max(paper.colour)
    kept = level.maplut(_curves(paper.colour, above=False)) * (shares[0] * -1 + ONE)
    above = level.maplut(_curves(paper.colour, above=True)) * (shares[1] * -1 + ONE)
    added = shares.recomb([[float(c), float(WHITE - highest), float(highest - c)] for c in paper.colour])
    mixed = (kept + above + added + ONE // 2) * (1 / ONE)
    return mixed.floor().cast("ushort").copy(interpretation=level.interpretation)


def _curves(colour: list[int], *, above: bool) -> pyvips.Image:
    """Per channel: each value up to the paper's own, or what it has above it."""
    value = np.arange(65536)
    columns = [np.maximum(value - c, 0) if above else np.minimum(value, c) for c in colour]
    return _table(np.stack(columns, axis=1).astype(np.uint16))

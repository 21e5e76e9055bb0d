"""Measuring: the bare paper, how far it wanders by itself, how long the shoulder is, what it does to the art."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platemark import Picture, colour_difference
from platemark_stages.paper_white.bare import Bare, find_bare
from platemark_stages.paper_white.distance import WHITE, axes_at, lab_of
from platemark_stages.paper_white.lamp import levelled
from platemark_stages.paper_white.whitening import (
    MM_PER_INCH,
    PAINT,
    SURE_GRAIN,
    Paper,
    around,
    beyond_paper,
    cells_apart,
    cells_of,
    falling,
    image_of,
    lifted,
    mean_apart,
    surroundings,
)
from platemark_stages.registration.cells import Flags, box_sum

Doubles = NDArray[np.float64]

_SPACES = {"RGB", "GRAY"}
_WINDOW_MM = 4.0  # a side; of its pixels one in some thousands tells how far grain goes
_WINDOWS = 4
# How many times the 95th percentile, which a few strokes among the paper do not move, paper may go. Single pixels: 6.3
# deviations of one normal variable, beyond which lies none of a hundred million. Means and cells, of which there are
# fewer: 4.5, beyond which lie seven of a million.
_ANY_PIXEL = 3.2
_ANY_CELL = 2.3
_ONE_COLOUR = 1.0  # CIEDE2000; paper is of one colour: nine tenths of its means lie within what can just be seen
_MOVED = 0.8  # CIEDE2000 that the tint may move paint at PAINT; 1 is just visible (common practice)
_STEEP = 1.6  # a shoulder shorter than this times its lift would turn round, light washes darker than dark ones
_LONGEST = 28.0  # CIEDE2000; what distances can tell, less the grain


@dataclass(frozen=True)
class Touched:
    """What whitening does to a picture.

    Attributes:
        blank: share of the picture that becomes exactly white.
        art: share of the picture that is art.
        moved: share of the art that moves by more than 1 CIEDE2000.
        washes: share of the picture that is paler than 4 CIEDE2000 from the paper, and kept.
    """

    blank: float
    art: float
    moved: float
    washes: float


def measured(picture: Picture, *, even: bool) -> tuple[Paper | None, str]:
    """The bare paper of a picture; or None, and why."""
    if picture.profile.colour_space not in _SPACES:
        return None, f"the picture is in {picture.profile.colour_space}, where paper is not looked for"
    bare, why_not = find_bare(picture, even=even)
    if bare is None:
        return None, why_not
    axes = axes_at(bare.colour, picture.profile)
    paper = Paper(bare.colour, bare.lamp, axes, 0.0, 0.0, 0.0, 1.0, 1.0)
    small = cells_of(picture)
    level = levelled(small.pixels(), bare.lamp)
    single = cells_apart(level, paper)
    cells = _on_cells(bare, single.shape, 2 * around(small))
    means = mean_apart(level, single <= PAINT, single <= PAINT, paper, around(small))[cells]
    if float(np.percentile(means, 90)) > _ONE_COLOUR:
        return None, "the lightest part wanders in colour as a wash does"
    mottle = _wander(means, _ANY_CELL, 0.5, 2.0)
    grain = _wander(_grains(picture, bare, paper), _ANY_PIXEL, 0.8, 8.0)
    fibre = _wander(single[cells], _ANY_CELL, 0.8, PAINT)
    light, tint = _lifts(bare, picture)
    tint_reach = _tint_reach(tint, PAINT - max(min(grain, SURE_GRAIN), mottle))
    light_reach = min(_LONGEST, max(_STEEP * light, tint_reach, 4.0))
    rounded = [round(value, 2) for value in (grain, mottle, fibre, tint_reach, light_reach)]
    return Paper(bare.colour, bare.lamp, axes, *rounded), ""


def touched(picture: Picture, paper: Paper, fade_mm: float) -> Touched:
    """Try it on a reduced picture."""
    small = cells_of(picture)
    level = small.with_pixels(levelled(small.pixels(), paper.lamp))
    beyond = beyond_paper(small, paper)
    near = image_of(surroundings(beyond, paper, fade_mm / MM_PER_INCH * small.ppi))
    after = small.with_pixels(lifted(level.open(), near, paper))
    white: Flags = (after.array() == WHITE).all(axis=2)
    single = cells_apart(level.open(), paper)
    art = (beyond > paper.blank_reach / 2) | (single > PAINT)
    moved = colour_difference(level.lab(), after.lab()) > 1
    return Touched(
        blank=float(white.mean()),
        art=float(art.mean()),
        moved=float((moved & art).sum() / max(1, art.sum())),
        washes=float((art & (single < PAINT)).mean()),
    )


def _on_cells(bare: Bare, shape: tuple[int, ...], reach: int) -> Flags:
    """The bare cells on a grid of another size, without their rim."""
    rows, columns = (np.arange(side) * old // side for side, old in zip(shape, bare.cells.shape, strict=True))
    cells = bare.cells[np.ix_(rows, columns)]
    inner: Flags = box_sum(cells.astype(np.int64), reach) == (2 * reach + 1) ** 2
    return inner if inner.any() else cells


def _wander(apart: Doubles, times: float, least: float, most: float) -> float:
    """How far paper goes by itself, from the distances of many pieces of it."""
    return float(np.clip(times * np.percentile(apart, 95), least, most)) if apart.size else most


def _grains(picture: Picture, bare: Bare, paper: Paper) -> Doubles:
    """Distances of single pixels of bare paper from its mean there, in a few windows at full size."""
    cell = picture.size[0] / bare.cells.shape[1]
    side = max(2, round(_WINDOW_MM / MM_PER_INCH * picture.ppi / cell))
    sums = box_sum(bare.cells.astype(np.int64), side // 2)
    spots = np.argwhere(sums == (2 * (side // 2) + 1) ** 2)
    found = []
    for row, column in spots[np.linspace(0, len(spots) - 1, _WINDOWS).astype(int)] if len(spots) else ():
        length = max(1, round(side * cell))
        window = picture.cropped(
            round((column + 0.5) * cell - length / 2), round((row + 0.5) * cell - length / 2), length, length
        )
        pixels = window.array()
        there = [int(value) for value in np.rint(pixels.reshape(-1, pixels.shape[2]).mean(axis=0))]
        found.append(cells_apart(window.pixels(), Paper(there, [], paper.axes, 0, 0, 0, 1, 1)).ravel())
    return np.concatenate(found) if found else np.zeros(0)


def _lifts(bare: Bare, picture: Picture) -> tuple[float, float]:
    """CIEDE2000 of the lift from the paper to white: of its lightness, and of its tint."""
    highest = max(bare.colour)
    colours = np.array([bare.colour, [c + WHITE - highest for c in bare.colour], [WHITE] * len(bare.colour)])
    lab = lab_of(colours.astype(np.float64), picture.profile)
    light, tint = colour_difference(lab[:, :2], lab[:, 1:])[0]
    return float(light), float(tint)


def _tint_reach(tint: float, room: float) -> float:
    """How far out the tint may be taken away, so that paint at PAINT moves by no more than _MOVED.

    Args:
        tint: CIEDE2000 of the tint.
        room: from where the shoulder begins to PAINT.
    """
    reaches = np.arange(0.5, _LONGEST, 0.25)
    allowed = reaches[falling(room / reaches) * tint <= _MOVED]
    # The longest is the gentlest.
    return float(allowed.max()) if allowed.size else float(reaches[0])

"""Bare paper: where the sheet shows through, what colour it is there, and how evenly it was lit."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platemark import Picture
from platemark_stages.paper_white import lamp

Doubles = NDArray[np.float64]
Flags = NDArray[np.bool_]

_PPI = 50.0  # half a millimetre a cell: the grain of paper is averaged, margins are many cells wide
_NARROWEST = 0.6  # CIELAB: the noise of a cell and the mottle of smooth paper
_WIDEST = 2.5  # CIELAB: rough paper lit from the side; what is farther off is paint
_DARKEST = 78.0  # L*: darker stock is coloured paper, which nobody takes for bare print paper
_MOST_COLOUR = 16.0  # C*: as _DARKEST; cream paper has 12
_LEAST = 0.03  # of the picture: a margin of 2 mm around A5
_EDGE = 0.03  # of each edge: some millimetres, a corner that was left blank
_PASSES = 8


@dataclass(frozen=True)
class Bare:
    """The bare paper of a picture.

    Attributes:
        colour: its value in each channel, the mean over the frame.
        lamp: per channel, see `lamp.levelled`.
        cells: which cells of the picture at 50 ppi are bare.
        lab: CIELAB of the colour.
    """

    colour: list[int]
    lamp: list[list[float]]
    cells: Flags
    lab: tuple[float, float, float]


def find_bare(picture: Picture, *, even: bool) -> tuple[Bare | None, str]:
    """Look for bare paper.

    Args:
        picture: as it stands.
        even: look for the lamp's unevenness too.

    Returns:
        What was found; or None, and why.
    """
    small = picture.reduced(_PPI)
    lab = small.lab().astype(np.float64)
    rows, columns = lab.shape[:2]
    y, x = ((np.mgrid[0:rows, 0:columns] + 0.5).T / np.array([rows, columns]) * 2 - 1).T
    cells = _lightest_peak(lab)
    for _ in range(_PASSES):
        surface = lamp.fit(lab[cells], x[cells], y[cells], lamp.order_for(cells))
        away = lab - lamp.at(surface, x, y)
        apart = np.sqrt((away**2).sum(axis=2))
        width = _width(apart[cells])
        cells = apart < width
    why_not = _refused(cells, away[:, :, 0], apart, width, surface[0])
    if why_not:
        return None, why_not
    values = small.array().astype(np.float64)[cells]
    order = lamp.order_for(cells) if even else 0
    fitted = lamp.fit(values, x[cells], y[cells], order)
    while order and lamp.too_steep(fitted):
        order -= 1
        fitted = lamp.fit(values, x[cells], y[cells], order)
    colour = [round(float(value)) for value in np.clip(fitted[0], 1, 65535)]
    shares = [[round(float(factor / mean), 5) for factor in fitted[1:, i]] for i, mean in enumerate(fitted[0])]
    lightness, a, b = (float(value) for value in surface[0])
    return Bare(colour, shares, cells, (lightness, a, b)), ""


def _lightest_peak(lab: Doubles) -> Flags:
    """Cells of the most frequent lightness near the top: paint on paper is darker than the paper."""
    lightness = lab[:, :, 0]
    top = float(np.percentile(lightness, 99.5))
    counts, edges = np.histogram(lightness, bins=np.arange(top - 8, top + 2.1, 0.5))
    smooth = np.convolve(counts, np.ones(3), mode="same")
    peak = edges[int(np.argmax(smooth))] + 0.25
    near = np.abs(lightness - peak) < 1.5
    middle = np.median(lab[near], axis=0)
    cells: Flags = np.sqrt(((lab - middle) ** 2).sum(axis=2)) < _WIDEST
    return cells


def _width(apart: Doubles) -> float:
    """How far bare cells lie from their surface: three and a half times their median.

    Source:
        Of the distances of three equal normal variables the median is 1.54 deviations, 99.9 % lie below 4.0.
    """
    return float(np.clip(2.8 * np.median(apart), _NARROWEST, _WIDEST)) if apart.size else _NARROWEST


def _refused(cells: Flags, lighter: Doubles, apart: Doubles, width: float, colour: Doubles) -> str:
    """Why these cells are no bare paper; empty where they are."""
    share = float(cells.mean())
    if share < _LEAST:
        return "no bare paper shows"
    if colour[0] < _DARKEST or float(np.hypot(colour[1], colour[2])) > _MOST_COLOUR:
        return "the lightest part is too dark or too coloured for bare paper"
    # Nothing but a highlight is lighter than paper, while a painted sky has brighter and darker places.
    if float((lighter > 2 * width).mean()) > 0.1 * share:
        return "much of the picture is lighter than what could be paper"
    # A flat pale sky reaches three edges at most; paper with a margin, all four, be it in the corners.
    band = max(2, round(0.03 * min(cells.shape)))
    if min(float(side.mean()) for side in (cells[:band], cells[-band:], cells[:, :band], cells[:, -band:])) < _EDGE:
        return "bare paper does not show along all four edges"
    # Paper is a peak of its own; the lightest part of a painting shades off into the rest.
    shell = float(((apart >= width) & (apart < 3 * width)).mean())
    if shell > share:
        return "the lightest part shades off into the painting"
    return ""

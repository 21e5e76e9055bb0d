"""Where the artwork tells most: its palest wash, its darkest and most colourful place, and the one like the whole."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platemark import Picture, colour_difference

Plane = NDArray[np.float64]
Painted = NDArray[np.bool_]

_MEASURED_PPI = 50  # half a millimetre: finer than any piece, and an A4 sheet has a quarter of a million
_MM_PER_INCH = 25.4
_SEEN = 2.0  # CIEDE2000 from the paper, seen without looking for it (common practice)
_RIM_MM = 2.0
_PALEST_PAPER = 70.0  # L*; a darker even rim is paint to the edge and no paper
_WASHED = 0.5  # share of a piece that must be painted to be a wash
_WHOLE = 5.0  # L* that a piece may be darker if it is painted all over: there is more of the wash to see


@dataclass(frozen=True)
class Piece:
    """A rectangle of the picture, in its pixels; `mm` is the size of one on the original."""

    left: float
    top: float
    width: float
    height: float
    mm: float

    @property
    def where(self) -> str:
        """Millimetres from the left and from the top of the original."""
        return f"{self.left * self.mm:.0f} | {self.top * self.mm:.0f} mm"


def places_of(picture: Picture, piece_mm: tuple[float, float], ring_mm: tuple[float, float]) -> dict[str, Piece]:
    """Find the pieces.

    Args:
        picture: the sheet of the artwork, as it lies cropped.
        piece_mm: width and height of a piece; a smaller artwork gives smaller ones of that shape.
        ring_mm: as `piece_mm`, of the one that is most like the whole.

    Returns:
        "palest", "darkest", "colourful" and "typical".
    """
    small = picture.reduced(_MEASURED_PPI)
    lab = small.lab().astype(np.float64)
    painted = _painted(lab, small.ppi)
    scale = picture.width / lab.shape[1]
    found: dict[str, Piece] = {}
    for wanted_mm, judge in ((piece_mm, _extremes), (ring_mm, _most_like_all)):
        wanted = [mm / _MM_PER_INCH * small.ppi for mm in wanted_mm]
        smaller = min(1.0, lab.shape[1] / wanted[0], lab.shape[0] / wanted[1])
        mean = _Mean(max(1, int(wanted[0] * smaller)), max(1, int(wanted[1] * smaller)))
        size = (wanted[0] * smaller * scale, wanted[1] * smaller * scale)
        found |= {name: _piece(picture, _first(cost), scale, size) for name, cost in judge(lab, painted, mean).items()}
    return found


def _painted(lab: Plane, ppi: float) -> Painted:
    """What is not bare paper; everything, where no paper is seen around the art."""
    rim = max(1, round(_RIM_MM / _MM_PER_INCH * ppi))
    edge = np.ones(lab.shape[:2], bool)
    edge[rim:-rim, rim:-rim] = False
    paper = np.median(lab[edge], axis=0)
    apart = colour_difference(lab.astype(np.float32), np.broadcast_to(paper, lab.shape).astype(np.float32))
    # Paper is light, and alike along most of the rim.
    known = paper[0] > _PALEST_PAPER and np.mean(apart[edge] < _SEEN) > 0.5
    painted = apart > _SEEN if known else np.ones(apart.shape, bool)
    return painted if painted.any() else ~painted


@dataclass(frozen=True)
class _Mean:
    """The mean over each box of this size that lies inside."""

    width: int
    height: int

    def __call__(self, values: Plane) -> Plane:
        table = np.pad(values.cumsum(axis=0).cumsum(axis=1), ((1, 0), (1, 0)))
        w, h = self.width, self.height
        total: Plane = table[h:, w:] - table[:-h, w:] - table[h:, :-w] + table[:-h, :-w]
        return total / (w * h)


def _extremes(lab: Plane, painted: Painted, mean: _Mean) -> dict[str, Plane]:
    """What each box costs as the palest, the darkest and the most colourful."""
    share = mean(painted.astype(np.float64))
    # Where a box is never half painted, as in a sparse drawing, those are taken that are painted most.
    washed = share >= min(_WASHED, 0.9 * float(share.max()))
    light = mean(lab[..., 0] * painted) / np.maximum(share, 1e-6)
    return {
        "palest": np.where(washed, -light - _WHOLE * share, np.inf),
        "darkest": mean(lab[..., 0]),
        "colourful": -mean(np.hypot(lab[..., 1], lab[..., 2])),
    }


def _most_like_all(lab: Plane, painted: Painted, mean: _Mean) -> dict[str, Plane]:
    """How far the colours of a box are from those of all that is painted, in their mean and in their spread."""
    cost = np.zeros_like(mean(lab[..., 0]))
    for plane in np.moveaxis(lab, -1, 0):
        whole, own = plane[painted], mean(plane)
        spread = np.sqrt(np.maximum(mean(plane**2) - own**2, 0))
        cost += (own - whole.mean()) ** 2 + (spread - whole.std()) ** 2
    return {"typical": cost}


def _first(cost: Plane) -> tuple[int, int]:
    """Where the cost is least: column and row."""
    row, column = np.unravel_index(int(np.argmin(np.round(cost, 3))), cost.shape)
    return int(column), int(row)


def _piece(picture: Picture, at: tuple[int, int], scale: float, size: tuple[float, float]) -> Piece:
    left = min(at[0] * scale, picture.width - size[0])
    top = min(at[1] * scale, picture.height - size[1])
    return Piece(round(left, 2), round(top, 2), round(size[0], 2), round(size[1], 2), _MM_PER_INCH / picture.ppi)

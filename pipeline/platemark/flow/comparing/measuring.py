"""Measuring: how far the colours of two sheets lie apart, and where most of it lies together."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pyvips
from numpy.typing import NDArray

from platemark.errors import Held
from platemark.flow.comparing.laying import MM_PER_INCH, Floats, covered, laid, size_mm
from platemark.flow.comparing.registering import Registered
from platemark.pixels.affine import Affine
from platemark.pixels.colour import colour_difference
from platemark.pixels.picture import Picture

# A pixel is a third of a millimetre: dots of ink, grain and noise are means there, as they are to the eye, which in
# hand tells colours apart in patches of some tenths of a millimetre (common practice).
_PPI = 75.0
_RIM_MM = 2.0  # the paper's edge throws a shadow
_CALM_MM = 1.5  # what is off must be off over this width, or every outline would be an area
OFF = 3.0  # CIEDE2000 from which an area counts as off: where a reprint is stopped (common practice)


@dataclass(frozen=True)
class Area:
    """A connected area whose colours are off by more than `OFF`, in millimetres of the first sheet.

    Attributes:
        square_mm: how large it is.
        mean: CIEDE2000 over it.
        box: left, top, width and height around it.
        worst: x, y of the place where it is furthest off.
    """

    square_mm: float
    mean: float
    box: tuple[float, float, float, float]
    worst: tuple[float, float]


@dataclass(frozen=True)
class Colours:
    """How two sheets differ in colour.

    Attributes:
        first: the first sheet at low density, for looking.
        second: the second, laid on it.
        apart: CIEDE2000, shape (rows, columns), where both lie.
        inside: where that is.
        ppi: of all of these.
        mean: CIEDE2000.
        p95: all but the worst twentieth differ less.
        shift: mean of second less first in L*, a*, b*.
        area: the largest area off, or None.
    """

    first: Picture
    second: Picture
    apart: Floats
    inside: NDArray[np.bool_]
    ppi: float
    mean: float
    p95: float
    shift: tuple[float, float, float]
    area: Area | None


def compare_colours(first: Picture, second: Picture, found: Registered) -> Colours:
    """Measure the difference wherever both sheets lie.

    Raises:
        Held: they have too little in common.
    """
    frame, ppi = size_mm(first), min(_PPI, found.ppi)
    one, other = laid(first, Affine.identity(), frame, ppi), laid(second, found.placement, frame, ppi)
    lab, other_lab = one.lab(), other.lab()
    shape = (lab.shape[0], lab.shape[1])
    inside = covered(first, Affine.identity(), shape, ppi, _RIM_MM)
    inside &= covered(second, found.placement, shape, ppi, _RIM_MM * found.placement.inverse().scale)
    if not inside.any():
        raise Held("the two sheets have nothing in common", remedy="scan both whole, and compare again")
    apart = colour_difference(lab, other_lab)
    values = apart[inside]
    shift = (other_lab[inside] - lab[inside]).mean(axis=0, dtype=np.float64)
    return Colours(
        one,
        other,
        apart,
        inside,
        ppi,
        float(values.mean(dtype=np.float64)),
        float(np.percentile(values, 95)),
        (float(shift[0]), float(shift[1]), float(shift[2])),
        _largest(apart * inside, ppi),
    )


def _largest(apart: Floats, ppi: float) -> Area | None:
    """The largest connected area that is off, after outlines were evened out."""
    calm = _calmed(apart, ppi)
    off = calm > OFF
    if not off.any():
        return None
    mask = _image((off * np.uint8(255)), "uchar")
    numbers = np.frombuffer(mask.labelregions().cast("int").write_to_memory(), np.int32).reshape(off.shape)
    here = off & (numbers == np.bincount(numbers[off]).argmax())
    y, x = np.nonzero(here)
    unit = MM_PER_INCH / ppi
    worst_y, worst_x = divmod(int(np.where(here, calm, 0).argmax()), off.shape[1])
    return Area(
        float(here.sum() * unit**2),
        float(apart[here].mean(dtype=np.float64)),
        (float(x.min() * unit), float(y.min() * unit), float((np.ptp(x) + 1) * unit), float((np.ptp(y) + 1) * unit)),
        ((worst_x + 0.5) * unit, (worst_y + 0.5) * unit),
    )


def _calmed(apart: Floats, ppi: float) -> Floats:
    """Means over `_CALM_MM` squared."""
    wide = max(1, round(_CALM_MM / MM_PER_INCH * ppi))
    box = pyvips.Image.new_from_array([[1] * wide] * wide, scale=wide * wide)
    return np.frombuffer(_image(apart, "float").conv(box).write_to_memory(), np.float32).reshape(apart.shape)


def _image(plane: NDArray[Any], kind: str) -> pyvips.Image:
    rows, columns = plane.shape
    return pyvips.Image.new_from_memory(np.ascontiguousarray(plane).data, columns, rows, 1, kind)

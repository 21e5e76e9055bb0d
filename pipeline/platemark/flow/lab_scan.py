"""CIELAB scans: what their numbers mean, and their way to the built-in sRGB."""

import numpy as np
import pyvips
from numpy.typing import NDArray

from platemark.flow.headers import LabKind
from platemark.pixels.colour import from_lab
from platemark.pixels.depth import to_sixteen_bits
from platemark.pixels.profiles import srgb

_BITS = {"uchar": 8, "ushort": 16}


def to_srgb(image: pyvips.Image, kind: LabKind) -> pyvips.Image:
    """CIELAB as it lies in the file, in sRGB at 16 bits; alpha, where there is one, goes along.

    Args:
        image: `uchar` or `ushort`, the file's numbers untouched.
        kind: how they are written.
    """
    table = meaning(_BITS[image.format], kind)
    lab = image.extract_band(0, n=3).maplut(pyvips.Image.new_from_memory(table.tobytes(), len(table), 1, 3, "float"))
    colours = from_lab(lab, srgb())
    if not image.hasalpha():
        return colours
    alpha = image.extract_band(3)
    return colours.bandjoin(to_sixteen_bits(alpha) if alpha.format == "uchar" else alpha)


def meaning(bits: int, kind: LabKind) -> NDArray[np.float32]:
    """L*, a* and b* of each number, shape (2 ** bits, 3).

    CIELab has a* and b* signed and L* over the whole range. ICCLab adds 128 to a* and b*; its 16 bits are 8 bits
    and a fraction, so L* = 100 is at 65280, and what lies above it is white too.

    Source:
        TIFF 6.0, section 23 (CIELab); libtiff, tif_color.c (its 16 bits); ICC.1:2001-04, annex A (ICCLab).
    """
    numbers = np.arange(2**bits)
    unit = 2 ** (bits - 8)  # numbers in 1 of a* or b*
    if kind == "CIELab":
        half = 2 ** (bits - 1)
        lightness, chroma = numbers * 100 / (2**bits - 1), ((numbers + half) % 2**bits - half) / unit
    else:
        lightness, chroma = np.minimum(numbers * 100 / (255 * unit), 100), numbers / unit - 128
    return np.stack([lightness, chroma, chroma], axis=1).astype(np.float32)

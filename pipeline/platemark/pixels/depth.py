"""Depth: from 8 bits a channel to 16 and back."""

import numpy as np
import pyvips

WIDER = 257  # times an 8-bit value: 255 becomes 65535, so that paper white stays bare paper


def to_eight_bits(image: pyvips.Image) -> pyvips.Image:
    """From 16 bits to 8, rounded to the nearest: 65535 becomes 255, and x257 is undone exactly."""
    return image.maplut(_narrowing())


def to_sixteen_bits(image: pyvips.Image) -> pyvips.Image:
    """From 8 bits to 16 by x257, so that 255 becomes 65535 and paper white stays bare paper."""
    return image.maplut(_widening())


def _narrowing() -> pyvips.Image:
    values = ((np.arange(65536, dtype=np.uint32) + WIDER // 2) // WIDER).astype(np.uint8)
    return pyvips.Image.new_from_memory(values.data, 65536, 1, 1, "uchar")


def _widening() -> pyvips.Image:
    values = np.arange(256, dtype=np.uint16) * np.uint16(WIDER)
    return pyvips.Image.new_from_memory(values.data, 256, 1, 1, "ushort")

"""Signs that the scanner's software corrected the scan by itself: comb gaps in the histogram, clipped ends.

A profile made from such a scan fits this scan and no other, for the next one is corrected otherwise.
"""

import numpy as np
import pyvips
from numpy.typing import NDArray

# A code that no pixel has between two that many have: stretching 8 bits leaves one at regular steps; noise does not.
_MANY = 40  # pixels on either side; by chance a gap between them has odds below e^-40
_GAPS = 6  # of 256 codes a channel
_CLIPPED = 0.001  # of all pixels: a thousandth is more than dust and glints


def signs_of_auto_tone(image: pyvips.Image) -> list[str]:
    """What speaks for it, in words.

    Args:
        image: the whole scan, `ushort`, in memory.
    """
    found = []
    gaps = _comb(_histograms(image))
    if gaps >= _GAPS:
        found.append(f"the histogram has {gaps} comb gaps in one channel: tones were stretched after scanning")
    size = image.width * image.height
    for end, words in ((65535, "lightest"), (0, "darkest")):
        share = max((image.extract_band(band) == end).avg() / 255 for band in range(3))
        if share > _CLIPPED:
            found.append(f"{share:.1%} of {size / 1e6:.1f} million pixels are clipped at the {words} end of a channel")
    return found


def _histograms(image: pyvips.Image) -> NDArray[np.int64]:
    """Counts of the 256 upper halves of the codes, shape (3, 256)."""
    counts = (image.extract_band(0, n=3) >> 8).cast("uchar").hist_find()
    return np.frombuffer(counts.write_to_memory(), np.uint32).reshape(256, 3).T.astype(np.int64)


def _comb(histograms: NDArray[np.int64]) -> int:
    lower, middle, upper = histograms[:, :-2], histograms[:, 1:-1], histograms[:, 2:]
    gaps = (middle == 0) & (lower >= _MANY) & (upper >= _MANY)
    return int(gaps.sum(axis=1).max())

"""Gain: how much is added for how much detail, as a table of integers."""

import numpy as np
from numpy.typing import NDArray


def gain_table(amount: float, mask: int, limit: int) -> NDArray[np.int32]:
    """What is added to a pixel, by its detail; never on the other side of zero, and nowhere a jump.

    Detail under the mask is grain and gets nothing; from there to twice the mask the amount rises to its full; what is
    added bends towards the limit, reaching it where the plain product is twice the limit.

    Args:
        amount: times the detail, in thousandths.
        mask: steps of 65535.
        limit: as `mask`.

    Returns:
        65536 values in steps of 65535, for the numbers that `detail` gives.
    """
    # Those of `detail` are rounded down, so the middle of a step stands for it: odd numbers, the same up and down.
    size = np.arange(1, 65536, 2, dtype=np.int64)
    passed = np.clip(size - mask, 0, mask)
    wanted = size * passed * round(amount * 1000) // (1000 * mask)
    bent = np.minimum(wanted, 2 * limit)
    added = bent - bent * bent // (4 * limit)
    return np.concatenate([-added[::-1], added]).astype(np.int32)

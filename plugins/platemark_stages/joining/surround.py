"""What no part reaches: wedges beside parts that lie turned or set off, filled with what lies next to them.

Left white they would be edges: of a sheet, to whoever looks for it in the joined picture.
"""

import numpy as np

from platemark_stages.joining.placed import Registration
from platemark_stages.joining.views import depth_in
from platemark_stages.registration.cells import Flags, box_sum

_MARGIN = 3  # cells of the parts' own edges that are left out as well: the resampling has mixed white into them


def unreached(registration: Registration, cell: int) -> Flags:
    """The cells that no part reaches, and their neighbours."""
    shape = -(-registration.height // cell), -(-registration.width // cell)
    none = np.ones(shape, np.bool_)
    for part in registration.parts:
        none &= depth_in(part, [0, 0, *part.size], cell, shape) < 0
    return box_sum(none.astype(np.int64), _MARGIN) > 0


def covered(registration: Registration, cell: int) -> tuple[int, int, int, int]:
    """A box that the parts cover altogether: for art without an edge in sight, which has no sheet to cut to.

    The side that lacks most is taken off, line by line, until nothing lacks.

    Returns:
        Left, top, width and height in pixels of the frame; without area when the parts leave nothing whole.
    """
    empty = unreached(registration, cell)
    rows, columns = empty.shape
    left, top, right, bottom = 0, 0, columns, rows
    while left < right and top < bottom and empty[top:bottom, left:right].any():
        box = empty[top:bottom, left:right]
        lacking = [box[:, 0].mean(), box[0].mean(), box[:, -1].mean(), box[-1].mean()]
        side = int(np.argmax(lacking))
        left, top = left + (side == 0), top + (side == 1)
        right, bottom = right - (side == 2), bottom - (side == 3)
    width = min(right * cell, registration.width) - left * cell
    height = min(bottom * cell, registration.height) - top * cell
    return left * cell, top * cell, max(width, 0), max(height, 0)

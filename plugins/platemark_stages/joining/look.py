"""Looking at the scans that are to be joined: as dense as matching needs, and no denser."""

from collections.abc import Sequence

import numpy as np

from platemark import Picture
from platemark_stages.joining.placed import Registration
from platemark_stages.joining.register import register
from platemark_stages.registration.planes import Pixels

# A home scanner's lens resolves little beyond 300 ppi; there a match is exact to a hundredth of a pixel,
# a fiftieth at 600 ppi, and six A4 parts are looked at in 300 MB.
_MATCH_PPI = 300


def register_pictures(pictures: Sequence[Picture]) -> Registration:
    """Find where the parts lie to each other, in pixels of their scans; see `register`.

    A part whose density differs from the first's is held: one frame has one density.
    """
    densities = {round(picture.source_ppi, 1) for picture in pictures}
    if len(densities) > 1:
        said = " and ".join(f"{ppi:g}" for ppi in sorted(densities))
        return Registration(
            held=f"the parts were scanned at {said} ppi", remedy="scan all parts at the same resolution"
        )
    if len({picture.profile.sha256 for picture in pictures}) > 1:
        return Registration(
            held="the parts have different colour profiles", remedy="scan all parts with the same settings"
        )
    ppi = pictures[0].source_ppi
    factor = max(1, round(ppi / _MATCH_PPI))
    found = register([_reduced(picture, factor) for picture in pictures], ppi / factor)
    return found if found.held else found.scaled(factor, [_size(picture) for picture in pictures])


def _reduced(picture: Picture, factor: int) -> Pixels:
    """The scan, upright, reduced by a whole number; its last rows and columns that do not fill a pixel are left out."""
    image = picture.open()
    small = image.shrink(factor, factor) if factor > 1 else image
    data = np.frombuffer(small.write_to_memory(), np.uint16)
    return data.reshape(small.height, small.width, small.bands)


def _size(picture: Picture) -> tuple[int, int]:
    image = picture.open()
    return image.width, image.height

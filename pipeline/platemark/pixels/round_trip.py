"""Round trip: colours in a printer's space and back again, in one table instead of two conversions."""

from functools import lru_cache

import numpy as np
import pyvips

from platemark.pixels.colour import Intent, convert, to_lab_array
from platemark.pixels.icc_writer import table_profile
from platemark.pixels.picture import INTERPRETATIONS, Picture
from platemark.pixels.profiles import Profile, read_profile, srgb

# Points a side: as many as lcms2 lays through either of the two conversions itself. Through the CMYK tables of a press
# the two ways differ by 0.03 CIEDE2000 on average, and by 0.6 at the worst of 160,000 random colours.
_GRID = 33


def round_trip(picture: Picture, printer: Profile, intent: Intent = "relative", *, black_point: bool = True) -> Picture:
    """The picture as a printer would show it, in its own colour space.

    There by `intent`, back by relative colorimetric with black point compensation; lazy, and in two fifths of the time
    of two conversions.

    Args:
        picture: in RGB.
        printer: the profile of printer and paper.
        intent: rendering intent of ICC.1, on the way there.
        black_point: black point compensation (ISO 18619), on the way there.

    Raises:
        ValueError: the picture is not in RGB.
    """
    if picture.profile.colour_space != "RGB":
        raise ValueError(f"a round trip in one table is for RGB, not for {picture.profile.colour_space}")

    def converted() -> pyvips.Image:
        table = _table(picture.profile, printer, intent, black_point)
        return convert(picture.pixels(), table, srgb(), black_point=False)

    return picture.later(converted)


@lru_cache(maxsize=8)  # all prints of a scan on one paper take the same one
def _table(space: Profile, printer: Profile, intent: Intent, black_point: bool) -> Profile:  # noqa: FBT001 - a key
    """A profile that says of each colour what sRGB says of the numbers it comes back with, of whatever space."""
    steps = np.rint(np.linspace(0, 65535, _GRID)).astype(np.uint16)
    grid = np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1)
    points = pyvips.Image.new_from_memory(grid.tobytes(), _GRID, _GRID * _GRID, 3, "ushort")
    there = convert(points, space, printer, intent=intent, black_point=black_point)
    back = convert(there, printer, space).copy(interpretation=INTERPRETATIONS[3])
    lab = to_lab_array(back, srgb()).astype(np.float64).reshape(*grid.shape)
    straight = [np.array([0.0, 1.0])] * 3
    return read_profile(table_profile("There and back (platemark)", b"scnr", straight, lab), "a round trip")

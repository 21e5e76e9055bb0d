"""Lay a print out: how large its file is, where the sheet lies in it, and where the picture goes.

The file comes out exactly as large as its sheet, to the pixel, because each length is rounded once and everything else
is a sum of rounded lengths.

        file (the sheet, or the sheet with its bleed, or the larger sheet it is printed on)
        +--------------------------+
        |  sheet                   |
        |  +--------------------+  |
        |  |   border           |  |
        |  |   +------------+   |  |
        |  |   |    area    |   |  |      without border and with bleed, the area is larger than the sheet
        |  |   +------------+   |  |
        |  +--------------------+  |
        +--------------------------+
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from platemark.config.units import millimetres_to_pixels
from platemark.contract.layout import Box, Edges, Layout, Size

if TYPE_CHECKING:
    from platemark.config.print_spec import PrintSpec


def layout_for(print_spec: PrintSpec, picture_width: float, picture_height: float) -> Layout:
    """Lay one print out for one picture.

    With orientation "auto" the sheet is turned to lie as the picture lies; a square picture leaves it as it is written.
    Borders belong to the print as it is looked at and do not turn: the room for the signature stays at the bottom. A
    larger sheet that the print is put on turns along with it.

    Args:
        print_spec: the print, as configured.
        picture_width: in any unit, as long as it is the unit of `picture_height`; only the proportion counts.
        picture_height: as `picture_width`.

    Returns:
        The geometry; lengths are rounded to whole pixels, a half upwards.

    Source:
        pixels = mm / 25.4 * ppi, by the definition of the inch.
    """
    ppi = print_spec.ppi
    landscape = _lies_on_its_side(print_spec, picture_width, picture_height)
    sheet = _in_pixels(print_spec.sheet.lying(landscape=landscape), ppi)
    border = Edges(*(millimetres_to_pixels(side, ppi) for side in print_spec.border.mm))
    bleed = millimetres_to_pixels(print_spec.bleed, ppi)
    file = Size(sheet.width + 2 * bleed, sheet.height + 2 * bleed)
    if print_spec.on:
        file = _in_pixels(print_spec.on.lying(landscape=landscape), ppi)
    # Where an odd number of pixels is left over, the last one goes to the right and to the bottom.
    x, y = (file.width - sheet.width) // 2, (file.height - sheet.height) // 2
    area = Box(
        x + border.left - bleed,
        y + border.top - bleed,
        sheet.width - border.left - border.right + 2 * bleed,
        sheet.height - border.top - border.bottom + 2 * bleed,
    )
    return Layout(file, Box(x, y, *sheet), area, border, ppi)


def _lies_on_its_side(print_spec: PrintSpec, picture_width: float, picture_height: float) -> bool:
    if print_spec.orientation != "auto":
        return print_spec.orientation == "landscape"
    if picture_width == picture_height:
        return print_spec.sheet.width_mm > print_spec.sheet.height_mm
    return picture_width > picture_height


def _in_pixels(size_mm: tuple[float, float], ppi: int) -> Size:
    return Size(*(millimetres_to_pixels(side, ppi) for side in size_mm))

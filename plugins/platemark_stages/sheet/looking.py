"""Looking at a picture for its sheet: once for deskew and crop together."""

from dataclasses import replace

import numpy as np

from platemark import Picture
from platemark_stages.sheet.finder import find_sheet
from platemark_stages.sheet.finding import Finding


def found_sheet(picture: Picture) -> Finding:
    """Where the sheet lies on the scan, corners in pixels of the whole scan; measured once a scan."""
    return picture.remember("sheet", lambda: _find(picture))


def _find(picture: Picture) -> Finding:
    small, factor = picture.overview()
    colour = np.repeat(small, 3, axis=2) if small.shape[2] == 1 else small[:, :, :3]
    finding = find_sheet(colour, picture.source_ppi / factor)
    corners = tuple((x * factor, y * factor) for x, y in finding.corners)
    return replace(finding, corners=corners)

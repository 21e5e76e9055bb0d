"""Crop: cut the straightened picture to the sheet.

Composes a shift into the pending geometry; `apply` reads no pixel.
"""

from typing import Literal

from pydantic import Field

from platemark import Held, Job, Length, Parameters, Picture, Settings, Stage
from platemark_stages.sheet import Decision, Finding
from platemark_stages.sheet.looking import certain_sheet

_MM_PER_INCH = 25.4


class CropSettings(Settings):
    """How close to the edge of the sheet to cut."""

    # A found edge may be off by a few tenths of a millimetre; a sliver of lid or shadow along a print shows more
    # than a missing third of a millimetre of bare paper does.
    inset: Length = Field(default=0.3, le=20, description="Cut this far inside the sheet's edge.")
    deckle: Literal["ruler", "inside", "outside"] = Field(
        "ruler",
        description="Torn or deckle edges: cut along the line a ruler would be laid to, inside the deepest bay so that "
        "no bed shows, or outside the longest tongue so that the whole edge shows (then without inset).",
    )


class CropParameters(Parameters):
    """The box that is kept, in pixels of the scan after straightening about its middle."""

    left: float = Field(description="Pixels from the left edge of the scan.")
    top: float = Field(description="Pixels from the top edge of the scan.")
    width: float = Field(gt=0, description="Pixels.")
    height: float = Field(gt=0, description="Pixels.")


class Crop(Stage[CropSettings, CropParameters]):
    """Cuts to the sheet."""

    name = "crop"
    version = 1
    per_print = False
    per_item = True

    def measure(self, picture: Picture, settings: CropSettings, job: Job) -> CropParameters:
        """The sheet's box in the picture as it stands; where nothing is to be cut, all that was scanned of it."""
        finding = certain_sheet(picture)
        if finding.decision is Decision.LEAVE:
            left, top, width, height = picture.remember("covered", lambda: (0, 0, picture.width, picture.height))
            return CropParameters(left=left, top=top, width=width, height=height)
        box = _box(picture, finding, _insets(finding, settings, picture.ppi))
        rough = [f"{side.name} {side.bay:.1f} in, {side.tongue:.1f} out" for side in finding.sides if side.tongue]
        if rough:
            job.notice("deckle_mm", "; ".join(rough))
        job.notice("sheet_mm", f"{_mm(box.width, picture)} x {_mm(box.height, picture)}")
        return box

    def apply(self, picture: Picture, parameters: CropParameters) -> Picture:
        """Keep the box."""
        return picture.cropped(parameters.left, parameters.top, parameters.width, parameters.height)


def _insets(finding: Finding, settings: CropSettings, ppi: float) -> list[float]:
    """How far inside each side's line to cut, pixels: top, right, bottom, left."""
    if not finding.sides:
        return [settings.inset / _MM_PER_INCH * ppi] * 4
    cuts = {
        "ruler": [settings.inset for _ in finding.sides],
        "inside": [settings.inset + side.bay for side in finding.sides],
        # A clean side has nothing to show beyond its line.
        "outside": [-side.tongue if side.tongue else settings.inset for side in finding.sides],
    }
    return [mm / _MM_PER_INCH * ppi for mm in cuts[settings.deckle]]


def _box(picture: Picture, finding: Finding, insets: list[float]) -> CropParameters:
    """The mean line of each side, moved inwards; but never beyond the scan, where there are no pixels.

    Raises:
        Held: nothing would be left.
    """
    corners = picture.placement.apply(finding.corners)
    (x1, y1), (x2, y2), (x3, y3), (x4, y4) = corners.tolist()
    above, beside, below, before = insets
    left, right = max((x1 + x4) / 2 + before, 0.0), min((x2 + x3) / 2 - beside, picture.width)
    top, bottom = max((y1 + y2) / 2 + above, 0.0), min((y3 + y4) / 2 - below, picture.height)
    if right <= left or bottom <= top:
        raise Held(
            f"nothing is left of the sheet when {max(insets):.0f} pixels are cut off a side",
            remedy="write a smaller inset in [stage.crop]",
        )
    # A hundredth of a pixel is far below what a print shows; finer digits are noise.
    return CropParameters(
        left=round(left, 2), top=round(top, 2), width=round(right - left, 2), height=round(bottom - top, 2)
    )


def _mm(pixels: float, picture: Picture) -> str:
    return f"{pixels / picture.ppi * _MM_PER_INCH:.1f}"

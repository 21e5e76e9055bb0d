"""Deskew: turn the picture until the sheet's edges run along the pixel grid.

Composes a rotation into the pending geometry; `apply` reads no pixel.
"""

from pydantic import Field

from platemark import Held, Job, Parameters, Picture, Settings, Stage
from platemark_stages.sheet import Decision
from platemark_stages.sheet.looking import found_sheet


class DeskewSettings(Settings):
    """How far a sheet may lie askew."""

    max_tilt: float = Field(12.0, gt=0, le=45, description="Degrees. A scan tilted further is held.")


class DeskewParameters(Parameters):
    """The turn of the sheet on the bed."""

    tilt: float = Field(
        description="Degrees, the sheet against the pixel grid, positive = counter-clockwise on screen."
    )


class Deskew(Stage[DeskewSettings, DeskewParameters]):
    """Straightens the sheet."""

    name = "deskew"
    version = 1
    per_print = False

    def measure(self, picture: Picture, settings: DeskewSettings, job: Job) -> DeskewParameters:
        """Find the sheet; where art covers the whole bed there is nothing to straighten."""
        finding = found_sheet(picture)
        if finding.decision is Decision.HELD:
            raise Held(
                finding.reason.rstrip("."),
                remedy="lay it again with all edges in sight, or write `tilt` under [corrections.deskew] and the box "
                "under [corrections.crop] in its ticket",
            )
        tilt = finding.skew if finding.decision is Decision.CROP else 0.0
        if abs(tilt) > settings.max_tilt:
            raise Held(
                f"the sheet lies {abs(tilt):.1f} degrees askew, more than max_tilt = {settings.max_tilt:g}",
                remedy="straighten it on the bed, or raise max_tilt in [stage.deskew]",
            )
        job.notice("sheet", str(finding.decision))
        job.notice("confidence", round(finding.confidence, 2))
        # 0.001 degrees moves the far end of an A4 sheet by an eighth of a pixel at 600 ppi; finer digits are noise.
        return DeskewParameters(tilt=round(tilt, 3))

    def apply(self, picture: Picture, parameters: DeskewParameters) -> Picture:
        """Turn it back."""
        return picture.rotated(-parameters.tilt) if parameters.tilt else picture

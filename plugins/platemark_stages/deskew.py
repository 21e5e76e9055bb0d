"""Deskew: turn the picture until the sheet's edges run along the pixel grid.

Composes a rotation into the pending geometry; `apply` reads no pixel.
"""

from pydantic import Field

from platemark import Held, Job, Parameters, Picture, Settings, Stage
from platemark_stages.sheet import Decision, Finding
from platemark_stages.sheet.looking import certain_sheet


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
    per_item = True

    def measure(self, picture: Picture, settings: DeskewSettings, job: Job) -> DeskewParameters:
        """Find the sheet; where art covers the whole bed there is nothing to straighten."""
        finding = certain_sheet(picture)
        if finding.bare:
            raise Held(
                "nothing lies on the bed",
                remedy="lay the sheet in and scan again; if this is the picture, write tilt = 0 under "
                "[corrections.deskew] and the box under [corrections.crop] in its ticket",
            )
        tilt = finding.skew if finding.decision is Decision.CROP else 0.0
        if abs(tilt) > settings.max_tilt:
            raise Held(
                f"the sheet lies {abs(tilt):.1f} degrees askew, more than max_tilt = {settings.max_tilt:g}",
                remedy="straighten it on the bed, or raise max_tilt in [stage.deskew]",
            )
        job.notice("sheet", str(finding.decision), _warning(finding))
        job.notice("confidence", round(finding.confidence, 2))
        # 0.001 degrees moves the far end of an A4 sheet by an eighth of a pixel at 600 ppi; finer digits are noise.
        return DeskewParameters(tilt=round(tilt, 3))

    def apply(self, picture: Picture, parameters: DeskewParameters) -> Picture:
        """Turn it back."""
        return picture.rotated(-parameters.tilt) if parameters.tilt else picture


def _warning(finding: Finding) -> str:
    """What she should look at although nothing is doubtful: a scan left whole, a sheet larger than the bed."""
    if finding.decision is Decision.LEAVE:
        return f"nothing was cut: {finding.reason.rstrip('.')}"
    beyond = [side.name for side in finding.sides if side.on_rim]
    return f"the sheet runs off the bed ({', '.join(beyond)}): its edge there was not seen" if beyond else ""

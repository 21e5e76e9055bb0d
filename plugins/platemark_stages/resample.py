"""Resample: bring the picture to the print's image area at the print's resolution. It is never stretched.

Composes a scaling into the pending geometry; `apply` reads no pixel.
"""

from typing import Self

from pydantic import Field, model_validator

from platemark import Held, Job, Parameters, Picture, Settings, Stage


class ResampleSettings(Settings):
    """How few pixels of the scan per printed inch are too few."""

    min_ppi: int = Field(180, ge=1, le=2400, description="Pixels of the scan per printed inch; below it warns.")
    hold_below_ppi: int = Field(120, ge=1, le=2400, description="Pixels of the scan per printed inch; below it holds.")

    @model_validator(mode="after")
    def _warn_before_holding(self) -> Self:
        if self.min_ppi < self.hold_below_ppi:
            raise ValueError(
                f"min_ppi = {self.min_ppi} lies below hold_below_ppi = {self.hold_below_ppi}, so that a scan would be "
                "held before it is warned of; lower hold_below_ppi too, or raise min_ppi"
            )
        return self


class ResampleParameters(Parameters):
    """The part of the picture that is kept, and the size it gets."""

    left: float = Field(description="Pixels of the cropped picture that are cut away on the left.")
    top: float = Field(description="Pixels of the cropped picture that are cut away at the top.")
    keep_width: float = Field(gt=0, description="Pixels of the cropped picture that are kept.")
    keep_height: float = Field(gt=0, description="Pixels of the cropped picture that are kept.")
    width: int = Field(gt=0, description="Pixels of the print.")
    height: int = Field(gt=0, description="Pixels of the print.")
    ppi: float = Field(gt=0, description="Pixels per inch of the print.")


class Resample(Stage[ResampleSettings, ResampleParameters]):
    """Brings the picture to its printed size."""

    name = "resample"
    version = 1

    def measure(self, picture: Picture, settings: ResampleSettings, job: Job) -> ResampleParameters:
        """Fit the picture into the image area, and tell how many of its own pixels an inch gets."""
        layout = job.lay_out(picture.width, picture.height)
        area = layout.area
        if job.fit == "fill":
            keep_width, keep_height = _filling(picture, area.width / area.height, job.fill_limit)
            width, height = area.width, area.height
        else:
            keep_width, keep_height = picture.width, picture.height
            scale = min(area.width / keep_width, area.height / keep_height)
            width, height = max(1, round(keep_width * scale)), max(1, round(keep_height * scale))
        _check_detail(picture, settings, job, layout.ppi * keep_width / width)
        return ResampleParameters(
            left=round((picture.width - keep_width) / 2, 2),
            top=round((picture.height - keep_height) / 2, 2),
            keep_width=round(keep_width, 2),
            keep_height=round(keep_height, 2),
            width=width,
            height=height,
            ppi=layout.ppi,
        )

    def apply(self, picture: Picture, parameters: ResampleParameters) -> Picture:
        """Cut evenly, then scale."""
        kept = picture.cropped(parameters.left, parameters.top, parameters.keep_width, parameters.keep_height)
        return kept.resampled(parameters.width, parameters.height).with_ppi(parameters.ppi)


def _filling(picture: Picture, shape: float, limit: float) -> tuple[float, float]:
    """Width and height that have the area's shape; evenly cut, at most by the limit.

    Raises:
        Held: more would have to be cut away.
    """
    width, height = min(picture.width, picture.height * shape), min(picture.height, picture.width / shape)
    cut, side = max((1 - width / picture.width, "width"), (1 - height / picture.height, "height"))
    if cut > limit:
        raise Held(
            f"to fill the sheet, {100 * cut:.1f} % of the picture's {side} would be cut away, more than "
            f"fill_limit = {100 * limit:g} %",
            remedy='choose another sheet, write fit = "inside" to keep everything, or raise fill_limit for this print',
        )
    return width, height


def _check_detail(picture: Picture, settings: ResampleSettings, job: Job, effective: float) -> None:
    """Tell the resolution of the scan at this size: enlarging adds no detail."""
    ppi = round(effective)
    if ppi < settings.hold_below_ppi:
        raise Held(
            f"at this size the scan has only {ppi} pixels an inch, less than hold_below_ppi = "
            f"{settings.hold_below_ppi}: the print would look soft",
            remedy=f"scan at {_next_resolution(picture.ppi * settings.min_ppi / effective)} ppi or more, "
            "or print it smaller",
        )
    warning = ""
    if ppi < settings.min_ppi:
        warning = f"at this size the scan has {ppi} pixels an inch, less than {settings.min_ppi}: look closely"
    job.notice("effective_ppi", ppi, warning)


def _next_resolution(ppi: float) -> int:
    """The next resolution that scanners offer (common practice)."""
    return next((offered for offered in (150, 200, 300, 400, 600, 1200) if offered >= ppi), 2400)

"""Paper white: the paper of the original to the bare paper of the print, or its tint faded out around the art.

The decision is the artist's, for each piece: keep the tint as a part of the picture, take it away, or fade it out. A
tint that is printed shows as a faint box on the sheet and as stray dots of ink, so where there is no paint there is
exactly white. Pale washes come through a shoulder: none is cut off. Paint keeps its hue and chroma.

Put it after resample and before proof.
"""

from typing import Annotated, Literal

from pydantic import Field

from platemark import Held, Job, Length, Parameters, Picture, Settings, Stage
from platemark_stages.paper_white.distance import axes_at
from platemark_stages.paper_white.lamp import unevenness
from platemark_stages.paper_white.measuring import measured, touched
from platemark_stages.paper_white.whitening import Paper, whitened

Decision = Literal["keep", "white", "fade"]
Value = Annotated[int, Field(ge=1, le=65535)]


class PaperWhiteSettings(Settings):
    """What becomes of the paper's tint."""

    paper: Decision = Field(
        "white",
        description="keep: the tint is a part of the picture. white: blanks become the bare paper of the print. "
        "fade: the tint stays close to the art and fades out around it.",
    )
    fade: Length = Field(default=10.0, ge=1, le=100, description="Over what distance the tint fades out.")
    even_light: bool = Field(default=True, description="Undo the lamp's slow unevenness; not where the tint is kept.")


class PaperWhiteParameters(Parameters):
    """The decision, and the bare paper as it was measured."""

    decision: Decision = Field(description="As in the settings; keep where no bare paper was found.")
    paper: list[Value] = Field(
        default_factory=list, description="Value of the bare paper in each channel, 0 to 65535; empty where none shows."
    )
    lamp: list[list[float]] = Field(
        default_factory=list,
        description="Per channel, how the light changes, as shares of the paper: times x, y, xx - 1/3, xy and "
        "yy - 1/3, where x and y go from -1 to 1 across and down the picture.",
    )
    axes: list[list[int]] = Field(
        default_factory=list,
        description="How differences from the paper are weighed: in 32768ths of a CIEDE2000 per value.",
    )
    grain: float = Field(2.0, ge=0, le=8, description="CIEDE2000 that single pixels of bare paper may wander.")
    mottle: float = Field(0.5, ge=0, le=8, description="CIEDE2000 that means over a millimetre may wander.")
    fibre: float = Field(1.0, ge=0, le=8, description="CIEDE2000 that means over a quarter of a millimetre may wander.")
    tint_reach: float = Field(
        2.0, gt=0, le=40, description="CIEDE2000 beyond the paper's own wandering to which the tint is taken away."
    )
    light_reach: float = Field(4.0, gt=0, le=40, description="As tint_reach, for the paper's lightness.")
    fade_mm: float = Field(0.0, ge=0, le=100, description="Millimetres over which the tint fades out, for fade.")


class PaperWhite(Stage[PaperWhiteSettings, PaperWhiteParameters]):
    """Brings the paper to white, or leaves its tint."""

    name = "paper_white"
    version = 1
    mends = True

    def measure(self, picture: Picture, settings: PaperWhiteSettings, job: Job) -> PaperWhiteParameters:
        """Find the bare paper, and tell how much of the art its whitening touches."""
        paper, why_not = measured(picture, even=settings.even_light)
        if paper is None:
            warning = f"{why_not}, so the paper's tint was left as it is" if settings.paper != "keep" else ""
            job.notice("paper", "none", warning)
            return PaperWhiteParameters(decision="keep")
        fade_mm = settings.fade if settings.paper == "fade" else 0.0
        _tell(picture, paper, settings.paper, fade_mm, job)
        return PaperWhiteParameters(
            decision=settings.paper,
            paper=paper.colour,
            fade_mm=settings.fade,
            axes=paper.axes,
            **{name: getattr(paper, name) for name in _MEASURED},
        )

    def apply(self, picture: Picture, parameters: PaperWhiteParameters) -> Picture:
        """Whiten, if that is decided and there is a paper."""
        if parameters.decision == "keep" or not parameters.paper:
            return picture
        if len(parameters.paper) != picture.profile.bands:
            raise Held(
                f"the paper has {len(parameters.paper)} values and the picture {picture.profile.bands} channels",
                remedy="write one value for each channel in [corrections.paper_white], paper",
            )
        # The ticket may tell a colour that was not found.
        axes = parameters.axes or axes_at(parameters.paper, picture.profile)
        paper = Paper(parameters.paper, axes=axes, **parameters.model_dump(include=_MEASURED))
        return whitened(picture, paper, parameters.fade_mm if parameters.decision == "fade" else 0.0)


_MEASURED = {"lamp", "grain", "mottle", "fibre", "tint_reach", "light_reach"}


def _tell(picture: Picture, paper: Paper, decision: Decision, fade_mm: float, job: Job) -> None:
    """Say what the paper is like and, where it is whitened, how much of the art that touches."""
    job.notice("paper_8bit", " ".join(str(round(value / 257)) for value in paper.colour))
    job.notice("lamp_percent", round(100 * unevenness(paper.lamp), 1))
    if decision == "keep":
        return
    share = touched(picture, paper, fade_mm)
    job.notice("share_blank", round(share.blank, 3))
    job.notice("share_art", round(share.art, 3))
    job.notice("share_of_art_moved", round(share.moved, 3))
    job.notice("share_palest_washes", round(share.washes, 3))

"""Adjust: a small change of colour that a test strip has shown to be right for a paper.

Nothing is decided by looking: the artist has looked, at the strip, and writes down what stands below the patch.
"""

from pydantic import Field

from platemark import Held, Job, Parameters, Picture, Settings, Stage, recoloured


class AdjustSettings(Settings):
    """What the patch of the strip says."""

    lightness: float = Field(0, ge=-12, le=12, description="Units of CIELAB L*: lighter, or darker below 0.")
    warmth: float = Field(0, ge=-12, le=12, description="Units of CIELAB b*: warmer, or cooler below 0.")
    saturation: int = Field(0, ge=-50, le=50, description="Per cent of chroma: more, or less below 0.")


class AdjustParameters(Parameters):
    """The same, for this print."""

    lightness: float = Field(description="Units of CIELAB L*.")
    warmth: float = Field(description="Units of CIELAB b*.")
    saturation: int = Field(description="Per cent of chroma.")


class Adjust(Stage[AdjustSettings, AdjustParameters]):
    """Moves colours a little."""

    name = "adjust"
    version = 1

    def measure(self, picture: Picture, settings: AdjustSettings, job: Job) -> AdjustParameters:  # noqa: ARG002
        """As the artist says.

        Raises:
            Held: the picture is in the printer's colours already.
        """
        if picture.profile.device_class == "prtr":
            raise Held(
                "the picture is in the printer's colours already and cannot be adjusted any more",
                remedy='put "adjust" before "proof" in `stages`',
            )
        return AdjustParameters(
            lightness=round(settings.lightness, 2), warmth=round(settings.warmth, 2), saturation=settings.saturation
        )

    def apply(self, picture: Picture, parameters: AdjustParameters) -> Picture:
        """Move them."""
        return recoloured(
            picture,
            lightness=parameters.lightness,
            warmth=parameters.warmth,
            saturation=parameters.saturation,
        )

"""Proof: how the print will come out on its paper, told in numbers and shown as a small picture.

With `effect = "report"` the pixels stay as they are. Without a profile for the paper there is nothing to
tell; that is said, and the pixels are left alone.
"""

from collections.abc import Mapping
from io import BytesIO
from typing import Literal

import numpy as np
from PIL import Image
from pydantic import Field

from platemark import (
    Held,
    Job,
    Paper,
    Parameters,
    Picture,
    Profile,
    Settings,
    Stage,
    colour_difference,
    profile_by_hash,
    srgb,
)
from platemark_stages.converter import check_one_converter, effect_on

# Of some hundred thousand pixels shares are known to a tenth of a percent, in a few hundredths of a second.
_SAMPLE_PIXELS = 200_000
_MEASURED_PX = 1000
# A difference of 1 is just visible side by side, 2 is seen without looking for it (common practice).
_SEEN = 2.0
_PROOF_QUALITY = 88


class ProofSettings(Settings):
    """What is done with the paper's profile."""

    effect: Literal["auto", "report", "convert", "simulate"] = Field(
        "auto",
        description="report: tell only. convert: into the printer's space, its profile embedded. "
        "simulate: there and back, so that the file looks like the print. "
        'auto: convert where [printer] says colour = "file", else report.',
    )
    picture: bool = Field(default=True, description="Write NAME.PRINT.proof.jpg, a small picture of how it will look.")
    picture_px: int = Field(1400, ge=200, le=6000, description="Pixels of the proof picture's longer side.")
    paper_white: bool = Field(default=False, description="Show the paper's own white in the proof picture.")


class ProofParameters(Parameters):
    """The conversion, if there is one."""

    effect: Literal["none", "report", "convert", "simulate"] = Field(
        description="As in the settings; none where the paper has no profile."
    )
    profile: str = Field("", description="sha256 of the paper's profile.")
    intent: Literal["perceptual", "relative"] = Field("relative", description="Rendering intent.")
    black_point: bool = Field(default=True, description="Black point compensation.")
    picture_px: int = Field(0, ge=0, description="Pixels of the proof picture's longer side; 0 for none.")
    paper_white: bool = Field(default=False, description="Show the paper's own white in the proof picture.")


class Proof(Stage[ProofSettings, ProofParameters]):
    """Proofs through the paper's profile."""

    name = "proof"
    version = 1

    def check(self, settings: ProofSettings, paper: Paper) -> None:
        """Hold the effect to the one converter; see `check_one_converter`."""
        check_one_converter(settings.effect, paper)

    def measure(self, picture: Picture, settings: ProofSettings, job: Job) -> ProofParameters:
        """Tell how far colours move on this paper."""
        self.check(settings, job.paper)
        profile = job.paper.profile
        if profile is None:
            job.notice("paper", "no profile is configured for the paper, so the colours were left alone")
            return ProofParameters(effect="none")
        _check_is_for_printing(profile, job)
        parameters = ProofParameters(
            effect=effect_on(settings.effect, job.paper),
            profile=profile.sha256,
            intent=job.paper.intent,
            black_point=job.paper.black_point,
            picture_px=settings.picture_px if settings.picture else 0,
            paper_white=settings.paper_white,
        )
        _tell_losses(picture, parameters, job)
        return parameters

    def apply(self, picture: Picture, parameters: ProofParameters) -> Picture:
        """Convert, if that is asked."""
        if parameters.effect == "convert":
            return _printed(picture, parameters)
        if parameters.effect == "simulate":
            return _printed(picture, parameters).converted(picture.profile)
        return picture

    def companions(self, before: Picture, after: Picture, parameters: ProofParameters) -> Mapping[str, bytes]:  # noqa: ARG002
        """The proof picture."""
        if not parameters.picture_px or not parameters.profile:
            return {}
        seen = _printed(_in_small(before, parameters.picture_px), parameters).converted(
            srgb(), "absolute" if parameters.paper_white else "relative", black_point=not parameters.paper_white
        )
        buffer = BytesIO()
        image = Image.fromarray(seen.eight_bits())
        image.save(buffer, "JPEG", quality=_PROOF_QUALITY, subsampling=0, icc_profile=srgb().data)
        return {"proof.jpg": buffer.getvalue()}


def _check_is_for_printing(profile: Profile, job: Job) -> None:
    if profile.device_class != "prtr" or profile.colour_space not in {"RGB", "CMYK"}:
        raise Held(
            f"the profile of the paper {job.paper.name} ({profile.description}) is of class "
            f"{profile.device_class} for {profile.colour_space}: it describes no printing on paper",
            remedy=f"name the printer's profile for this paper in [paper.{job.paper.name}]",
        )


def _printed(picture: Picture, parameters: ProofParameters) -> Picture:
    """The picture in the printer's space."""
    profile = profile_by_hash(parameters.profile)
    return picture.converted(profile, parameters.intent, black_point=parameters.black_point)


def _in_small(picture: Picture, longest: int) -> Picture:
    """A reduced picture, made once for the figures and the proof picture."""
    return picture.remember(
        ("proof", picture.placement, picture.size, longest),
        lambda: picture.reduced(picture.ppi * min(1.0, longest / max(picture.size))),
    )


def _tell_losses(picture: Picture, parameters: ProofParameters, job: Job) -> None:
    """Compare colours before and after the printer's space on some of the pixels."""
    pixels = _in_small(picture, parameters.picture_px or _MEASURED_PX).array()
    step = max(1, round((pixels.shape[0] * pixels.shape[1] / _SAMPLE_PIXELS) ** 0.5))
    small = picture.with_array(pixels[::step, ::step])
    there = _printed(small, parameters)
    grey = small.profile.colour_space == "GRAY"
    before = (small.converted(srgb()) if grey else small).lab()
    apart = colour_difference(before, there.lab())
    share = float(np.mean(apart > _SEEN))
    job.notice("share_changed", round(share, 4))
    job.notice("difference_mean", round(float(apart.mean()), 2))
    job.notice("difference_p95", round(float(np.percentile(apart, 95)), 2))

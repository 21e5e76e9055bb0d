"""Proof: how the print will come out on its paper, told in numbers and words and shown in small pictures.

With `effect = "report"` the pixels stay as they are. Without a profile for the paper there is nothing to
tell; that is said, and the pixels are left alone.
"""

from collections.abc import Mapping
from typing import Literal

from pydantic import Field

from platemark import Held, Job, Paper, Parameters, Picture, Profile, Settings, Stage, profile_by_hash, round_trip
from platemark_stages.converter import check_one_converter, effect_on
from platemark_stages.proof.families import families_of
from platemark_stages.proof.figures import figures_of
from platemark_stages.proof.pictures import losses_jpeg, proof_jpeg
from platemark_stages.proof.sheet import Pair, longest_side
from platemark_stages.proof.trips import Trips, printed, sampled
from platemark_stages.proof.wording import figures_in_words

# The sample is taken from a picture of this size where no proof picture is wanted.
_MEASURED_PX = 1000


class ProofSettings(Settings):
    """What is done with the paper's profile."""

    effect: Literal["auto", "report", "convert", "simulate"] = Field(
        "auto",
        description="report: tell only. convert: into the printer's space, its profile embedded. "
        "simulate: there and back, so that the file looks like the print. "
        'auto: convert where [printer] says colour = "file", else report.',
    )
    picture: bool = Field(
        default=True,
        description="Write two small pictures of how it will look: NAME.PRINT.proof.jpg as eyes see it that are used "
        "to the paper, NAME.PRINT.proof-paper.jpg with the paper's own white and black, as beside a white screen.",
    )
    picture_px: int = Field(1400, ge=200, le=6000, description="Pixels of the proof pictures' longer side.")
    losses: bool = Field(
        default=True,
        description="Write NAME.PRINT.losses.jpg: where colours move, by how much, and which of them suffer most.",
    )


class ProofParameters(Parameters):
    """The conversion, if there is one."""

    effect: Literal["none", "report", "convert", "simulate"] = Field(
        description="As in the settings; none where the paper has no profile."
    )
    profile: str = Field("", description="sha256 of the paper's profile.")
    intent: Literal["perceptual", "relative"] = Field("relative", description="Rendering intent.")
    black_point: bool = Field(default=True, description="Black point compensation.")
    table: bool | None = Field(
        None, description="True: simulate goes there and back in one table, not in two conversions as it once did."
    )
    picture_px: int = Field(0, ge=0, description="Pixels of the proof pictures' longer side; 0 for none.")
    figures: list[str] = Field(
        [], description="What the sheet of losses says: a title, then lines; empty for no sheet."
    )
    families: list[Pair] = Field(
        [],
        description="The colours that suffer most: a sentence, its figures, the original's sRGB, the print's.",
    )


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
        effect = effect_on(settings.effect, job.paper)
        parameters = ProofParameters(
            effect=effect,
            profile=profile.sha256,
            intent=job.paper.intent,
            black_point=job.paper.black_point,
            table=True if effect == "simulate" and picture.profile.colour_space == "RGB" else None,
            picture_px=settings.picture_px if settings.picture else 0,
        )
        small = in_small(picture, parameters.picture_px or _MEASURED_PX)
        trips = sampled(small, profile, black_point=parameters.black_point)
        lines, families = _tell_losses(trips, parameters, job)
        if not settings.losses:
            return parameters
        return parameters.model_copy(update={"figures": lines, "families": families})

    def apply(self, picture: Picture, parameters: ProofParameters) -> Picture:
        """Convert, if that is asked."""
        if parameters.effect == "convert":
            return _converted(picture, parameters)
        if parameters.effect == "simulate" and parameters.table:
            printer = profile_by_hash(parameters.profile)
            return round_trip(picture, printer, parameters.intent, black_point=parameters.black_point)
        if parameters.effect == "simulate":
            return _converted(picture, parameters).converted(picture.profile)
        return picture

    def companions(self, before: Picture, after: Picture, parameters: ProofParameters) -> Mapping[str, bytes]:  # noqa: ARG002
        """The proof pictures, and the sheet of losses."""
        made: dict[str, bytes] = {}
        if not parameters.profile:
            return made
        if parameters.picture_px:
            there = _converted(in_small(before, parameters.picture_px), parameters).settled()
            made["proof.jpg"] = proof_jpeg(there, paper_white=False)
            made["proof-paper.jpg"] = proof_jpeg(there, paper_white=True)
        if parameters.figures:
            small = in_small(before, longest_side(before.size))
            made["losses.jpg"] = losses_jpeg(
                small, _converted(small, parameters), parameters.figures, parameters.families
            )
        return made


def _check_is_for_printing(profile: Profile, job: Job) -> None:
    if profile.device_class != "prtr" or profile.colour_space not in {"RGB", "CMYK"}:
        raise Held(
            f"the profile of the paper {job.paper.name} ({profile.description}) is of class "
            f"{profile.device_class} for {profile.colour_space}: it describes no printing on paper",
            remedy=f"name the printer's profile for this paper in [paper.{job.paper.name}]",
        )


def _converted(picture: Picture, parameters: ProofParameters) -> Picture:
    """The picture in the printer's space."""
    profile = profile_by_hash(parameters.profile)
    return printed(picture, profile, parameters.intent, black_point=parameters.black_point)


def in_small(picture: Picture, longest: int) -> Picture:
    """A reduced picture, made once for the figures and the proof pictures."""
    return picture.remember(
        ("proof", picture.placement, picture.size, longest),
        lambda: picture.reduced(picture.ppi * min(1.0, longest / max(picture.size))),
    )


def _tell_losses(trips: Trips, parameters: ProofParameters, job: Job) -> tuple[list[str], list[Pair]]:
    """Tell what colours lose on this paper; give back what the sheet of losses says of it."""
    figures = figures_of(trips)
    for name, value in figures.facts(parameters.intent).items():
        job.notice(name, value)
    families = families_of(trips, parameters.intent)
    for number, family in enumerate(families, 1):
        job.notice(f"loss_{number}", f"{family.sentence()} ({family.figures()})")
    lines = figures_in_words(figures, parameters.intent, job.work.title or job.work.name, job.paper.name)
    return lines, [(family.sentence(), family.figures(), family.original, family.print) for family in families]

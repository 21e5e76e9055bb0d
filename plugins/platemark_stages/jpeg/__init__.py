"""JPEG: the finished file, of the best quality that the print utility's size limit allows."""

from typing import Literal, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from platemark import Encoder, FileSize, Held, Job, Parameters, Picture, Profile, Settings, srgb
from platemark_stages.jpeg.encoders import MAX_SIDE, encode
from platemark_stages.jpeg.quality import TooLarge, fit_under, has_room
from platemark_stages.jpeg.segments import Metadata, assemble, identifier


class JpegSettings(Settings):
    """What the print utility takes."""

    max_size: FileSize = Field(default=20_000_000, gt=0, description="Largest file, such as 8 MB.")
    max_pixels: int = Field(0, ge=0, description="Most pixels a file may have, width times height; 0 for no limit.")
    min_quality: int = Field(82, ge=1, le=100, description="JPEG quality that is never gone under.")
    max_quality: int = Field(95, ge=1, le=100, description="JPEG quality that is never gone over.")
    space: Literal["srgb", "keep"] = Field(
        "srgb",
        description="srgb: RGB pixels are converted to sRGB, which comes out right even where the way to the printer "
        "ignores profiles. keep: they stay in the scan's space, its profile embedded.",
    )

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.min_quality > self.max_quality:
            raise ValueError(
                f"min_quality = {self.min_quality} lies above max_quality = {self.max_quality}; "
                "lower min_quality, or raise max_quality"
            )
        return self


class JpegParameters(Parameters):
    """The file's quality, and what it says about itself."""

    quality: int = Field(ge=1, le=100, description="JPEG quality.")
    subsampling: Literal["4:4:4", "4:2:0"] = Field(description="4:2:0 keeps one colour for four pixels.")
    tables: Literal["standard", "fitted"] = Field(
        description="Huffman tables: fitted to the picture where every byte counts under the limit."
    )
    space: Literal["srgb", "keep"] = Field(description="As in the settings.")
    ppi: float = Field(gt=0, description="Pixels per inch.")
    title: str = Field("", description="Of the work.")
    artist: str = Field("", description="Who made it.")
    copyright: str = Field("", description="The notice, as written in the config.")
    contact: str = Field("", description="How to reach the artist, as written in the config.")
    description: str = Field("", description="Title, medium and year in one line.")
    document_id: str = Field("", description="Names this print of the work in the file's XMP.")
    original_id: str = Field("", description="Names the scan it was made from in the file's XMP.")


class Jpeg(Encoder[JpegSettings, JpegParameters]):
    """Writes the file."""

    name = "jpeg"
    version = 1
    suffix = ".jpg"

    def measure(self, picture: Picture, settings: JpegSettings, job: Job) -> JpegParameters:
        """Find the best quality under the limit."""
        _check_sides(picture, settings)
        parameters = _described(picture, settings, job)
        if self._fits_at_best(picture, parameters, settings.max_size):
            job.notice("encodes", 1)
            return parameters
        fit = fit_under(
            _pixels(picture, parameters.space),
            _metadata(picture, parameters),
            cap=settings.max_size,
            min_quality=settings.min_quality,
            max_quality=settings.max_quality,
        )
        if isinstance(fit, TooLarge):
            raise _too_large(fit, settings, parameters.ppi)
        job.notice("encodes", fit.encodes_done)
        found = {"quality": fit.quality, "subsampling": fit.subsampling, "tables": "fitted"}
        chosen = parameters.model_copy(update=found)
        picture.remember(_key(picture, chosen.model_dump_json()), lambda: fit.file)
        return chosen

    def _fits_at_best(self, picture: Picture, best: JpegParameters, cap: int) -> bool:
        """Where the limit is far, the best quality is taken at once."""
        pixels, metadata = _pixels(picture, best.space), _metadata(picture, best)
        roomy = has_room(pixels, metadata, cap=cap, quality=best.quality)
        return roomy and len(self.encode(picture, best)) <= cap

    def encode(self, picture: Picture, parameters: JpegParameters) -> bytes:
        """The whole file; the search has often made it already."""
        return picture.remember(_key(picture, parameters.model_dump_json()), lambda: _file(picture, parameters))

    def embedded(self, picture: Picture, parameters: JpegParameters) -> Profile:
        """The profile that the file carries."""
        return _profile(picture, parameters.space)

    def about(self, parameters: JpegParameters) -> dict[str, str | int | float]:
        """Quality and subsampling."""
        return {"format": "JPEG", "quality": parameters.quality, "subsampling": parameters.subsampling}


def _file(picture: Picture, parameters: JpegParameters) -> bytes:
    pixels = _pixels(picture, parameters.space)
    coded = encode(pixels, parameters.quality, parameters.subsampling, parameters.tables)
    return assemble(coded, _metadata(picture, parameters))


def _pixels(picture: Picture, space: str) -> NDArray[np.uint8]:
    """The file's pixels, made once for the search and the file."""
    return picture.remember(_key(picture, space), lambda: picture.converted(_profile(picture, space)).eight_bits())


def _key(picture: Picture, made: str) -> tuple[object, ...]:
    """What is remembered is shared by all prints of a scan as long as their geometry waits, so that belongs to it."""
    return ("jpeg", picture.placement, picture.size, made)


def _profile(picture: Picture, space: str) -> Profile:
    """The file's colour space. What was converted for a printer stays so."""
    profile = picture.profile
    if space == "srgb" and profile.colour_space == "RGB" and profile.device_class != "prtr":
        return srgb()
    return profile


def _described(picture: Picture, settings: JpegSettings, job: Job) -> JpegParameters:
    work = job.work
    described = ", ".join(part for part in (work.medium, work.year) if part)
    return JpegParameters(
        quality=settings.max_quality,
        subsampling="4:4:4",
        tables="standard",
        space=settings.space,
        ppi=round(picture.ppi, 4),
        title=work.title or work.name,
        artist=work.artist,
        copyright=work.copyright,
        contact=work.contact,
        description=f"{work.title or work.name}{f' ({described})' if described else ''}",
        document_id=identifier(work.sha256.encode(), job.print_name.encode()),
        original_id=identifier(work.sha256.encode()),
    )


def _metadata(picture: Picture, parameters: JpegParameters) -> Metadata:
    profile = _profile(picture, parameters.space)
    return Metadata(
        title=parameters.title,
        artist=parameters.artist,
        copyright=parameters.copyright,
        contact=parameters.contact,
        description=parameters.description,
        ppi=parameters.ppi,
        profile=profile.data,
        is_srgb=profile.sha256 == srgb().sha256,
        document_id=parameters.document_id,
        original_id=parameters.original_id,
    )


def _check_sides(picture: Picture, settings: JpegSettings) -> None:
    width, height = picture.size
    if max(width, height) > MAX_SIDE:
        raise Held(
            f"the print would be {width} x {height} pixels, and a JPEG has at most {MAX_SIDE} on a side",
            remedy="choose a smaller ppi for this print",
        )
    if settings.max_pixels and width * height > settings.max_pixels:
        fitting = int(picture.ppi * (settings.max_pixels / (width * height)) ** 0.5)
        raise Held(
            f"the print would have {width * height} pixels, more than max_pixels = {settings.max_pixels}",
            remedy=f"write ppi = {fitting} or less for this print, or raise max_pixels in [stage.jpeg]",
        )


def _too_large(fit: TooLarge, settings: JpegSettings, ppi: float) -> Held:
    smaller = f"write ppi = {fit.fitting_ppi} or less (now {ppi:g}), or " if fit.fitting_ppi else ""
    return Held(
        f"even at quality {fit.quality} with {fit.subsampling} the file has {fit.smallest / 1e6:.2f} MB, more than "
        f"max_size = {settings.max_size / 1e6:.2f} MB",
        remedy=f'{smaller}allow max_size = "{-(-fit.smallest // 10_000) / 100:.2f} MB" for this print',
    )

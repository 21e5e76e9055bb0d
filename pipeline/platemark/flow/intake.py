"""Intake: opening a scan safely, and saying exactly how it was opened.

Nothing is guessed in silence: what the file does not say comes from the config and is recorded,
or the scan is held with the question.
"""

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import pyvips

from platemark.errors import Held
from platemark.flow.headers import Header, kind_of, read_header
from platemark.pixels import colour
from platemark.pixels.picture import INTERPRETATIONS, WHITE, Picture, overview_of, to_sixteen_bits
from platemark.pixels.profiles import Profile, ProfileError, grey, load_profile, read_profile, srgb

_LOADERS = ("VipsForeignLoadTiff", "VipsForeignLoadJpeg", "VipsForeignLoadPng")
_BITS = {"uchar": 8, "ushort": 16}
_UPRIGHT = 1
_SIDEWAYS = 5  # orientations 5 to 8 exchange width and height (TIFF 6.0, tag 274)


def guard_decoders() -> None:
    """Leave libvips with three loaders, and no memory of files it has seen.

    A cached operation would give the old pixels of a file whose content has changed.
    """
    pyvips.operation_block_set("VipsForeignLoad", True)  # noqa: FBT003 - the library's own call
    for loader in _LOADERS:
        pyvips.operation_block_set(loader, False)  # noqa: FBT003
    pyvips.cache_set_max(0)


guard_decoders()


class Incomplete(Held):
    """The file ends too early, or is no picture yet: it may still be being written."""


class Scanner(Protocol):
    """The part of the config that intake asks."""

    @property
    def ppi(self) -> int | None:
        """Resolution of scans that do not say theirs."""

    @property
    def profile(self) -> Path | None:
        """Profile of scans that have none."""

    @property
    def cmyk(self) -> str:
        """`hold` or `convert`."""

    @property
    def max_megapixels(self) -> int:
        """Larger scans are held."""

    @property
    def page(self) -> int | None:
        """Which page of a file of several, counted from 1."""


@dataclass(frozen=True)
class Opening:
    """How a scan is opened: with this and the file alone it can be opened so again.

    Attributes:
        page: counted from 0.
        orientation: the tag's value, 1 to 8, as applied.
        width: in pixels, upright.
        height: as `width`.
        bits: per channel, as in the file.
        ppi: pixels per inch.
        ppi_from: "file", "ticket" or "config".
        profile: of the picture's pixels.
        profile_from: "file", "config", "assumed sRGB" ...
        alpha: "none", or "laid on white".
    """

    page: int
    orientation: int
    width: int
    height: int
    bits: int
    ppi: float
    ppi_from: str
    profile: Profile
    profile_from: str
    alpha: str


def examine(path: Path, scanner: Scanner, ticket_ppi: int | None = None) -> Opening:
    """Read a scan's head and decide how to open it; no pixel is decoded.

    Raises:
        Incomplete: it is empty, or not (yet) a TIFF, PNG or JPEG.
        Held: a person must decide: no resolution, several pages, CMYK, a broken profile ...
    """
    kind = _kind(path)
    page = scanner.page - 1 if scanner.page and kind == "TIFF" else 0
    image = _load(path, page)
    _check_size(image, path.name, scanner.max_megapixels)
    _check_pages(image, path.name, scanner.page)
    _check_form(image, path.name, scanner.cmyk)
    header = read_header(path, kind)
    ppi, ppi_from = _resolution(header, path.name, scanner.ppi, ticket_ppi)
    profile, profile_from = _profile(image, header, path.name, scanner.profile)
    orientation = _orientation(image)
    width, height = image.width, image.height
    if orientation >= _SIDEWAYS:
        width, height = height, width
    return Opening(
        page=page,
        orientation=orientation,
        width=width,
        height=height,
        bits=_BITS[image.format],
        ppi=ppi,
        ppi_from=ppi_from,
        profile=profile,
        profile_from=profile_from,
        alpha="laid on white" if image.hasalpha() else "none",
    )


def open_picture(path: Path, opening: Opening) -> Picture:
    """The picture of a scan, as its opening says. Pixels are decoded when they are wanted."""
    return Picture.from_source(
        lambda: _upright(path, opening), opening.width, opening.height, opening.profile, opening.ppi
    )


def decode_to_the_end(path: Path, opening: Opening) -> Picture:
    """As `open_picture`, after reading every row; the picture keeps the small overview made on the way.

    Raises:
        Incomplete: a row is missing or damaged.
    """
    picture = open_picture(path, opening)
    try:
        overview = overview_of(picture.open(), opening.ppi)
    except pyvips.Error as fault:
        raise Incomplete(
            f"{path.name} ends too early or is damaged inside",
            remedy="scan it again, or copy it again from where it came",
        ) from fault
    picture.facts["overview"] = overview
    return picture


def _kind(path: Path) -> str:
    try:
        kind = kind_of(path)
    except OSError as fault:
        raise Held(
            f"{path.name} cannot be read ({fault.strerror})",
            remedy="make it readable for you (owner and rights), then drop it in again",
        ) from fault
    if kind is None:
        raise Incomplete(
            f"{path.name} is not an image that can be used: its content is no TIFF, PNG or JPEG",
            remedy="save the scan as TIFF (best), PNG or JPEG",
        )
    return kind


def _load(path: Path, page: int = 0) -> pyvips.Image:
    """Open by descriptor: libvips would read a name like `x.jpg[shrink=8]` as an option."""
    descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_BINARY", 0))
    try:
        source = pyvips.Source.new_from_descriptor(descriptor)  # which keeps a copy of the descriptor
        options = {"page": page} if page else {}
        return pyvips.Image.new_from_source(
            source, "", access="sequential", fail_on="error", unlimited=True, **options
        )
    except pyvips.Error as fault:
        raise Incomplete(
            f"{path.name} cannot be opened: it is damaged, cut short or of a kind that is not read",
            remedy="scan it again as an 8 or 16 bit RGB or grey TIFF",
        ) from fault
    finally:
        os.close(descriptor)


def _check_size(image: pyvips.Image, name: str, max_megapixels: int) -> None:
    megapixels = image.width * image.height / 1e6
    if megapixels > max_megapixels:
        raise Held(
            f"{name} has {megapixels:.0f} megapixels, more than max_megapixels = {max_megapixels}",
            remedy="scan at a lower resolution, or raise max_megapixels in [scanner]",
        )


def _check_pages(image: pyvips.Image, name: str, page: int | None) -> None:
    pages = image.get("n-pages") if image.get_typeof("n-pages") else 1
    if pages > 1 and page is None:
        raise Held(
            f"{name} has {pages} pages",
            remedy="save the page you want as a file of its own, or choose one with `page` in [scanner]",
        )


def _check_form(image: pyvips.Image, name: str, cmyk: str) -> None:
    if image.format not in _BITS:
        raise Held(f"{name} has numbers of the kind {image.format} in it", remedy="save it with 8 or 16 bits a channel")
    if image.interpretation == "cmyk" and cmyk != "convert":
        raise Held(
            f"{name} is a CMYK file",
            remedy='scan in RGB, or write cmyk = "convert" in [scanner] to have it converted through its profile',
        )
    colours = image.bands - (1 if image.hasalpha() else 0)
    wanted = 4 if image.interpretation == "cmyk" else 3
    if image.interpretation in {"lab", "labq", "labs"} or colours not in {1, wanted}:
        raise Held(
            f"{name} is neither grey nor RGB ({image.bands} channels, {image.interpretation})",
            remedy="save it as RGB",
        )


def _resolution(header: Header, name: str, configured: int | None, ticket: int | None) -> tuple[float, str]:
    if ticket:
        return float(ticket), "ticket"
    if header.ppi:
        return header.ppi, "file"
    if configured:
        return float(configured), "config"
    raise Held(
        f"{name} does not say at what resolution it was scanned",
        remedy="write ppi = 300 (or what it was) in its ticket, or in [scanner] if all your scans are so",
    )


def _profile(
    image: pyvips.Image, header: Header, name: str, configured: Path | None
) -> tuple[Profile, str]:
    """The profile of the opened picture and where it comes from."""
    embedded = image.get("icc-profile-data") if image.get_typeof("icc-profile-data") else None
    if embedded is None and header.has_profile:
        # libvips drops a damaged PNG profile at load, and would go on as if there were none.
        raise Held(f"the colour profile in {name} is damaged", remedy="scan it again, or save it without a profile")
    cmyk = image.interpretation == "cmyk"
    if embedded is not None:
        profile = _checked(embedded, name, image)
        return (srgb(), "sRGB, converted from CMYK through the file's profile") if cmyk else (profile, "file")
    if cmyk:
        raise Held(f"{name} is CMYK and has no profile to convert it by", remedy="scan it in RGB")
    if _colours(image) == 1:
        return grey(), "assumed grey with the sRGB curve"
    if configured is not None:
        return _from_config(configured, name), "config"
    return srgb(), "assumed sRGB"


def _from_config(path: Path, name: str) -> Profile:
    try:
        profile = load_profile(path)
    except ProfileError as fault:
        raise Held(fault.what, remedy="put the file right, or change `profile` in [scanner]") from fault
    if profile.colour_space != "RGB":
        raise Held(
            f"the profile {path.name} in [scanner] is for {profile.colour_space}, and {name} is RGB",
            remedy="name a scanner or working-space profile for RGB",
        )
    return profile


def _checked(data: bytes, name: str, image: pyvips.Image) -> Profile:
    try:
        profile = read_profile(data, name)
    except ProfileError as fault:
        raise Held(fault.what, remedy=fault.remedy or "save the scan again, or without a profile") from fault
    if profile.bands != _colours(image) or profile.colour_space == "Lab":
        raise Held(
            f"{name} has {_colours(image)} channels, but its profile describes {profile.colour_space}",
            remedy="save it with a profile that fits, or without one",
        )
    return profile


def _colours(image: pyvips.Image) -> int:
    bands: int = image.bands - (1 if image.hasalpha() else 0)
    return bands


def _orientation(image: pyvips.Image) -> int:
    value = image.get("orientation") if image.get_typeof("orientation") else _UPRIGHT
    return value if value in range(1, 9) else _UPRIGHT


def _upright(path: Path, opening: Opening) -> pyvips.Image:
    """The scan's pixels: 16 bits, without alpha, in the opening's profile, the right way up."""
    image = _load(path, opening.page)
    cmyk_profile = image.get("icc-profile-data") if image.interpretation == "cmyk" else None
    image = _plain(image)
    if cmyk_profile is not None:
        image = colour.convert(image, read_profile(cmyk_profile, path.name), opening.profile)
    if opening.orientation == _UPRIGHT:
        return image
    # A turn needs the last row first, so the scan is held in memory for it.
    turned = image.copy_memory().copy()
    turned.set_type(pyvips.GValue.gint_type, "orientation", opening.orientation)
    return turned.autorot()


def _plain(image: pyvips.Image) -> pyvips.Image:
    if image.format == "uchar":
        image = to_sixteen_bits(image)
    if image.hasalpha():
        image = image.flatten(background=[WHITE] * (image.bands - 1), max_alpha=WHITE)
        image = image.cast("ushort")
    return image.copy(interpretation=INTERPRETATIONS[image.bands])

"""Intake: opening a scan safely, and saying exactly how it was opened.

Nothing is guessed in silence: what the file does not say comes from the config and is recorded,
or the scan is held with the question.
"""

import os
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol

import pyvips

from platemark.errors import Held
from platemark.flow.density import stated_ppi
from platemark.flow.headers import Header, kind_of, read_header
from platemark.flow.lab_scan import to_srgb
from platemark.flow.made_up import decoders_heard, tell_of_made_up_pixels
from platemark.flow.mending import mended
from platemark.flow.scan_profile import colours_of, profile_of
from platemark.flow.tiff_tags import CutShort
from platemark.pixels import colour
from platemark.pixels.depth import to_sixteen_bits
from platemark.pixels.picture import INTERPRETATIONS, WHITE, Picture, overview_of
from platemark.pixels.profiles import Profile, read_profile

_LOADERS = ("VipsForeignLoadTiff", "VipsForeignLoadJpeg", "VipsForeignLoadPng")
_BITS = {"uchar": 8, "ushort": 16}
_CHANNELS = {"b-w": 1, "grey16": 1, "srgb": 3, "rgb16": 3, "cmyk": 4}
# A scroll of 20 cm by 4 m is 20 to 1. What is longer still is a damaged head, and would take minutes to resample.
_SLENDER, _LONG = 50, 10_000
_UPRIGHT = 1
_SIDEWAYS = 5  # orientations 5 to 8 exchange width and height (TIFF 6.0, tag 274)


def guard_decoders() -> None:
    """Leave libvips with three loaders, and no memory of files it has seen.

    A cached operation would give the old pixels of a file whose content has changed.
    """
    pyvips.operation_block_set("VipsForeignLoad", True)
    for loader in _LOADERS:
        pyvips.operation_block_set(loader, False)
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
    def lab(self) -> str:
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
    header = _header(path, scanner.page)
    _check_pages(header, path.name, scanner.page)
    _check_kind_of_pixels(header, path.name, scanner.lab)
    image = _load(path, header.page)
    _check_size(image, path.name, scanner.max_megapixels)
    _check_channels(image, path.name, scanner.cmyk)
    ppi, ppi_from = _resolution(header, path.name, scanner.ppi, ticket_ppi)
    profile, profile_from = profile_of(image, header, path.name, scanner.profile)
    orientation = _orientation(image)
    width, height = image.width, image.height
    if orientation >= _SIDEWAYS:
        width, height = height, width
    return Opening(
        page=header.page,
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
    picture = Picture.from_source(
        lambda: _upright(path, opening), opening.width, opening.height, opening.profile, opening.ppi
    )
    return replace(picture, open_narrow=lambda: _upright(path, opening, narrow=True))


def decode_to_the_end(path: Path, opening: Opening) -> Picture:
    """As `open_picture`, after reading every row; the picture keeps the small overview made on the way.

    Raises:
        Incomplete: a row is missing or damaged.
    """
    try:
        with decoders_heard() as said:
            overview = _overview(path, opening)
    except pyvips.Error as fault:
        raise _damaged(path) from fault
    if tell_of_made_up_pixels(said):
        raise _damaged(path)
    picture = open_picture(path, opening)
    picture.facts["overview"] = overview
    return picture


def _overview(path: Path, opening: Opening) -> tuple[pyvips.Image, int]:
    # To libvips a damaged tile is a warning, and black; of strips it would warn for harmless reasons too.
    tiled = _header(path, opening.page + 1).tiled
    return overview_of(_upright(path, opening, "warning" if tiled else "error"), opening.ppi)


def _header(path: Path, page: int | None) -> Header:
    try:
        kind = kind_of(path)
        if kind is None:
            raise Incomplete(
                f"{path.name} is not an image that can be used: its content is no TIFF, PNG or JPEG",
                remedy="save the scan as TIFF (best), PNG or JPEG",
            )
        return read_header(path, kind, page)
    except CutShort as fault:
        raise _damaged(path) from fault
    except OSError as fault:
        raise Held(
            f"{path.name} cannot be read ({fault.strerror})",
            remedy="make it readable for you (owner and rights), then drop it in again",
        ) from fault


def _damaged(path: Path) -> Incomplete:
    return Incomplete(
        f"{path.name} ends too early or is damaged inside",
        remedy="scan it again, or copy it again from where it came",
    )


def _load(path: Path, page: int = 0, fail_on: str = "error") -> pyvips.Image:
    options = {"access": "sequential", "fail_on": fail_on, "unlimited": True, **({"page": page} if page else {})}
    data = mended(path, page)
    try:
        source = _source(path) if data is None else pyvips.Source.new_from_memory(data)
        return pyvips.Image.new_from_source(source, "", **options)
    except pyvips.Error as fault:
        raise Incomplete(
            f"{path.name} cannot be opened: it is damaged, cut short or of a kind that is not read",
            remedy="scan it again as an 8 or 16 bit RGB or grey TIFF",
        ) from fault


def _source(path: Path) -> pyvips.Source:
    """By descriptor: libvips would read a name like `x.jpg[shrink=8]` as an option."""
    descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_BINARY", 0))
    try:
        return pyvips.Source.new_from_descriptor(descriptor)  # which keeps a copy of the descriptor
    finally:
        os.close(descriptor)


def _check_size(image: pyvips.Image, name: str, max_megapixels: int) -> None:
    short, long = sorted((image.width, image.height))
    if long > max(_LONG, _SLENDER * short):
        raise Held(
            f"{name} says that it has {image.width} by {image.height} pixels, which is the shape of no scan",
            remedy="scan it again; its head is damaged, or it is no scan",
        )
    megapixels = image.width * image.height / 1e6
    if megapixels > max_megapixels:
        raise Held(
            f"{name} has {megapixels:.0f} megapixels, more than max_megapixels = {max_megapixels}",
            remedy="scan at a lower resolution, or raise max_megapixels in [scanner]",
        )


def _check_pages(header: Header, name: str, page: int | None) -> None:
    if header.pages > 1 and (page is None or page > header.pages):
        raise Held(
            f"{name} has {header.pages} pages" + (f", and page = {page} in [scanner]" if page else ""),
            remedy="save the page you want as a file of its own, or choose one with `page` in [scanner]",
        )


def _check_kind_of_pixels(header: Header, name: str, lab: str) -> None:
    """What libvips would read wrongly or refuse without saying why."""
    if header.lab == "other":
        raise Held(f"{name} is a Lab file for fax, or its white is not D50", remedy="save it as RGB, with its profile")
    if header.lab and lab != "convert":
        raise Held(
            f"{name} is a Lab file",
            remedy='save it as RGB, or write lab = "convert" in [scanner] to have it converted to sRGB',
        )
    if header.unread:
        raise Held(
            f"the pixels of {name} are packed in a way that is not read here ({header.unread})",
            remedy="save it as TIFF without compression or with LZW, or as PNG",
        )
    if header.numbers:
        raise Held(f"{name} has {header.numbers} in it", remedy="save it with 8 or 16 bits a channel")
    if header.unexplained_channel:
        raise Held(
            f"{name} has one channel more than its colours need, and does not say what it means",
            remedy="save it without that channel (a mask, or what an infrared lamp saw)",
        )


def _check_channels(image: pyvips.Image, name: str, cmyk: str) -> None:
    if image.interpretation == "cmyk" and cmyk != "convert":
        raise Held(
            f"{name} is a CMYK file",
            remedy='scan in RGB, or write cmyk = "convert" in [scanner] to have it converted through its profile',
        )
    wanted = _CHANNELS.get(image.interpretation)
    if image.format not in _BITS or colours_of(image) != wanted:
        raise Held(
            f"{name} is neither grey nor RGB of 8 or 16 bits "
            f"({image.bands} channels, {image.interpretation}, {image.format})",
            remedy="save it as RGB with 8 or 16 bits a channel",
        )


def _resolution(header: Header, name: str, configured: int | None, ticket: int | None) -> tuple[float, str]:
    if ticket:
        return float(ticket), "ticket"
    stated = stated_ppi(header.densities, name)
    if stated:
        return stated, "file"
    if configured:
        return float(configured), "config"
    raise Held(
        f"{name} does not say at what resolution it was scanned",
        remedy="write ppi = 300 (or what it was) in its ticket, or in [scanner] if all your scans are so",
    )


def _orientation(image: pyvips.Image) -> int:
    value = image.get("orientation") if image.get_typeof("orientation") else _UPRIGHT
    return value if value in range(1, 9) else _UPRIGHT


def _upright(path: Path, opening: Opening, fail_on: str = "error", *, narrow: bool = False) -> pyvips.Image:
    """The scan's pixels: 16 bits, without alpha, in the opening's profile, the right way up.

    With `narrow`, 8 bits are left as they are, where nothing but widening is to be done.
    """
    image = _load(path, opening.page, fail_on)
    lab = _header(path, opening.page + 1).lab
    if lab:
        image = to_srgb(image, lab)
    image = _turned(image, opening.orientation)
    if narrow and not lab and image.bands == opening.profile.bands:
        return image.copy(interpretation=INTERPRETATIONS[image.bands])
    plain = _plain(image)
    if image.interpretation == "cmyk":
        return colour.convert(plain, read_profile(image.get("icc-profile-data"), path.name), opening.profile)
    return plain


def _turned(image: pyvips.Image, orientation: int) -> pyvips.Image:
    if orientation == _UPRIGHT:
        return image
    # A turn needs the last row first, so the scan is held in memory for it.
    turned = image.copy_memory().copy()
    turned.remove("vips-sequential")  # or it would be copied once more before it is used
    turned.set_type(pyvips.GValue.gint_type, "orientation", orientation)
    return turned.autorot()


def _plain(image: pyvips.Image) -> pyvips.Image:
    paper = 0 if image.interpretation == "cmyk" else WHITE
    if image.format == "uchar":
        image = to_sixteen_bits(image)
    if image.hasalpha():
        image = image.flatten(background=[paper] * (image.bands - 1), max_alpha=WHITE).cast("ushort")
    return image.copy(interpretation=INTERPRETATIONS[image.bands])

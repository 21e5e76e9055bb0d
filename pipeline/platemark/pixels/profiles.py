"""ICC profiles: read with suspicion, and those that come with us.

A profile from an image or a folder is never trusted: it is measured, opened by lcms2 and asked
for a transform before anything else looks at it (libvips itself only logs a broken profile and
goes on as if there were none).
"""

import hashlib
import io
import itertools
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from pathlib import Path

from PIL import ImageCms

from platemark.errors import PlatemarkError
from platemark.pixels.icc_writer import grey_profile, oprgb_profile, romm_profile, srgb_profile

# The largest that JPEG can carry: 255 segments of 65519 bytes (ICC.1 annex B).
LARGEST = 16_707_345
_HEADER = 128
_TABLE = _HEADER + 4
_ENTRY = 12
# Real profiles have 5 to 30 tags; lcms2 itself refuses more than 100.
_MOST_TAGS = 100
_MODES = {"RGB": "RGB", "GRAY": "L", "CMYK": "CMYK", "Lab": "LAB"}
BANDS = {"RGB": 3, "GRAY": 1, "CMYK": 4, "Lab": 3}


class ProfileError(PlatemarkError):
    """A profile that cannot be used, and why."""


# By content, so it is no state: the same key can only ever mean the same bytes.
_known: dict[str, "Profile"] = {}


@dataclass(frozen=True)
class Profile:
    """An ICC profile that opened and gave a transform.

    Attributes:
        data: the profile file, byte for byte.
        description: the name it gives itself.
        device_class: four letters of the header: `scnr`, `mntr`, `prtr` or `spac`.
        colour_space: `RGB`, `GRAY`, `CMYK` or `Lab`.
    """

    data: bytes = field(repr=False)
    description: str
    device_class: str
    colour_space: str

    @cached_property
    def sha256(self) -> str:
        """Its identity, in hexadecimal."""
        return hashlib.sha256(self.data).hexdigest()

    @property
    def bands(self) -> int:
        """How many channels a pixel in this space has."""
        return BANDS[self.colour_space]

    @property
    def blank(self) -> tuple[int, ...]:
        """Bare paper at 16 bits: no ink in CMYK, full light in all others."""
        return (0, 0, 0, 0) if self.colour_space == "CMYK" else (65535,) * self.bands


def read_profile(data: bytes, origin: str) -> Profile:
    """Open a profile and make sure that it works.

    Args:
        data: the bytes of an ICC profile.
        origin: where it came from, for the message: a file name, or "heron.tif".

    Raises:
        ProfileError: it is too large, cut, not an ICC profile, of a class that no picture can
            have (device link, abstract, named colour), or gives no transform.

    Source:
        ICC.1 clause 7.2 (header): size at byte 0, class at 12, data colour space at 16,
        signature `acsp` at 36.
    """
    known = _known.get(hashlib.sha256(data).hexdigest())
    if known is not None:
        return known
    _check_header(data, origin)
    try:
        opened = ImageCms.ImageCmsProfile(io.BytesIO(data))
        space = opened.profile.xcolor_space.strip()
        mode = _MODES.get(space)
        if mode is None:
            raise ProfileError(
                f"the profile of {origin} describes the colour space {space}, which no scan or print has",
                remedy="use a profile for RGB, grey or CMYK",
            )
        ImageCms.buildTransform(opened, ImageCms.createProfile("LAB"), mode, "LAB")
    except (OSError, ImageCms.PyCMSError, ValueError, TypeError) as fault:
        raise _damaged(origin, "it gives no conversion") from fault
    profile = Profile(
        data=data,
        description=(opened.profile.profile_description or "").strip("\0 \n") or "unnamed",
        device_class=opened.profile.device_class.strip(),
        colour_space=space,
    )
    _known[profile.sha256] = profile
    return profile


def profile_by_hash(sha256: str) -> Profile:
    """A profile that was read before, by its content: parameters name profiles so.

    Raises:
        ProfileError: none of this content was read by this process.
    """
    if sha256 not in _known:
        raise ProfileError(f"the profile with sha256 {sha256[:12]} is not at hand")
    return _known[sha256]


def _check_header(data: bytes, origin: str) -> None:
    """Refuse what is no profile before lcms2 sees it."""
    if len(data) > LARGEST:
        raise _oversized(origin, len(data))
    stated = int.from_bytes(data[:4], "big")
    if len(data) < _TABLE or data[36:40] != b"acsp" or stated > len(data):
        raise _damaged(origin, "it is not, or not the whole of, an ICC profile")
    kind = data[12:16]
    if kind in {b"link", b"abst", b"nmcl"}:
        raise ProfileError(
            f"the profile of {origin} is of class {kind.decode()}, which describes no scanner, screen or printer",
            remedy="use a profile of class scnr, mntr, spac or prtr",
        )
    _check_tags(tags_of(data), stated, origin)


def tags_of(data: bytes) -> list[tuple[str, int, int]]:
    """Name, start and length of each tag, as the profile states them; at most as many as it has room for.

    Source:
        ICC.1 clause 7.3 (tag table).
    """
    count = min(int.from_bytes(data[_HEADER:_TABLE], "big"), (len(data) - _TABLE) // _ENTRY)
    entries = (data[at : at + _ENTRY] for at in range(_TABLE, _TABLE + count * _ENTRY, _ENTRY))
    return [(e[:4].decode("latin-1"), int.from_bytes(e[4:8], "big"), int.from_bytes(e[8:], "big")) for e in entries]


def _check_tags(tags: list[tuple[str, int, int]], size: int, origin: str) -> None:
    """Tags lie behind their table and inside the profile; two share their data wholly or not at all."""
    if not 0 < len(tags) <= _MOST_TAGS:
        raise _damaged(origin, f"it speaks of {len(tags)} tags")
    behind = _TABLE + _ENTRY * len(tags)
    for name, start, length in tags:
        if start < behind or length < 8 or start + length > size:
            raise _damaged(origin, f"its tag {_printable(name)} points outside the data")
    places = sorted({(start, length) for _, start, length in tags})
    for (start, length), (following, _) in itertools.pairwise(places):
        if following != start and following < start + length:
            raise _damaged(origin, "two of its tags overlap")


def _printable(name: str) -> str:
    return "".join(sign if sign.isascii() and sign.isprintable() else "?" for sign in name)


def _damaged(origin: str, why: str) -> ProfileError:
    return ProfileError(
        f"the colour profile of {origin} is damaged: {why}",
        remedy="get it again from where it came, or take it out of the file",
    )


def _oversized(origin: str, size: int) -> ProfileError:
    return ProfileError(
        f"the colour profile of {origin} has {size} bytes, more than a JPEG can carry",
        remedy="use another; real ones have at most a few million",
    )


def load_profile(path: Path) -> Profile:
    """Read a profile file.

    Raises:
        ProfileError: as `read_profile`, or the file cannot be read.
    """
    try:
        with path.open("rb") as file:
            data = file.read(LARGEST + 1)  # what is longer is refused without being read
            size = path.stat().st_size
    except OSError as fault:
        raise ProfileError(f"the profile {path} cannot be read ({fault.strerror})") from fault
    if size > LARGEST:
        raise _oversized(path.name, size)
    return read_profile(data, path.name)


@lru_cache(maxsize=1)
def srgb() -> Profile:
    """The built-in sRGB profile (IEC 61966-2-1), always the same bytes."""
    return read_profile(srgb_profile(), "the built-in sRGB profile")


@lru_cache(maxsize=1)
def grey() -> Profile:
    """The built-in grey profile: the sRGB tone curve on D50 grey, always the same bytes."""
    return read_profile(grey_profile(), "the built-in grey profile")


@lru_cache(maxsize=1)
def oprgb() -> Profile:
    """The built-in opRGB profile (IEC 61966-2-5), always the same bytes."""
    return read_profile(oprgb_profile(), "the built-in opRGB profile")


@lru_cache(maxsize=1)
def romm() -> Profile:
    """The built-in ROMM RGB profile (ISO 22028-2), always the same bytes."""
    return read_profile(romm_profile(), "the built-in ROMM RGB profile")


def built_in() -> list[Profile]:
    """All that come with us."""
    return [srgb(), oprgb(), romm(), grey()]

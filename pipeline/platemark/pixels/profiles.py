"""ICC profiles: read with suspicion, and the two that come with us.

A profile from an image or a folder is never trusted: it is measured, opened by lcms2 and asked
for a transform before anything else looks at it (libvips itself only logs a broken profile and
goes on as if there were none).
"""

import hashlib
import io
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from pathlib import Path

from PIL import ImageCms

from platemark.errors import PlatemarkError
from platemark.pixels.icc_writer import grey_profile, srgb_profile

# The largest that JPEG can carry: 255 segments of 65519 bytes (ICC.1 annex B).
LARGEST = 16_707_345
_HEADER = 128
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
        raise ProfileError(
            f"the colour profile of {origin} is damaged and cannot be used",
            remedy="get it again from where it came, or take it out of the file",
        ) from fault
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
        raise ProfileError(f"the colour profile of {origin} has {len(data)} bytes, more than a JPEG can carry")
    stated = int.from_bytes(data[:4], "big")
    if len(data) < _HEADER or data[36:40] != b"acsp" or stated > len(data):
        raise ProfileError(
            f"the colour profile of {origin} is damaged: it is not, or not the whole of, an ICC profile",
            remedy="get it again from where it came, or take it out of the file",
        )
    kind = data[12:16]
    if kind in {b"link", b"abst", b"nmcl"}:
        raise ProfileError(
            f"the profile of {origin} is of class {kind.decode()}, which describes no scanner, screen or printer",
            remedy="use a profile of class scnr, mntr, spac or prtr",
        )


def load_profile(path: Path) -> Profile:
    """Read a profile file.

    Raises:
        ProfileError: as `read_profile`, or the file cannot be read.
    """
    try:
        data = path.read_bytes()
    except OSError as fault:
        raise ProfileError(f"the profile {path} cannot be read ({fault.strerror})") from fault
    return read_profile(data, path.name)


@lru_cache(maxsize=1)
def srgb() -> Profile:
    """The built-in sRGB profile (IEC 61966-2-1), always the same bytes."""
    return read_profile(srgb_profile(), "the built-in sRGB profile")


@lru_cache(maxsize=1)
def grey() -> Profile:
    """The built-in grey profile: the sRGB tone curve on D50 grey, always the same bytes."""
    return read_profile(grey_profile(), "the built-in grey profile")

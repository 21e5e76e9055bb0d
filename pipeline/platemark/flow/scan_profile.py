"""The colour profile of a scan: its own, the scanner's, or sRGB by assumption, and which of these it was."""

from pathlib import Path

import pyvips

from platemark.errors import Held
from platemark.flow.headers import Header
from platemark.pixels.profiles import Profile, ProfileError, grey, load_profile, read_profile, srgb


def profile_of(image: pyvips.Image, header: Header, name: str, configured: Path | None) -> tuple[Profile, str]:
    """The profile of the opened picture's pixels, and where it comes from.

    Args:
        image: as loaded; only its head is looked at.
        header: of the same file.
        name: of the file, for messages.
        configured: the profile of scans that have none.

    Raises:
        Held: the profile is damaged, or fits other pixels than these; or these are CMYK and have none.
    """
    if header.lab:  # its numbers are colours already, whatever profile lies beside them
        return srgb(), "sRGB, converted from CIELAB"
    embedded = image.get("icc-profile-data") if image.get_typeof("icc-profile-data") else None
    if embedded is not None:
        profile = _checked(embedded, name, image)
        if profile.colour_space == "CMYK":
            return srgb(), "sRGB, converted from CMYK through the file's profile"
        return profile, "file"
    if header.has_profile:
        # libvips drops a damaged profile at load, and would go on as if there were none.
        raise Held(f"the colour profile in {name} is damaged", remedy="scan it again, or save it without a profile")
    if image.interpretation == "cmyk":
        raise Held(f"{name} is CMYK and has no profile to convert it by", remedy="scan it in RGB")
    return _without_its_own("GRAY" if colours_of(image) == 1 else "RGB", name, configured)


def colours_of(image: pyvips.Image) -> int:
    """Channels without alpha."""
    bands: int = image.bands - (1 if image.hasalpha() else 0)
    return bands


def _without_its_own(space: str, name: str, configured: Path | None) -> tuple[Profile, str]:
    known = _from_config(configured) if configured else None
    if known and known.device_class == "prtr":
        raise Held(
            f"the profile {known.description} in [scanner] is that of a printer",
            remedy="name a scanner or working-space profile there; a paper's profile belongs into [paper.NAME]",
        )
    if known and known.colour_space == space:
        return known, "config"
    if space == "GRAY":
        return grey(), "assumed grey with the sRGB curve"
    if known:
        raise Held(
            f"the profile {known.description} in [scanner] is for {known.colour_space}, and {name} is {space}",
            remedy="name a scanner or working-space profile for RGB",
        )
    return srgb(), "assumed sRGB"


def _from_config(path: Path) -> Profile:
    try:
        return load_profile(path)
    except ProfileError as fault:
        raise Held(fault.what, remedy="put the file right, or change `profile` in [scanner]") from fault


def _checked(data: bytes, name: str, image: pyvips.Image) -> Profile:
    try:
        profile = read_profile(data, name)
    except ProfileError as fault:
        raise Held(fault.what, remedy=fault.remedy or "save the scan again, or without a profile") from fault
    if profile.bands != colours_of(image) or profile.colour_space == "Lab":
        raise Held(
            f"{name} has {colours_of(image)} channels, but its profile describes {profile.colour_space}",
            remedy="save it with a profile that fits, or without one",
        )
    if profile.device_class == "prtr" and profile.colour_space != "CMYK":  # CMYK is always made by somebody's profile
        raise Held(
            f"{name} is in the colours of a printer already ({profile.description}); made ready for printing, it would "
            "be converted a second time, and come out shifted and with a cast",
            remedy="take the scan as the scanner wrote it, or save it as sRGB",
        )
    return profile

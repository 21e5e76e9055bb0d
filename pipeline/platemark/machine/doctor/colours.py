"""Profiles and the lettering font: there, whole, and of use."""

import base64
import hashlib
from collections.abc import Iterator
from importlib import metadata

from PIL import ImageFont

from platemark.flow.profile_shelf import shelf_of
from platemark.machine.doctor.check import Check
from platemark.machine.subject import Subject
from platemark.pixels.profiles import ProfileError, load_profile

FONT = "font-source-serif-pro"
_AGAIN = "get it again from the maker of the paper, or name another"


def profiles(subject: Subject) -> Iterator[Check]:
    """Those that the config names, and those that lie in the studio's folder for them."""
    found = 0
    for who, file in subject.profiles.items():
        try:
            load_profile(file)
            found += 1
        except ProfileError as fault:
            yield Check(f"profile of {who}", "bad", fault.what, fault.remedy or _AGAIN)
    named = {file.absolute() for file in subject.profiles.values()}
    for entry in shelf_of(subject.file.absolute().parent):
        if entry.place is not None and entry.place.absolute() in named:
            continue
        if entry.profile is None:
            place = entry.place.name if entry.place else "built-in"
            yield Check(f"profile {place}", "note", entry.why, "nothing uses it; take it away, or get it again")
        found += entry.profile is not None
    yield Check("profiles", "good", f"{found} profiles can be used, those that come with platemark included")


def font() -> Iterator[Check]:
    """The font of the lettering: byte for byte what was installed, or lettering could not be made again."""
    again = f"install it anew: pip install --force-reinstall {FONT}"
    try:
        package = metadata.distribution(FONT)
    except metadata.PackageNotFoundError:
        yield Check("lettering font", "bad", f"the package {FONT} is not installed", again)
        return
    letters = [file for file in package.files or [] if file.suffix == ".ttf"]
    broken = [file.name for file in letters if not _is_whole(file)]
    if broken or not letters:
        what = f"{', '.join(broken)} is missing or changed" if broken else f"the package {FONT} holds no font"
        yield Check("lettering font", "bad", what, again)
    else:
        yield Check("lettering font", "good", f"{FONT} {package.version}, as it was installed")


def _is_whole(file: metadata.PackagePath) -> bool:
    """True when it opens and has the hash that was noted when it was installed (PEP 376, base64 without padding)."""
    try:
        data = file.read_binary()
        ImageFont.truetype(str(file.locate()), 12)
    except OSError:
        return False
    if file.hash is None:
        return True
    digest = hashlib.new(file.hash.mode, data).digest()
    return base64.urlsafe_b64encode(digest).rstrip(b"=").decode() == file.hash.value

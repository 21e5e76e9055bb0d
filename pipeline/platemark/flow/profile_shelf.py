"""The shelf of profiles: the folder `profiles` of a studio, listed without trust, and added to with care."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from platemark.errors import PlatemarkError
from platemark.pixels.profile_facts import facts_of
from platemark.pixels.profiles import Profile, ProfileError, built_in, load_profile
from platemark.records.disk import make_folder
from platemark.records.store import write_whole

SHELF = "profiles"
_ENDINGS = {".icc", ".icm"}


@dataclass(frozen=True)
class OnShelf:
    """One profile, or why it is none.

    Attributes:
        place: its file, or None of a built-in one.
        profile: None where it cannot be used.
        why: then the reason and what to do.
    """

    place: Path | None
    profile: Profile | None
    why: str = ""


def shelf_of(studio: Path) -> Iterator[OnShelf]:
    """The built-in profiles, then those in the studio's folder in the order of their names; a bad one stops none."""
    for profile in built_in():
        yield OnShelf(None, profile)
    folder = studio / SHELF
    if folder.is_dir():
        for path in sorted(path for path in folder.iterdir() if path.suffix.lower() in _ENDINGS and path.is_file()):
            try:
                profile = load_profile(path)
                _check_is_of_use(profile, path.name)
                yield OnShelf(path, profile)
            except ProfileError as fault:
                yield OnShelf(path, None, str(fault))


def add_profile(file: Path, studio: Path) -> tuple[Path, Profile]:
    """Copy a profile onto the shelf.

    Returns:
        Where it is now, and what it is.

    Raises:
        ProfileError: it is broken, or of a class or colour space that no scan or print has.
        PlatemarkError: another profile has its name already.
        StoreError: the folder cannot be written.
    """
    profile = load_profile(file)
    _check_is_of_use(profile, file.name)
    ending = file.suffix.lower() if file.suffix.lower() in _ENDINGS else ".icc"
    target = studio / SHELF / f"{file.stem}{ending}"
    make_folder(target.parent, remedy="name the studio's config with --config")
    try:
        write_whole(target, profile.data, step="profile")
    except FileExistsError as fault:
        if target.is_file() and target.read_bytes() == profile.data:
            return target, profile
        raise PlatemarkError(
            f"{target} is there already and is another profile", remedy="it was left as it is; rename yours first"
        ) from fault
    return target, profile


def _check_is_of_use(profile: Profile, name: str) -> None:
    if profile.colour_space == "Lab":
        raise ProfileError(
            f"the profile of {name} describes Lab colours, which no scanner or printer makes",
            remedy="use a profile for RGB, grey or CMYK",
        )
    if profile.device_class == "prtr" and not facts_of(profile).prints:
        raise ProfileError(
            f"the profile of {name} is of class prtr, but has no table into the printer's colours",
            remedy="get the whole profile from the maker of the paper",
        )

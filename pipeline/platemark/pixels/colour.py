"""Colour: from one profile's space to another, by lcms2 at 16 bits; and how far two colours differ."""

import atexit
import shutil
import tempfile
import threading
from functools import lru_cache
from pathlib import Path
from typing import Literal

import numpy as np
import pyvips
from numpy.typing import NDArray

from platemark.pixels.ciede2000 import ciede2000
from platemark.pixels.profiles import Profile, srgb

_writing = threading.Lock()

Intent = Literal["perceptual", "relative", "saturation", "absolute"]
_STRIP = 128  # rows: some 30 MB of working numbers across A4 at 600 ppi
_INTERPRETATIONS = {"RGB": "rgb16", "GRAY": "grey16", "CMYK": "cmyk", "Lab": "labs"}


def convert(
    image: pyvips.Image,
    source: Profile,
    target: Profile,
    *,
    intent: Intent = "relative",
    black_point: bool = True,
) -> pyvips.Image:
    """Pixels of one profile's space in another's.

    Args:
        image: `ushort`, in the space of `source`.
        source: the profile of `image`.
        target: the profile to reach.
        intent: rendering intent of ICC.1.
        black_point: black point compensation (ISO 18619).

    Returns:
        `ushort` in the space of `target`, lazy.
    """
    if source.sha256 == target.sha256:
        return image
    converted = image.copy(interpretation=_INTERPRETATIONS[source.colour_space]).icc_transform(
        str(profile_file(target)),
        input_profile=str(profile_file(source)),
        embedded=False,
        intent=intent,
        black_point_compensation=black_point,
        depth=16,
    )
    return converted.copy(interpretation=_INTERPRETATIONS[target.colour_space])


def to_lab(image: pyvips.Image, profile: Profile) -> pyvips.Image:
    """CIELAB of 16-bit pixels: float, L* 0 to 100, white point D50, media-relative.

    For measuring only: float pixels never reach a file.
    """
    tagged = image.copy(interpretation=_INTERPRETATIONS[profile.colour_space])
    return tagged.icc_import(input_profile=str(profile_file(profile)), embedded=False, intent="relative", pcs="lab")


def from_lab(image: pyvips.Image, target: Profile) -> pyvips.Image:
    """CIELAB in a profile's space, media-relative and lazy; colours out of its reach go to its edge.

    Args:
        image: float, L* 0 to 100, white point D50; from a table, so that no step before this one can round otherwise.
        target: the profile to reach.

    Returns:
        `ushort` in the space of `target`.
    """
    converted = image.copy(interpretation="lab").icc_export(
        output_profile=str(profile_file(target)), intent="relative", pcs="lab", depth=16
    )
    return converted.copy(interpretation=_INTERPRETATIONS[target.colour_space])


def to_lab_array(image: pyvips.Image, profile: Profile) -> NDArray[np.float32]:
    """As `to_lab`, as an array of shape (rows, columns, 3)."""
    return _strip(to_lab(image, profile))


def colour_difference(a: NDArray[np.floating], b: NDArray[np.floating]) -> NDArray[np.float32]:
    """CIEDE2000 between two CIELAB arrays, worked in their precision.

    Args:
        a: shape (rows, columns, 3), white point D50.
        b: as `a`.

    Returns:
        Shape (rows, columns).

    Source:
        As `ciede2000`.
    """
    return ciede2000(a, b).astype(np.float32, copy=False)


def difference(a: pyvips.Image, b: pyvips.Image) -> pyvips.Image:
    """CIEDE2000 between two CIELAB images of one size, one float band; a strip at a time, to be small in memory."""
    strips = [
        colour_difference(*(_strip(image.crop(0, top, a.width, min(_STRIP, a.height - top))) for image in (a, b)))
        for top in range(0, a.height, _STRIP)
    ]
    return pyvips.Image.new_from_memory(np.concatenate(strips).data, a.width, a.height, 1, "float")


def _strip(lab: pyvips.Image) -> NDArray[np.float32]:
    return np.frombuffer(lab.write_to_memory(), np.float32).reshape(lab.height, lab.width, 3)


def paint(sixteen_bit_srgb: tuple[int, int, int], profile: Profile) -> tuple[int, ...]:
    """One sRGB colour in another profile's space; white is bare paper exactly.

    Args:
        sixteen_bit_srgb: red, green, blue, 0 to 65535.
        profile: whose space.
    """
    if sixteen_bit_srgb == (65535, 65535, 65535):
        return profile.blank
    if sixteen_bit_srgb == (0, 0, 0) and profile.colour_space == "CMYK":
        return (0, 0, 0, 65535)  # thin lines in one ink only stay sharp
    dot = pyvips.Image.new_from_memory(np.array(sixteen_bit_srgb, np.uint16).data, 1, 1, 3, "ushort")
    return tuple(int(value) for value in convert(dot, srgb(), profile)(0, 0))


def profile_file(profile: Profile) -> Path:
    """A file that holds the profile: lcms2 is given profiles by name. Lives as long as the process."""
    with _writing:  # another thread must not meet half of it
        path = _folder() / f"{profile.sha256}.icc"
        if not path.exists():
            path.write_bytes(profile.data)
    return path


@lru_cache(maxsize=1)
def _folder() -> Path:
    folder = Path(tempfile.mkdtemp(prefix="platemark-profiles-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder

"""What a profile says of itself, in words: its class, what it can do, its white, its black, its gamut."""

from dataclasses import dataclass
from functools import cache
from itertools import product

import numpy as np
import pyvips
from numpy.typing import NDArray

from platemark.pixels.cielab import D50, lab_of_xyz
from platemark.pixels.colour import to_lab_array
from platemark.pixels.profiles import Profile, tags_of

Lab = NDArray[np.float32]

CLASSES = {"scnr": "scanner", "mntr": "screen or working space", "prtr": "printer", "spac": "working space"}
_TABLES = {"0": "perceptual", "1": "relative", "2": "saturation"}
_MATRIX = {"rTRC", "gTRC", "bTRC", "rXYZ", "gXYZ", "bXYZ"}
_STEPS = 65  # along each edge of the device's cube: each five degrees of hue then hold hundreds of its colours


@dataclass(frozen=True)
class Facts:
    """What is told of a profile.

    Attributes:
        name: the name it gives itself.
        kind: its class in words.
        space: RGB, grey or CMYK.
        version: of ICC.1, such as "2.4".
        intents: how it can be read: "matrix", or the intents that have a table of their own.
        prints: the intents by which colours can be brought into it; none means that it only reads.
        black: CIELAB of its darkest colour, media-relative.
        media_white: CIELAB (D50) of the white it was measured on; 100, 0, 0 where that is not said.
    """

    name: str
    kind: str
    space: str
    version: str
    intents: tuple[str, ...]
    prints: tuple[str, ...]
    black: tuple[float, float, float]
    media_white: tuple[float, float, float]


def facts_of(profile: Profile) -> Facts:
    """Look into a profile that opened.

    Source:
        ICC.1 clause 7.2 (version: byte 8 and the upper half of byte 9), clause 9 (A2B and B2A tags).
    """
    names = {name for name, _, _ in tags_of(profile.data)}
    plain = ("matrix",) if names >= _MATRIX else ("curve",) if "kTRC" in names else ()
    return Facts(
        name=profile.description,
        kind=CLASSES.get(profile.device_class, profile.device_class),
        space={"GRAY": "grey"}.get(profile.colour_space, profile.colour_space),
        version=f"{profile.data[8]}.{profile.data[9] >> 4}",
        intents=plain + _with_table(names, "A2B"),
        prints=plain + _with_table(names, "B2A"),
        black=_black(profile),
        media_white=_media_white(profile),
    )


def outline(profile: Profile) -> NDArray[np.float64]:
    """The outline of its gamut seen from above: a* and b* of the most colourful it has in each hue.

    Returns:
        Shape (72, 2): every five degrees, in the order of hue.
    """
    lab = _lab_of(profile, _surface(profile.bands)).astype(float)
    hue, chroma = np.degrees(np.arctan2(lab[:, 2], lab[:, 1])) % 360, np.hypot(lab[:, 1], lab[:, 2])
    sector = (hue // 5).astype(int)
    most = np.zeros(72)
    np.maximum.at(most, sector, chroma)
    angle = np.radians(np.arange(72) * 5 + 2.5)
    return np.stack([most * np.cos(angle), most * np.sin(angle)], axis=1)


def _with_table(names: set[str], kind: str) -> tuple[str, ...]:
    return tuple(words for number, words in _TABLES.items() if kind + number in names)


def _black(profile: Profile) -> tuple[float, float, float]:
    dark = 65535 if profile.colour_space == "CMYK" else 0
    return _three(_lab_of(profile, np.full((1, profile.bands), dark, np.uint16))[0])


def _media_white(profile: Profile) -> tuple[float, float, float]:
    """Of the `wtpt` tag. Source: ICC.1 clause 9.2.36."""
    at = next((start for name, start, length in tags_of(profile.data) if name == "wtpt" and length >= 20), None)
    if at is None or profile.device_class != "prtr":  # of screens it tells the lamp, not a paper
        return (100.0, 0.0, 0.0)
    share = np.frombuffer(profile.data, ">i4", 3, at + 8) / 65536 / D50
    return _three(lab_of_xyz(share))


def _three(values: NDArray[np.floating]) -> tuple[float, float, float]:
    lightness, a, b = (round(float(value), 1) + 0.0 for value in values)
    return lightness, a, b


def _lab_of(profile: Profile, codes: NDArray[np.uint16]) -> Lab:
    image = pyvips.Image.new_from_memory(codes.tobytes(), len(codes), 1, codes.shape[1], "ushort")
    return to_lab_array(image, profile).reshape(-1, 3)


@cache
def _surface(bands: int) -> NDArray[np.uint16]:
    """Device values all over the sides of the cube; of inks without black, which only takes colour away."""
    steps = np.rint(np.linspace(0, 65535, _STEPS)).astype(np.uint16)
    if bands == 1:
        return steps[:, None]
    square = np.array(list(product(steps, repeat=2)))
    sides = [np.insert(square, axis, end, axis=1) for axis in range(3) for end in (0, 65535)]
    codes = np.concatenate(sides)
    return np.insert(codes, 3, 0, axis=1) if bands == 4 else codes

"""Small controlled changes of colour, in CIELAB: lighter, warmer, more saturated. Lazy, in whole numbers."""

import numpy as np
import pyvips
from numpy.typing import NDArray

from platemark.pixels.colour import from_lab, to_lab
from platemark.pixels.picture import Picture

# Steps of a unit of CIELAB: 65536 of them are the reach of a* and b*, and their products stay below 2 to the 24th,
# which a float holds exactly.
_STEPS = 512
# Changes run out over so many units of L* towards white and black: bare paper stays bare, and black stays black.
_RUNNING_OUT = 20


def recoloured(picture: Picture, *, lightness: float = 0.0, warmth: float = 0.0, saturation: float = 0.0) -> Picture:
    """The picture with its colours moved a little; white, black and neutral greys under `saturation` stay.

    Args:
        picture: in the colours of a scanner, a screen or a working space.
        lightness: units of L* that middle tones get lighter, -12 to 12.
        warmth: units of b* that middle tones get yellower, -12 to 12; of no effect on a grey picture.
        saturation: per cent of chroma that are added, -50 to 50.

    Returns:
        The picture, in its profile; colours that leave its reach go to the edge of it.
    """
    if not (lightness or warmth or saturation):
        return picture
    lab = (to_lab(picture.pixels(), picture.profile) * _STEPS + 0.5).floor()
    light = lab[0].cast("ushort")
    moved = [
        light.maplut(_table(_at_lightness() + _share() * lightness * _STEPS, "ushort")),
        _more(lab[1], saturation),
        _more(lab[2], saturation) + light.maplut(_table(_share() * warmth * _STEPS, "short")),
    ]
    joined = moved[0].cast("float").bandjoin([band.cast("float") for band in moved[1:]]) * (1 / _STEPS)
    return picture.with_pixels(from_lab(joined, picture.profile))


def _more(band: pyvips.Image, per_cent: float) -> pyvips.Image:
    return (band * (100 + round(per_cent)) * 0.01 + 0.5).floor() if per_cent else band


def _at_lightness() -> NDArray[np.float64]:
    return np.arange(65536, dtype=np.float64)


def _share() -> NDArray[np.float64]:
    """How much of a change each lightness gets."""
    light = _at_lightness() / _STEPS
    return np.clip(np.minimum(light, 100 - light) / _RUNNING_OUT, 0, 1)


def _table(values: NDArray[np.float64], kind: str) -> pyvips.Image:
    number = np.uint16 if kind == "ushort" else np.int16
    return pyvips.Image.new_from_memory(np.rint(values.clip(*_reach(number))).astype(number).data, 65536, 1, 1, kind)


def _reach(number: type[np.integer]) -> tuple[int, int]:
    about = np.iinfo(number)
    return int(about.min), int(about.max)

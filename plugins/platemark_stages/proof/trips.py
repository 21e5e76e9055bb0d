"""The way of a sample of the picture's colours to the paper, by both intents, and how far it moved them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from platemark import Picture, Profile, colour_difference, srgb

Lab = NDArray[np.float32]
Apart = NDArray[np.float32]
Codes = NDArray[np.uint16]
Intent = Literal["perceptual", "relative"]

INTENTS: tuple[Intent, ...] = ("relative", "perceptual")
# Of a hundred thousand pixels shares are known to two tenths of a per cent, in some hundredths of a second.
_SAMPLE_PIXELS = 100_000


@dataclass(frozen=True)
class Trip:
    """Where one intent brings the colours.

    Attributes:
        codes: the print in the printer's space, shape (rows, columns, channels).
        lab: CIELAB of the print, shape (rows, columns, 3), media-relative.
        apart: CIEDE2000 from the original, shape (rows, columns).
    """

    codes: Codes
    lab: Lab
    apart: Apart


@dataclass(frozen=True)
class Trips:
    """A sample of the picture before and after.

    Attributes:
        sample: pixels of the picture at even steps.
        profile: of printer and paper.
        before: CIELAB, shape (rows, columns, 3), media-relative.
        by_intent: what becomes of it.
        beyond: by how much the paper misses each colour: CIEDE2000 after a relative colorimetric trip without black
            point compensation, which leaves every colour alone that the paper has, and brings others to its edge.
        black: L* of the darkest that the paper has.
    """

    sample: Picture
    profile: Profile
    before: Lab
    by_intent: Mapping[Intent, Trip]
    beyond: Apart
    black: float


def sampled(picture: Picture, profile: Profile, *, black_point: bool) -> Trips:
    """Send a sample of the pixels to the paper and look at what comes back.

    Source:
        ICC.1 clause 9.2: A2B1 (colorimetric) tells what is printed, after B2A0 or B2A1; the darkest of a paper by the
        round trip of black, ISO 18619.
    """
    pixels = picture.array()
    step = max(1, round((pixels.shape[0] * pixels.shape[1] / _SAMPLE_PIXELS) ** 0.5))
    sample = picture.with_array(pixels[::step, ::step])
    before = lab_of(sample)
    codes = [printed(sample, profile, intent, black_point=black_point).array() for intent in INTENTS]
    *labs, edge = _labs_of(sample, [*codes, _to_the_edge(sample, profile)], profile)
    trips = [Trip(code, lab, colour_difference(before, lab)) for code, lab in zip(codes, labs, strict=True)]
    by_intent = dict(zip(INTENTS, trips, strict=True))
    beyond = colour_difference(before, edge[:-1])
    return Trips(sample, profile, before, by_intent, beyond, float(edge[-1, 0, 0]))


def printed(picture: Picture, profile: Profile, intent: Intent, *, black_point: bool) -> Picture:
    """The picture in the printer's space."""
    return picture.converted(profile, intent, black_point=black_point)


def lab_of(picture: Picture) -> Lab:
    """CIELAB of a picture in colour or grey, media-relative."""
    return (picture.converted(srgb()) if picture.profile.colour_space == "GRAY" else picture).lab()


def _to_the_edge(sample: Picture, profile: Profile) -> Codes:
    """The relative colorimetric way to the printer, in a last row that of black.

    Black goes along in a row of its own: building a conversion takes longer than converting some thousand pixels.
    """
    pixels = sample.array()
    with_black = sample.with_array(np.concatenate([pixels, np.zeros_like(pixels[:1])]))
    return printed(with_black, profile, "relative", black_point=False).array()


def _labs_of(sample: Picture, codes: Sequence[Codes], profile: Profile) -> list[Lab]:
    """CIELAB of several pictures in the printer's space, in one conversion for the same reason."""
    lab = lab_of(sample.with_array(np.concatenate(codes), profile))
    return np.split(lab, np.cumsum([len(code) for code in codes])[:-1])

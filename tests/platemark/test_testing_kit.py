"""The kit finds every breach of the contract, one broken stage per clause."""

# ruff: noqa: ARG002 - small stages, written as a stranger writes them

import os
from collections.abc import Mapping
from dataclasses import replace
from itertools import count

import numpy as np
import pytest

from platemark import Encoder, Job, Parameters, Picture, Settings, Stage
from platemark.testing import check_stage, gradient_picture, job_for, measure_and_apply, picture_of

COUNT = count()


class Level(Parameters):
    level: int = 0
    found: object = None


class Good(Stage[Settings, Level]):
    """Inverts the picture; the others break one clause each."""

    name = "good"

    def measure(self, picture: Picture, settings: Settings, job: Job) -> Level:
        return Level(level=65535)

    def apply(self, picture: Picture, parameters: Level) -> Picture:
        return picture.with_array(np.uint16(parameters.level) - picture.array())


class LoudName(Good):
    name = "LOUD"


class NoDefault(Settings):
    strength: int


class AsksTooMuch(Stage[NoDefault, Level]):
    name = "asks"
    measure = Good.measure  # type: ignore[assignment]
    apply = Good.apply


class MeasuresNothing(Good):
    def measure(self, picture: Picture, settings: Settings, job: Job) -> Level:
        return None  # type: ignore[return-value]


class NotForToml(Good):
    def measure(self, picture: Picture, settings: Settings, job: Job) -> Level:
        return Level(found=(1, 2))


class Wavers(Good):
    def measure(self, picture: Picture, settings: Settings, job: Job) -> Level:
        return Level(level=next(COUNT))


class Random(Good):
    def apply(self, picture: Picture, parameters: Level) -> Picture:
        return picture.with_array(picture.array() ^ np.uint16(int.from_bytes(os.urandom(2), "big")))


class Remembers(Good):
    def measure(self, picture: Picture, settings: Settings, job: Job) -> Level:
        picture.remember("secret", lambda: 7)
        return Level()

    def apply(self, picture: Picture, parameters: Level) -> Picture:
        return picture.with_array(picture.array() + np.uint16(picture.remember("secret", lambda: 0)))


class EightBits(Good):
    def apply(self, picture: Picture, parameters: Level) -> Picture:
        small = (picture.pixels() / 257).cast("uchar")
        return replace(picture, open=lambda: small)


class NoProfile(Good):
    def apply(self, picture: Picture, parameters: Level) -> Picture:
        return replace(picture, profile=None)  # type: ignore[arg-type]


class NoPicture(Good):
    def apply(self, picture: Picture, parameters: Level) -> Picture:
        return picture.array()  # type: ignore[return-value]


class NoResolution(Good):
    def apply(self, picture: Picture, parameters: Level) -> Picture:
        return picture.with_ppi(0)


class OneBand(Good):
    def apply(self, picture: Picture, parameters: Level) -> Picture:
        single = picture.pixels()[0]
        return replace(picture, open=lambda: single)


class RandomBeside(Good):
    def companions(self, before: Picture, after: Picture, parameters: Level) -> Mapping[str, bytes]:
        return {"note.txt": os.urandom(4)}


class RandomFile(Encoder[Settings, Level]):
    name = "random-file"
    suffix = ".bin"

    def measure(self, picture: Picture, settings: Settings, job: Job) -> Level:
        return Level()

    def encode(self, picture: Picture, parameters: Level) -> bytes:
        return os.urandom(8)

    def about(self, parameters: Level) -> dict[str, str | int | float]:
        return {}


def test_a_stage_that_keeps_the_contract_passes() -> None:
    check_stage(Good)


@pytest.mark.parametrize(
    ("kind", "clause"),
    [
        (LoudName, "lower-case"),
        (AsksTooMuch, "needs a default: strength"),
        (MeasuresNothing, "measure gave NoneType"),
        (NotForToml, "do not survive TOML"),
        (Wavers, "decides otherwise the second time"),
        (Random, "another thing from the same parameters"),
        (Remembers, "another thing from the same parameters"),
        (RandomBeside, "another thing from the same parameters"),
        (RandomFile, "another thing from the same parameters"),
        (EightBits, "did not keep 16 bits"),
        (OneBand, "do not fit the profile"),
        (NoProfile, "profile was lost"),
        (NoPicture, "gave ndarray, not a Picture"),
        (NoResolution, "resolution was lost"),
    ],
)
def test_a_breach_is_found_and_named(kind: type[Stage], clause: str) -> None:
    with pytest.raises(AssertionError, match=clause):
        check_stage(kind)


def test_a_stage_that_paints_over_the_picture_it_was_given_is_found() -> None:
    array = np.zeros((4, 5, 3), np.uint16)

    class Paints(Good):
        def apply(self, picture: Picture, parameters: Level) -> Picture:
            array[:] = 9
            return picture

    picture = picture_of(array)
    shared = replace(picture, open=lambda: picture_of(array).pixels())
    with pytest.raises(AssertionError, match="changed the picture"):
        check_stage(Paints, shared)


def test_the_picture_of_the_kit_is_truly_16_bits() -> None:
    # Widened 8-bit pixels are multiples of 257; these are mostly not.
    assert np.mean(gradient_picture().array() % 257 != 0) > 0.9


def test_the_kit_lays_out_a_print_as_the_config_does() -> None:
    # A6 at 300 ppi, tests/data/reference/pixel_sizes.csv.
    assert job_for(sheet="A6", border="5 mm").lay_out(2, 3).file == (1240, 1748)


def test_both_halves_run_in_one_call() -> None:
    picture = gradient_picture()
    parameters, after = measure_and_apply(Good, picture)
    assert parameters == Level(level=65535)
    assert np.array_equal(after.array(), 65535 - picture.array())

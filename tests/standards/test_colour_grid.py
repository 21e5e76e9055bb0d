"""A full grid of colours against lcms2 called through another library: 2 of 65535 apart for matrices, 16 for tables."""

import imagecodecs
import numpy as np
import pytest
import pyvips
from numpy.typing import NDArray

from platemark.face.demo.devices import paper_profile
from platemark.pixels.colour import convert
from platemark.pixels.icc_writer import table_profile
from platemark.pixels.profiles import Profile, grey, oprgb, read_profile, romm, srgb

MATRIX, TABLE = 2, 16
# Primaries and whites as the standards print them, x and y: IEC 61966-2-5, ISO 22028-2.
OPRGB = ((0.64, 0.33), (0.21, 0.71), (0.15, 0.06), (0.3127, 0.3290))
ROMM = ((0.7347, 0.2653), (0.1596, 0.8404), (0.0366, 0.0001), (0.3457, 0.3585))


def grid(steps: int) -> NDArray[np.uint16]:
    """Every combination of `steps` values a channel, ends included; off the 33 nodes of lcms2's own tables."""
    values = np.rint(np.linspace(0, 65535, steps)).astype(np.uint16)
    return np.stack(np.meshgrid(values, values, values, indexing="ij"), axis=-1).reshape(steps, -1, 3)


def ours(pixels: NDArray[np.uint16], source: Profile, target: Profile, intent: str) -> NDArray[np.int64]:
    image = pyvips.Image.new_from_memory(pixels.tobytes(), pixels.shape[1], pixels.shape[0], 3, "ushort")
    return convert(image, source, target, intent=intent, black_point=False).numpy().astype(np.int64)  # type: ignore[arg-type]


def elsewhere(pixels: NDArray[np.uint16], source: Profile, target: Profile, intent: int) -> NDArray[np.int64]:
    made = imagecodecs.cms_transform(
        pixels, source.data, target.data, colorspace="rgb", outcolorspace="rgb", intent=intent, flags=0
    )
    return made.astype(np.int64)


def scanner_with_a_table() -> Profile:
    """A scanner whose table bends colours smoothly: sensors of power 2, a twist of the hues."""
    light = np.linspace(0, 1, 17)
    r, g, b = np.meshgrid(light, light, light, indexing="ij")
    lightness = 100 * (0.3 * r + 0.6 * g + 0.1 * b)
    lab = np.stack([lightness, 90 * (r - g) + 6 * np.sin(3 * b), 70 * (g - b) + 6 * np.sin(3 * r)], axis=-1)
    entry = np.linspace(0, 1, 256) ** 0.9
    return read_profile(table_profile("a table", b"scnr", [entry] * 3, lab), "a table")


@pytest.mark.parametrize(("intent", "number"), [("perceptual", 0), ("relative", 1), ("absolute", 3)])
@pytest.mark.parametrize("pair", ["sRGB to opRGB", "opRGB to sRGB", "ROMM to sRGB", "sRGB to ROMM"])
def test_matrices_agree(pair: str, intent: str, number: int) -> None:
    known = {"sRGB": srgb(), "opRGB": oprgb(), "ROMM": romm()}
    source, target = (known[name] for name in pair.split(" to "))
    pixels = grid(25)
    assert np.abs(ours(pixels, source, target, intent) - elsewhere(pixels, source, target, number)).max() <= MATRIX


@pytest.mark.parametrize("target", ["sRGB", "ROMM"])
def test_tables_agree(target: str) -> None:
    known = {"sRGB": srgb(), "ROMM": romm()}
    pixels, source = grid(25), scanner_with_a_table()
    apart = np.abs(ours(pixels, source, known[target], "relative") - elsewhere(pixels, source, known[target], 1))
    assert apart.max() <= TABLE


@pytest.mark.parametrize(("intent", "number"), [("perceptual", 0), ("relative", 1)])
def test_the_tables_of_a_printer_agree_there_and_back(intent: str, number: int) -> None:
    pixels, paper = grid(25), read_profile(paper_profile(), "the paper of the demo")
    for source, target in [(srgb(), paper), (paper, srgb())]:
        apart = np.abs(ours(pixels, source, target, intent) - elsewhere(pixels, source, target, number))
        assert apart.max() <= TABLE


@pytest.mark.parametrize(("profile", "primaries"), [(oprgb(), OPRGB), (romm(), ROMM)], ids=["opRGB", "ROMM"])
def test_the_primaries_are_those_of_the_standard(profile: Profile, primaries: tuple[tuple[float, float], ...]) -> None:
    # By the published way backwards: XYZ from the tags, the white of ICC carried to the standard's by Bradford's cones.
    at = [profile.data.index(name, 128) for name in (b"rXYZ", b"gXYZ", b"bXYZ")]
    starts = [int.from_bytes(profile.data[i + 4 : i + 8], "big") + 8 for i in at]
    tags = np.array([np.frombuffer(profile.data, ">i4", 3, start) / 65536 for start in starts])
    cones = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
    x, y = primaries[3]
    gain = (cones @ [x / y, 1, (1 - x - y) / y]) / (cones @ [0.9642, 1, 0.8249])
    there = tags @ (np.linalg.inv(cones) @ np.diag(gain) @ cones).T
    # XYZ has steps of 1/65536, and the blue of ROMM hardly any Y: its chromaticity is known to three digits.
    assert there[:, :2] / there.sum(axis=1, keepdims=True) == pytest.approx(np.array(primaries[:3]), abs=2e-4)


@pytest.mark.parametrize(
    ("profile", "code", "light"),
    # IEC 61966-2-5: power 563/256. ISO 22028-2: power 1.8, below 1/512 of light sixteen times.
    [(oprgb(), 0.5, 0.5 ** (563 / 256)), (romm(), 0.5, 0.5**1.8), (romm(), 0.02, 0.02 / 16), (romm(), 0.2, 0.2**1.8)],
)
def test_a_grey_has_the_light_that_its_curve_says(profile: Profile, code: float, light: float) -> None:
    pixel = np.full((1, 1, 3), round(code * 65535), np.uint16)
    linear = ours(pixel, profile, grey_linear(), "relative").ravel()[0] / 65535
    # lcms2 makes a table of 33 steps of all this, straight between them.
    assert linear == pytest.approx(light, abs=5e-4)


def grey_linear() -> Profile:
    """The built-in sRGB profile with straight curves: what comes out is light."""
    data = srgb().data
    at = data.index(b"rTRC", 128)
    start = int.from_bytes(data[at + 4 : at + 8], "big") + 12
    straight = np.rint(np.linspace(0, 65535, 1024)).astype(">u2").tobytes()
    return read_profile(data[:start] + straight + data[start + 2048 :], "straight curves")


def test_grey_is_written_and_read_alike() -> None:
    assert grey().colour_space == "GRAY"
    assert oprgb().description == "opRGB (platemark)"
    assert romm().description == "ROMM RGB (platemark)"

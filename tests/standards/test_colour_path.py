"""The way of a colour, against lcms2 called through another library, and against the numbers of the standards."""

import io
import struct

import imagecodecs
import numpy as np
import pytest
import pyvips
from numpy.typing import NDArray
from PIL import Image, ImageCms

from platemark.pixels.colour import Intent, convert, to_lab_array
from platemark.pixels.profiles import Profile, grey, read_profile, srgb

# ICC.1: rendering intents as numbers in a profile's head.
INTENTS: dict[Intent, int] = {"perceptual": 0, "relative": 1, "saturation": 2, "absolute": 3}

# IEC 61966-2-1:1999, as given in the CSS Color 4 sample code: linear light of 8-bit values.
DECODED = {0: 0.0, 1: 0.000303527, 10: 0.00303527, 11: 0.003346536, 32: 0.014443844, 64: 0.051269458, 118: 0.181164244,
           128: 0.2158605, 186: 0.49102085, 192: 0.527115126, 243: 0.896269353, 254: 0.991102097, 255: 1.0}  # fmt: skip
# Its primaries carried to the ICC white by the Bradford transform.
COLORANTS = {
    b"rXYZ": (0.43604125, 0.22248454, 0.01392019),
    b"gXYZ": (0.38511291, 0.71690508, 0.09706724),
    b"bXYZ": (0.14304584, 0.06061038, 0.71391257),
}
# CIELAB (D50) of sRGB colours, by the formulas of CSS Color 4, which prints lab(44.36 36.05 -58.99) for the last.
LAB = {"ffffff": (100, 0, 0), "ff0000": (54.291, 80.805, 69.891), "00ff00": (87.819, -79.271, 80.995),
       "0000ff": (29.568, 68.287, -112.03), "00ffff": (90.666, -50.657, -14.962), "ff00ff": (60.169, 93.54, -60.501),
       "ffff00": (97.607, -15.75, 93.394), "808080": (53.585, 0, 0), "c0c0c0": (77.704, 0, 0),
       "bc8f8f": (63.791, 17.555, 6.958), "7654cd": (44.358, 36.048, -58.986)}  # fmt: skip


def tag(profile: Profile, signature: bytes) -> bytes:
    """The data of one tag. Source: ICC.1 clause 7.3."""
    at = profile.data.index(signature, 128)
    start, size = struct.unpack(">II", profile.data[at + 4 : at + 12])
    return profile.data[start : start + size]


def wide() -> Profile:
    """A working space with other primaries and a plain 2.2 curve: our sRGB profile with other numbers in it."""
    data = srgb().data
    for signature, xyz in {
        b"rXYZ": (0.6097, 0.3111, 0.0195),
        b"gXYZ": (0.2053, 0.6257, 0.0609),
        b"bXYZ": (0.1492, 0.0632, 0.7446),
    }.items():
        values = struct.pack(">3i", *(round(value * 65536) for value in xyz))
        data = data.replace(tag(srgb(), signature), b"XYZ " + bytes(4) + values)
    curve = np.rint(65535 * (np.arange(1024) / 1023) ** 2.2).astype(">u2").tobytes()
    return read_profile(data.replace(tag(srgb(), b"rTRC")[12:], curve), "a wide working space")


def noise(channels: int, bits: int = 16) -> NDArray[np.uint16]:
    random = np.random.Generator(np.random.PCG64(5))
    return random.integers(0, 2**bits, (60, 50, channels)).astype(np.uint16 if bits == 16 else np.uint8)


def ours(pixels: NDArray[np.uint16], source: Profile, target: Profile, **how: object) -> NDArray[np.int64]:
    image = pyvips.Image.new_from_memory(pixels.tobytes(), pixels.shape[1], pixels.shape[0], pixels.shape[2], "ushort")
    return convert(image, source, target, **how).numpy().astype(np.int64)  # type: ignore[arg-type]


@pytest.mark.parametrize("black_point", [True, False])
@pytest.mark.parametrize("intent", INTENTS)
@pytest.mark.parametrize("way", ["there", "back"])
def test_a_colour_comes_out_as_lcms2_makes_it_elsewhere(way: str, intent: Intent, *, black_point: bool) -> None:
    source, target = (srgb(), wide()) if way == "there" else (wide(), srgb())
    flags = imagecodecs.CMS.FLAGS.BLACKPOINTCOMPENSATION if black_point else 0
    reference = imagecodecs.cms_transform(
        noise(3), source.data, target.data, colorspace="rgb", outcolorspace="rgb", intent=INTENTS[intent], flags=flags
    )
    # One step of 65535, for two builds of lcms2 may round one way and the other.
    assert np.abs(ours(noise(3), source, target, intent=intent, black_point=black_point) - reference).max() <= 1


def test_a_grey_comes_out_as_lcms2_makes_it_elsewhere() -> None:
    reference = imagecodecs.cms_transform(
        noise(1)[:, :, 0], grey().data, wide().data, colorspace="gray", outcolorspace="rgb", intent=1,
        flags=imagecodecs.CMS.FLAGS.BLACKPOINTCOMPENSATION,
    )  # fmt: skip
    assert np.abs(ours(noise(1), grey(), wide()) - reference).max() <= 1


def test_an_8_bit_picture_comes_out_as_pillow_makes_it() -> None:
    pixels = noise(3, 8)
    transform = ImageCms.buildTransform(
        io.BytesIO(srgb().data), io.BytesIO(wide().data), "RGB", "RGB", ImageCms.Intent.RELATIVE_COLORIMETRIC,
        ImageCms.Flags.BLACKPOINTCOMPENSATION,
    )  # fmt: skip
    reference = np.asarray(ImageCms.applyTransform(Image.fromarray(pixels), transform)).astype(float)
    apart = np.abs(ours(pixels.astype(np.uint16) * 257, srgb(), wide()) / 257 - reference)
    # lcms2 has exact arithmetic for 8 bits and a table of 33 steps for 16. Where a channel is nearly empty, the steep
    # foot of the curve is between two of its steps; that is where the few large differences are.
    assert np.median(apart) < 0.5
    assert (apart > 1).mean() < 0.05


def test_an_ordinary_colour_comes_out_as_the_formulas_say() -> None:
    # Away from the edge of either space: sRGB decoded, to XYZ, to the other primaries, encoded.
    pixels = (noise(3).astype(float) * 0.45 + 18000).astype(np.uint16)
    code = pixels / 65535
    light = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    columns = [np.array([struct.unpack(">3i", tag(p, s)[8:20]) for s in COLORANTS]).T / 65536 for p in (srgb(), wide())]
    there = light @ (np.linalg.inv(columns[1]) @ columns[0]).T
    wanted = 65535 * there ** (1 / 2.2)
    # A tenth of an 8-bit step.
    assert np.abs(ours(pixels, srgb(), wide()) - wanted).max() < 26


@pytest.mark.parametrize(("code", "light"), DECODED.items())
def test_the_built_in_curve_is_that_of_the_standard(code: int, light: float) -> None:
    curve = tag(srgb(), b"rTRC")
    assert curve[:12] == b"curv" + bytes(4) + (1024).to_bytes(4, "big")
    points = np.frombuffer(curve[12:], ">u2") / 65535
    # Half a step of its 16 bits, and what a straight line between 1024 points leaves out of a curve: f''/8 of a square.
    assert np.interp(code / 255, np.arange(1024) / 1023, points) == pytest.approx(light, abs=1e-5)


@pytest.mark.parametrize("channel", [b"gTRC", b"bTRC"])
def test_the_three_channels_have_one_curve(channel: bytes) -> None:
    assert tag(srgb(), channel) == tag(srgb(), b"rTRC") == tag(grey(), b"kTRC")


@pytest.mark.parametrize("signature", COLORANTS)
def test_the_built_in_primaries_are_those_of_the_standard(signature: bytes) -> None:
    values = np.array(struct.unpack(">3i", tag(srgb(), signature)[8:20])) / 65536
    assert values == pytest.approx(COLORANTS[signature], abs=0.5 / 65536)


def test_the_built_in_primaries_add_up_to_the_white_of_icc() -> None:
    # ICC.1 clause 7.2.16: 0.9642, 1.0, 0.8249 as s15Fixed16; three roundings of half a step.
    total = sum(np.array(struct.unpack(">3i", tag(srgb(), signature)[8:20])) for signature in COLORANTS)
    assert np.abs(total - (0xF6D6, 0x10000, 0xD32D)).max() <= 2


@pytest.mark.parametrize(("hexadecimal", "lab"), LAB.items())
def test_an_srgb_colour_has_the_published_lab(hexadecimal: str, lab: tuple[float, float, float]) -> None:
    pixel = np.frombuffer(bytes.fromhex(hexadecimal), np.uint8).astype(np.uint16).reshape(1, 1, 3) * np.uint16(257)
    image = pyvips.Image.new_from_memory(pixel.tobytes(), 1, 1, 3, "ushort")
    # 0.01 for the white of ICC instead of that of CIE, as much again for the curve's 1024 points.
    assert to_lab_array(image, srgb())[0, 0] == pytest.approx(lab, abs=0.02)

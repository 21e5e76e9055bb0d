"""Opening a scan: whatever the file is, its pixels come in exactly, or it is held with a reason."""

import io
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import pyvips
import tifffile
from numpy.typing import NDArray
from PIL import Image, ImageCms

from platemark.config.model import Scanner
from platemark.errors import Held
from platemark.flow.intake import Incomplete, examine
from platemark.pixels.profiles import srgb
from scan_files import (
    PLAIN,
    TURNS,
    Pixels,
    by_lcms2,
    cmyk_profile,
    cmyk_tiff,
    held,
    jpeg,
    noise,
    opened,
    png,
    tiff,
    whole,
    widened,
)

# What comes in


@pytest.mark.parametrize(
    "options",
    [
        {},
        {"compression": "lzw"},
        {"compression": "lzw", "predictor": True},
        {"compression": "zlib"},
        {"compression": "zlib", "predictor": True},
        {"tile": (16, 32)},
        {"tile": (16, 16), "compression": "zlib"},
        {"rowsperstrip": 7},
        {"bigtiff": True},
        {"bigtiff": True, "byteorder": ">", "compression": "lzw"},
        {"byteorder": ">"},
    ],
    ids=str,
)
@pytest.mark.parametrize("channels", [1, 3])
@pytest.mark.parametrize("bits", [8, 16])
def test_a_tiff_comes_in_with_every_value_as_it_was_scanned(
    tmp_path: Path, bits: int, channels: int, options: dict[str, Any]
) -> None:
    pixels = noise(bits, channels)
    path = tiff(tmp_path / "heron.tif", pixels, **options)
    assert examine(path, PLAIN).ppi == 300
    assert np.array_equal(opened(path), widened(pixels))


def test_a_tiff_with_its_colours_in_planes_comes_in_whole(tmp_path: Path) -> None:
    pixels = noise(16)
    path = tiff(tmp_path / "heron.tif", np.moveaxis(pixels, 2, 0), planarconfig="separate")
    assert np.array_equal(opened(path), pixels)


@pytest.mark.parametrize("channels", [1, 3])
@pytest.mark.parametrize("bits", [8, 16])
def test_a_png_comes_in_with_every_value_as_it_was_scanned(tmp_path: Path, bits: int, channels: int) -> None:
    pixels = noise(bits, channels)
    assert np.array_equal(opened(png(tmp_path / "heron.png", pixels)), widened(pixels))


def test_an_interlaced_png_comes_in_with_every_value_as_it_was_scanned(tmp_path: Path) -> None:
    pixels, path = noise(16), tmp_path / "heron.png"
    image = pyvips.Image.new_from_memory(pixels.data, pixels.shape[1], pixels.shape[0], 3, "ushort")
    image.copy(interpretation="rgb16", xres=300 / 25.4, yres=300 / 25.4).pngsave(str(path), interlace=True)
    assert np.array_equal(opened(path), pixels)


@pytest.mark.parametrize("progressive", [False, True])
@pytest.mark.parametrize("channels", [1, 3])
def test_a_jpeg_comes_in_as_another_decoder_sees_it(tmp_path: Path, channels: int, *, progressive: bool) -> None:
    path = jpeg(tmp_path / "heron.jpg", noise(8, channels), progressive=progressive)
    with Image.open(path) as seen:
        assert np.array_equal(opened(path), widened(np.asarray(seen)))


# The right way up


# Which page


# What is held


# Neutrals, the corners of sRGB, soft colours: CIELAB (D50) of sRGB by the formulas of CSS Color 4, which prints
# lab(44.36 36.05 -58.99) for the last but one.
LAB_OF_SRGB = {"ffffff": (100, 0, 0), "000000": (0, 0, 0), "808080": (53.585, 0, 0), "c0c0c0": (77.704, 0, 0),
               "ff0000": (54.291, 80.805, 69.891), "00ff00": (87.819, -79.271, 80.995),
               "0000ff": (29.568, 68.287, -112.03), "00ffff": (90.666, -50.657, -14.962),
               "7654cd": (44.358, 36.048, -58.986), "bc8f8f": (63.791, 17.555, 6.958)}  # fmt: skip
LAB_COLOURS = np.array([list(LAB_OF_SRGB.values())] * 4)
SRGB_COLOURS = np.array([[list(bytes.fromhex(name)) for name in LAB_OF_SRGB]] * 4)
SOFT = [*range(4), 8, 9]
CONVERTED = Scanner(lab="convert")


def lab_numbers(lab: NDArray[np.float64], bits: int, photometric: str) -> Pixels:
    """CIELAB as it is written.

    Source: TIFF 6.0 section 23 (cielab), and for its 16 bits what libtiff's tif_color.c says; ICC.1:2001-04 annex A
    (icclab: white is 255 or 65280, and a* = 0 is 128 or 32768).
    """
    unit = 1 if bits == 8 else 256
    full = 2**bits - 1 if photometric == "cielab" else 255 * unit
    shift = 0 if photometric == "cielab" else 128 * unit
    numbers = np.rint(np.stack([lab[..., 0] * full / 100, *(lab[..., k] * unit + shift for k in (1, 2))], axis=-1))
    return numbers.astype(np.int64).astype(np.uint8 if bits == 8 else np.uint16)  # two's complement of what is negative


def srgb_of(lab: NDArray[np.float64]) -> NDArray[np.float64]:
    """CIELAB (D50) in sRGB, 0 to 255, cut off at its edge.

    Source: CIE 15, by colour-science; matrix to D50 as published with CSS Color 4; IEC 61966-2-1.
    """
    from colour import XYZ_to_xy  # noqa: PLC0415 - the import warns
    from colour.models import Lab_to_XYZ  # noqa: PLC0415

    to_d50 = [[0.43604125, 0.38511291, 0.14304584], [0.22248454, 0.71690508, 0.06061038],
              [0.01392019, 0.09706724, 0.71391257]]  # fmt: skip
    xyz = Lab_to_XYZ(lab, XYZ_to_xy([0.9642, 1.0, 0.8249]))  # ICC.1: the white of D50
    linear = np.clip(xyz @ np.linalg.inv(to_d50).T, 0, 1)
    return 255 * np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)


def lab_tiff(path: Path, bits: int, photometric: str, **options: Any) -> Path:
    return tiff(path, lab_numbers(LAB_COLOURS, bits, photometric), photometric=photometric, **options)


LAB_KINDS = pytest.mark.parametrize(
    ("bits", "photometric"), [(8, "cielab"), (16, "cielab"), (8, "icclab"), (16, "icclab")]
)


@LAB_KINDS
def test_a_lab_scan_has_the_published_colours(tmp_path: Path, bits: int, photometric: str) -> None:
    path = lab_tiff(tmp_path / "heron.tif", bits, photometric)
    apart = np.abs(opened(path, CONVERTED) / 257 - SRGB_COLOURS)
    # With 8 bits half a unit is lost in the file: one of 255 more, and up to ten at the edge of sRGB.
    assert (apart.max() <= 1) if bits == 16 else (apart[:, SOFT].max() <= 2)
    opening = examine(path, CONVERTED)
    assert (opening.profile_from, opening.profile, opening.bits) == ("sRGB, converted from CIELAB", srgb(), bits)


@pytest.mark.filterwarnings("ignore:.*Matplotlib")  # which the judge misses, and which is not needed here
@LAB_KINDS
def test_every_lab_number_is_read_as_another_library_reads_it(tmp_path: Path, bits: int, photometric: str) -> None:
    # Noise lies mostly outside of sRGB, and there the nearest edge is taken.
    numbers, unit = noise(bits), 1 if bits == 8 else 256
    if photometric == "cielab":
        lab = numbers.astype(np.int8 if bits == 8 else np.int16) / unit
        lab[..., 0] = numbers[..., 0] / (2**bits - 1) * 100
    else:
        lab = numbers / unit - 128
        lab[..., 0] = np.minimum(numbers[..., 0] / (2.55 * unit), 100)
    got = opened(tiff(tmp_path / "heron.tif", numbers, photometric=photometric), CONVERTED)
    assert np.abs(got / 257 - srgb_of(lab)).max() <= 1


@LAB_KINDS
def test_white_and_black_of_a_lab_scan_are_pure(tmp_path: Path, bits: int, photometric: str) -> None:
    got = opened(lab_tiff(tmp_path / "heron.tif", bits, photometric), CONVERTED)
    assert (got[:, 0] == 65535).all()
    assert (got[:, 1] == 0).all()


@pytest.mark.parametrize("bits", [8, 16])
def test_a_neutral_lab_scan_stays_neutral(tmp_path: Path, bits: int) -> None:
    ramp = np.zeros((2, 256, 3))
    ramp[..., 0] = np.linspace(0, 100, 256)
    path = tiff(tmp_path / "ramp.tif", lab_numbers(ramp, bits, "icclab"), photometric="icclab")
    got = opened(path, CONVERTED).astype(int)
    # A tenth of the last of 255 steps.
    assert np.ptp(got, axis=2).max() <= 26
    assert (np.diff(got[0, :, 1]) > 0).all()


@pytest.mark.parametrize(
    "options",
    [{"compression": "lzw", "predictor": True}, {"tile": (16, 16), "compression": "zlib"}, {"byteorder": ">"},
     {"bigtiff": True}, {"rowsperstrip": 1}, {"iccprofile": ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB"))
     .tobytes()}],
    ids=["lzw", "tiles", "big-endian", "BigTIFF", "strips", "with a Lab profile"],
)  # fmt: skip
@pytest.mark.parametrize("bits", [8, 16])
def test_a_lab_scan_comes_in_the_same_however_it_is_packed(tmp_path: Path, bits: int, options: dict[str, Any]) -> None:
    plain = opened(lab_tiff(tmp_path / "plain.tif", bits, "cielab"), CONVERTED)
    packed = opened(lab_tiff(tmp_path / "packed.tif", bits, "cielab", **options), CONVERTED)
    assert np.array_equal(packed, plain)


@pytest.mark.parametrize("tag", range(1, 9))
def test_a_lab_scan_is_turned_upright(tmp_path: Path, tag: int) -> None:
    plain = opened(lab_tiff(tmp_path / "plain.tif", 8, "cielab"), CONVERTED)
    turned = lab_tiff(tmp_path / "turned.tif", 8, "cielab", extratags=[(274, "H", 1, tag, True)])
    assert np.array_equal(opened(turned, CONVERTED), TURNS[tag](plain))


@LAB_KINDS
def test_where_a_lab_scan_is_transparent_it_is_white(tmp_path: Path, bits: int, photometric: str) -> None:
    cover = np.full((*LAB_COLOURS.shape[:2], 1), 2**bits - 1)
    cover[:2] = 0
    numbers = lab_numbers(LAB_COLOURS, bits, photometric)
    path = tiff(tmp_path / "heron.tif", np.concatenate([numbers, cover.astype(numbers.dtype)], axis=2),
                photometric=photometric, extrasamples=["unassalpha"])  # fmt: skip
    got = opened(path, CONVERTED)
    assert (got[:2] == 65535).all()
    assert np.array_equal(got[2:], opened(lab_tiff(tmp_path / "a.tif", bits, photometric), CONVERTED)[2:])


def test_a_lab_scan_that_ends_too_early_is_incomplete(tmp_path: Path) -> None:
    path = tiff(tmp_path / "heron.tif", noise(16), photometric="cielab", compression="zlib", rowsperstrip=8)
    path.write_bytes(path.read_bytes()[:-2])
    assert isinstance(held(path, CONVERTED), Incomplete)


def test_the_chosen_page_decides_whether_it_is_lab(tmp_path: Path) -> None:
    path = tmp_path / "heron.tif"
    with tifffile.TiffWriter(path) as writer:
        for pixels, photometric in ((noise(8), "rgb"), (lab_numbers(LAB_COLOURS, 8, "cielab"), "cielab")):
            writer.write(pixels, photometric=photometric, resolution=(300, 300), resolutionunit="INCH", metadata=None)
    first, second = (opened(path, Scanner(lab="convert", page=page)) for page in (1, 2))
    assert np.array_equal(first, widened(noise(8)))
    assert np.array_equal(second, opened(lab_tiff(tmp_path / "plain.tif", 8, "cielab"), CONVERTED))


# CIE 15: D50 and D65, as TIFF's WhitePoint tag has them.
@pytest.mark.parametrize(("white", "taken"), [((3457, 3585), True), ((3127, 3290), False)], ids=["D50", "D65"])
def test_a_lab_scan_with_another_white_than_d50_is_held(tmp_path: Path, white: tuple[int, int], *, taken: bool) -> None:
    told = (318, "2I", 2, (white[0], 10000, white[1], 10000), True)
    path = lab_tiff(tmp_path / "heron.tif", 8, "cielab", extratags=[told])
    if taken:
        assert opened(path, CONVERTED).shape == (*LAB_COLOURS.shape[:2], 3)
    else:
        assert "D50" in held(path, CONVERTED).reason


def test_a_lab_scan_for_fax_is_held_even_then(tmp_path: Path) -> None:
    assert "fax" in held(tiff(tmp_path / "heron.tif", noise(8), photometric="itulab"), CONVERTED).reason


def test_a_fourth_channel_that_means_nothing_known_is_held(tmp_path: Path) -> None:
    # Film scanners keep what their infrared lamp saw so: taken for alpha it would bleach the picture.
    path = tiff(tmp_path / "heron.tif", noise(16, 4), extrasamples=["unspecified"])
    assert "channel" in held(path).reason


def test_two_colours_are_held(tmp_path: Path) -> None:
    path = tiff(tmp_path / "heron.tif", noise(8, 5), photometric="minisblack", planarconfig="contig",
                extrasamples=["unassalpha"] * 4)  # fmt: skip
    assert "neither grey nor RGB" in held(path).reason


@pytest.mark.parametrize("bits", [8, 16])
def test_a_cmyk_scan_is_converted_through_its_own_profile(tmp_path: Path, bits: int) -> None:
    path, inks = cmyk_tiff(tmp_path / "heron.tif", cmyk_profile(), bits)
    got = opened(path, Scanner(cmyk="convert")).astype(int)
    assert np.abs(got - by_lcms2(inks)).max() <= 1
    assert "CMYK" in examine(path, Scanner(cmyk="convert")).profile_from


def test_where_a_cmyk_scan_is_transparent_there_is_no_ink(tmp_path: Path) -> None:
    inks = noise(8, 5)
    inks[:, :, 4], inks[:20, :, 4] = 255, 0
    path = tiff(tmp_path / "heron.tif", inks, photometric="separated", extrasamples=["unassalpha"],
                iccprofile=cmyk_profile())  # fmt: skip
    inks[:20, :, :4] = 0
    got = opened(path, Scanner(cmyk="convert")).astype(int)
    assert np.abs(got - by_lcms2(inks[:, :, :4].copy())).max() <= 1


# What is not whole, or no scan


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize("kind", ["none", "png", "jpg"])
def test_a_damaged_head_is_held_or_opened_and_nothing_else(tmp_path: Path, kind: str, seed: int) -> None:
    path = whole(tmp_path / "heron", kind)
    data, random = bytearray(path.read_bytes()), np.random.Generator(np.random.PCG64(seed))
    for at in random.integers(4, 250, 6):
        data[at] = random.integers(0, 256)
    path.write_bytes(data)
    try:
        assert opened(path).dtype == np.uint16
    except Held as caught:
        assert caught.remedy  # noqa: PT017 - either end is a good one


def test_a_file_that_may_not_be_read_is_held(tmp_path: Path) -> None:
    assert "cannot be read" in held(tmp_path).reason  # a folder cannot be opened whoever asks


# Large ones


def test_a_scan_larger_than_the_limit_is_held(tmp_path: Path) -> None:
    caught = held(tiff(tmp_path / "heron.tif", noise(8, 1, 1000, 1001)), Scanner(max_megapixels=1))
    assert "max_megapixels = 1" in caught.reason


def test_a_single_pixel_is_a_picture(tmp_path: Path) -> None:
    path = tiff(tmp_path / "dot.tif", noise(8, 3, 1, 1), resolution=(1200, 1200))
    assert np.array_equal(opened(path), widened(noise(8, 3, 1, 1)))


def test_nothing_is_written_beside_a_scan_or_into_it(tmp_path: Path) -> None:
    path = tiff(tmp_path / "heron.tif", noise())
    before = path.read_bytes()
    opened(path)
    assert (list(tmp_path.iterdir()), path.read_bytes()) == ([path], before)


def test_what_the_printer_never_needs_does_not_hold_a_scan(tmp_path: Path) -> None:
    buffer, exif = io.BytesIO(), Image.Exif()
    exif.get_ifd(0x8825)[1] = "N"
    Image.fromarray(noise()).save(buffer, "JPEG", exif=exif, dpi=(300, 300))
    path = tmp_path / "heron.jpg"
    path.write_bytes(buffer.getvalue())
    assert opened(path).shape == (40, 60, 3)

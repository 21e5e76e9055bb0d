"""Opening a scan: whatever the file is, its pixels come in exactly, or it is held with a reason."""

import io
import os
import struct
import subprocess
import sys
import zlib
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import pytest
import pyvips
import tifffile
from numpy.typing import NDArray
from PIL import Image, ImageCms
from scan_files import DENSITY_300, Pixels, cmyk_profile, jpeg, noise, png, png_chunk, png_of, tiff

from platemark.config.model import Scanner
from platemark.errors import Held
from platemark.flow.intake import Incomplete, decode_to_the_end, examine, open_picture
from platemark.pixels.profiles import srgb

PLAIN = Scanner()


def opened(path: Path, scanner: Scanner = PLAIN) -> NDArray[np.uint16]:
    """The pixels of a scan, (rows, columns, channels), read whole before as a delivery does."""
    opening = examine(path, scanner)
    decode_to_the_end(path, opening)
    return open_picture(path, opening).array()


def held(path: Path, scanner: Scanner = PLAIN) -> Held:
    with pytest.raises(Held) as caught:
        opened(path, scanner)
    assert caught.value.remedy
    return caught.value


def widened(pixels: Pixels) -> NDArray[np.uint16]:
    """What pixels are at 16 bits: 255 becomes 65535, so 8 bits are taken times 257."""
    wide = pixels.astype(np.uint16) * np.uint16(257) if pixels.dtype == np.uint8 else pixels
    return wide.astype(np.uint16).reshape(*wide.shape[:2], -1)


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


def test_a_48_bit_scan_keeps_more_than_256_shades(tmp_path: Path) -> None:
    ramp = np.repeat(np.arange(3000, dtype=np.uint16)[None, :, None] * 20, 3, axis=2)
    ramp = np.ascontiguousarray(np.repeat(ramp, 4, axis=0))
    for path in (tiff(tmp_path / "a.tif", ramp), png(tmp_path / "a.png", ramp)):
        assert len(np.unique(opened(path))) == 3000


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("channels", [2, 4])
@pytest.mark.parametrize("kind", ["tif", "png"])
def test_what_is_transparent_is_laid_on_white(tmp_path: Path, kind: str, channels: int, bits: int) -> None:
    pixels = noise(bits, channels)
    pixels[0, :, -1], pixels[1, :, -1] = 0, 2**bits - 1
    path = tmp_path / f"heron.{kind}"
    if kind == "tif":
        tiff(path, pixels, extrasamples=["unassalpha"], photometric="rgb" if channels == 4 else "minisblack",
             planarconfig="contig")  # fmt: skip
    else:
        png(path, pixels)
    assert examine(path, PLAIN).alpha == "laid on white"
    colours, cover = widened(pixels)[..., :-1].astype(float), widened(pixels)[..., -1:] / 65535
    # By definition of unassociated alpha (TIFF 6.0, ExtraSamples 2); libvips leaves out the fraction.
    assert np.abs(opened(path) - (colours * cover + 65535 * (1 - cover))).max() <= 1
    assert (opened(path)[0] == 65535).all()
    assert np.array_equal(opened(path)[1], widened(pixels)[1, :, :-1])


@pytest.mark.parametrize("bits", [8, 16])
def test_white_is_zero_is_not_taken_for_a_negative(tmp_path: Path, bits: int) -> None:
    pixels = noise(bits, 1)
    path = tiff(tmp_path / "heron.tif", pixels, photometric="miniswhite")
    assert np.array_equal(opened(path), widened(2**bits - 1 - pixels))


@pytest.mark.parametrize("photometric", ["minisblack", "miniswhite"])
def test_a_line_drawing_of_one_bit_is_pure_black_and_white(tmp_path: Path, photometric: str) -> None:
    ones = noise(8, 1) > 127
    path = tiff(tmp_path / "line.tif", ones, photometric=photometric)
    white = ones if photometric == "minisblack" else ~ones
    assert np.array_equal(opened(path)[..., 0], np.where(white, 65535, 0))


def test_a_line_drawing_of_one_bit_in_a_png_is_pure_black_and_white(tmp_path: Path) -> None:
    ones = noise(8, 1) > 127
    path = tmp_path / "line.png"
    Image.fromarray(ones).save(path, dpi=(300, 300))
    assert np.array_equal(opened(path)[..., 0], np.where(ones, 65535, 0))


@pytest.mark.parametrize("kind", ["tif", "png"])
def test_a_picture_with_a_palette_has_the_colours_of_its_palette(tmp_path: Path, kind: str) -> None:
    index, palette = noise(8, 1), noise(8, 3, 1, 256)[0]
    path = tmp_path / f"heron.{kind}"
    if kind == "tif":
        tiff(path, index, photometric="palette", colormap=palette.T.astype(np.uint16) * 257)
    else:
        head = struct.pack(">IIBBBBB", 60, 40, 8, 3, 0, 0, 0)
        lines = zlib.compress(b"".join(b"\0" + row.tobytes() for row in index))
        png_of(path, head, lines, DENSITY_300, png_chunk(b"PLTE", palette.tobytes()))
    assert np.array_equal(opened(path), widened(palette[index]))


# The right way up


TURNS = {  # TIFF 6.0, Orientation: where the file's first row and column are to be seen
    1: lambda a: a,
    2: np.fliplr,
    3: lambda a: np.rot90(a, 2),
    4: np.flipud,
    5: lambda a: np.swapaxes(a, 0, 1),
    6: lambda a: np.rot90(a, -1),
    7: lambda a: np.swapaxes(np.rot90(a, 2), 0, 1),
    8: lambda a: np.rot90(a, 1),
}


@pytest.mark.parametrize("tag", [1, 2, 3, 4, 5, 6, 7, 8, 0, 9, 65535])
@pytest.mark.parametrize("kind", ["tif", "png", "jpg"])
def test_a_scan_is_turned_upright_as_its_file_says(tmp_path: Path, kind: str, tag: int) -> None:
    pixels, path = noise(8), tmp_path / f"heron.{kind}"
    exif = Image.Exif()
    exif[274] = tag
    if kind == "tif":
        tiff(path, pixels, extratags=[(274, "H", 1, tag, True)])
    elif kind == "png":
        png(path, pixels, DENSITY_300, png_chunk(b"eXIf", exif.tobytes().removeprefix(b"Exif\0\0")))
    else:
        jpeg(path, pixels, exif=exif)
        pixels = np.asarray(Image.open(path))
    # What is none of the eight means nothing, so the scan is taken as it lies.
    upright = TURNS.get(tag, TURNS[1])(widened(pixels))
    opening = examine(path, PLAIN)
    assert (opening.height, opening.width) == upright.shape[:2]
    assert np.array_equal(opened(path), upright)


# Which page


def pages(path: Path) -> Path:
    with tifffile.TiffWriter(path) as writer:
        for page in range(3):
            writer.write(noise(8, 3, 30 + page), photometric="rgb", resolution=(100 * (page + 1),) * 2,
                         resolutionunit="INCH", metadata=None)  # fmt: skip
    return path


def test_a_file_of_several_pages_is_held_with_the_question_which(tmp_path: Path) -> None:
    assert "3 pages" in held(pages(tmp_path / "heron.tif")).reason


def test_the_page_chosen_in_the_config_is_taken_with_its_own_resolution(tmp_path: Path) -> None:
    path, scanner = pages(tmp_path / "heron.tif"), Scanner(page=2)
    assert examine(path, scanner).ppi == 200
    assert np.array_equal(opened(path, scanner), widened(noise(8, 3, 31)))


def test_a_page_that_is_not_there_is_held(tmp_path: Path) -> None:
    assert "page = 4" in held(pages(tmp_path / "heron.tif"), Scanner(page=4)).reason


def test_a_chosen_page_does_not_hold_up_files_of_one_page(tmp_path: Path) -> None:
    assert opened(tiff(tmp_path / "heron.tif", noise()), Scanner(page=2)).shape == (40, 60, 3)


def test_a_chain_of_pages_that_bites_its_tail_is_read_as_what_it_has(tmp_path: Path) -> None:
    path = tiff(tmp_path / "loop.tif", noise(8, 1))
    data = bytearray(path.read_bytes())
    first = int.from_bytes(data[4:8], "little")
    after = first + 2 + 12 * int.from_bytes(data[first : first + 2], "little")
    data[after : after + 4] = data[4:8]
    path.write_bytes(data)
    assert np.array_equal(opened(path), widened(noise(8, 1)))


# What is held


@pytest.mark.parametrize("kind", ["int8", "int16", "uint32", "int32", "float16", "float32", "float64"])
def test_numbers_that_no_scanner_writes_are_held(tmp_path: Path, kind: str) -> None:
    numbers = (noise(8) >> 1).astype(kind)
    if kind.startswith("float"):
        numbers[3, 4] = np.nan
    caught = held(tiff(tmp_path / "heron.tif", numbers))
    assert "numbers" in caught.reason
    assert "8 or 16 bits" in caught.remedy
    assert not isinstance(caught, Incomplete)


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
def test_a_lab_file_is_held_and_called_so(tmp_path: Path, bits: int, photometric: str) -> None:
    caught = held(lab_tiff(tmp_path / "heron.tif", bits, photometric))
    assert "Lab" in caught.reason
    assert "RGB" in caught.remedy
    assert "lab =" in caught.remedy


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


def cmyk_tiff(path: Path, profile: bytes | None, bits: int) -> tuple[Path, Pixels]:
    inks = noise(bits, 4)
    return tiff(path, inks, photometric="separated", iccprofile=profile), inks


def test_a_cmyk_scan_is_held_unless_the_config_wants_it_converted(tmp_path: Path) -> None:
    path, _ = cmyk_tiff(tmp_path / "heron.tif", cmyk_profile(), 8)
    assert "CMYK" in held(path).reason


def test_a_cmyk_scan_without_a_profile_is_held_even_then(tmp_path: Path) -> None:
    path, _ = cmyk_tiff(tmp_path / "heron.tif", None, 8)
    assert "no profile" in held(path, Scanner(cmyk="convert")).reason


def by_lcms2(inks: Pixels) -> NDArray[np.uint16]:
    """CMYK through the profile to sRGB, by another door to lcms2; relative, with black point compensation."""
    flags = imagecodecs.CMS.FLAGS.BLACKPOINTCOMPENSATION
    seen = imagecodecs.cms_transform(
        widened(inks), cmyk_profile(), srgb().data, colorspace="cmyk", outcolorspace="rgb", intent=1, flags=flags
    )
    return np.asarray(seen)


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


def test_the_inverted_inks_of_a_cmyk_jpeg_come_in_the_right_way(tmp_path: Path) -> None:
    path = tmp_path / "heron.jpg"
    inks = np.repeat(np.repeat(noise(8, 4, 5, 8), 8, axis=0), 8, axis=1)
    Image.fromarray(inks, "CMYK").save(path, quality=95, icc_profile=cmyk_profile(), dpi=(300, 300))
    with Image.open(path) as seen:
        reference = by_lcms2(np.asarray(seen))
    assert np.abs(opened(path, Scanner(cmyk="convert")).astype(int) - reference).max() <= 1


# What is not whole, or no scan


def whole(path: Path, kind: str) -> Path:
    match kind:
        case "jpg":
            return jpeg(path, noise())
        case "png":
            return png(path, noise(16))
        case _:
            return tiff(path, noise(16), compression=None if kind == "none" else kind, rowsperstrip=8)


@pytest.mark.parametrize("kept", [0.01, 0.1, 0.3, 0.5, 0.75, 0.9, 0.99])
@pytest.mark.parametrize("kind", ["none", "lzw", "zlib", "png", "jpg"])
def test_a_scan_that_ends_too_early_is_incomplete_never_a_black_tail(tmp_path: Path, kind: str, kept: float) -> None:
    path = whole(tmp_path / "heron", kind)
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * kept)])
    assert isinstance(held(path, Scanner(ppi=300)), Incomplete)


def test_a_scan_is_not_asked_about_while_it_is_still_being_written(tmp_path: Path) -> None:
    # Incomplete waits; a question about its resolution would put it aside half written.
    path = tiff(tmp_path / "heron.tif", noise(16), resolution=None, resolutionunit=None)
    path.write_bytes(path.read_bytes()[:-1000])
    assert isinstance(held(path), Incomplete)


@pytest.mark.parametrize("kind", ["none", "lzw", "zlib", "jpg"])
def test_a_scan_that_lacks_its_last_two_bytes_is_incomplete(tmp_path: Path, kind: str) -> None:
    path = whole(tmp_path / "heron", kind)
    path.write_bytes(path.read_bytes()[:-2])
    assert isinstance(held(path), Incomplete)


def test_a_scan_that_lacks_no_more_than_its_last_row_is_incomplete(tmp_path: Path) -> None:
    # 40 rows leave one over when they are looked at three at a time, as they are at 600 ppi.
    path = png(tmp_path / "heron.png", noise(16), *(png_chunk(b"pHYs", struct.pack(">IIB", 23622, 23622, 1)),))
    path.write_bytes(path.read_bytes()[:-100])
    assert isinstance(held(path), Incomplete)


@pytest.mark.parametrize("kind", ["zlib", "png"])  # the two whose packing has a checksum
def test_a_flipped_bit_in_packed_pixels_is_incomplete(tmp_path: Path, kind: str) -> None:
    path = whole(tmp_path / "heron", kind)
    data = bytearray(path.read_bytes())
    data[len(data) // 2 : len(data) // 2 + 3] = b"\xff\xff\xff"
    path.write_bytes(data)
    assert isinstance(held(path), Incomplete)


@pytest.mark.parametrize("content", [b"", b"II", b"II*\0", b"MM\0*\0\0\0\x08", b"\x89PNG\r\n\x1a\n", b"\xff\xd8\xff",
                                     b"A letter, not a picture.\n" * 50, noise(8).tobytes()])  # fmt: skip
def test_what_is_no_picture_is_incomplete(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "heron.tif"
    path.write_bytes(content)
    assert isinstance(held(path), Incomplete)


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


@pytest.mark.parametrize("kind", ["GIF", "WEBP", "PPM"])
def test_a_picture_of_another_kind_is_refused_whatever_it_is_called(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "heron.tif"
    Image.fromarray(noise()).save(path, kind)
    assert "no TIFF, PNG or JPEG" in held(path).reason


def test_a_drawing_in_svg_is_refused_whatever_it_is_called(tmp_path: Path) -> None:
    path = tmp_path / "heron.tif"
    path.write_text('<svg xmlns="http://www.w3.org/2000/svg" width="9" height="9"><rect width="5" height="5"/></svg>')
    assert "no TIFF, PNG or JPEG" in held(path).reason


@pytest.mark.parametrize("name", ["heron.tif", "heron.jpg", "heron"])
def test_the_content_decides_not_the_name(tmp_path: Path, name: str) -> None:
    assert np.array_equal(opened(png(tmp_path / name, noise(16))), noise(16))


@pytest.mark.parametrize(
    "name", [b"x.jpg[shrink=8]", b"two\nlines.tif", b"not-utf8-\xff\xfe.tif", b"-rf.tif", "\u202egnp.tif".encode()]
)
def test_a_strange_name_is_only_a_name(tmp_path: Path, name: bytes) -> None:
    path = Path(os.fsdecode(os.fsencode(tmp_path) + b"/" + name))
    try:
        path.touch()
    except OSError:
        pytest.skip("this file system does not take the name")
    assert np.array_equal(opened(jpeg(path, noise())), widened(np.asarray(Image.open(path))))


@pytest.mark.parametrize("kind", ["none", "png", "jpg"])
def test_bytes_after_the_picture_do_no_harm(tmp_path: Path, kind: str) -> None:
    path = whole(tmp_path / "heron", kind)
    before = opened(path)
    path.write_bytes(path.read_bytes() + bytes(range(100)) * 7)
    assert np.array_equal(opened(path), before)


def test_a_file_that_may_not_be_read_is_held(tmp_path: Path) -> None:
    assert "cannot be read" in held(tmp_path).reason  # a folder cannot be opened whoever asks


def test_new_content_under_an_old_name_is_seen(tmp_path: Path) -> None:
    path = tmp_path / "heron.tif"
    for pixels in (noise(16), noise(16)[::-1].copy()):
        assert np.array_equal(opened(tiff(path, pixels)), pixels)


# Large ones


def test_a_scan_larger_than_the_limit_is_held(tmp_path: Path) -> None:
    caught = held(tiff(tmp_path / "heron.tif", noise(8, 1, 1000, 1001)), Scanner(max_megapixels=1))
    assert "max_megapixels = 1" in caught.reason


def peak_growth(program: str, *arguments: str) -> int:
    """Bytes by which the peak of a fresh process's memory grows in `program`."""
    pytest.importorskip("resource")
    measured = (
        "import resource, sys; from pathlib import Path; from platemark.config.model import Scanner\n"
        "from platemark.errors import Held\n"
        "from platemark.flow.intake import decode_to_the_end, examine, open_picture\n"
        "peak = lambda: resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        f"before = peak()\n{program}\nprint(peak() - before)"
    )
    done = subprocess.run([sys.executable, "-c", measured, *arguments], capture_output=True, text=True, check=True)
    return int(done.stdout) * (1 if sys.platform == "darwin" else 1024)


def test_a_decompression_bomb_is_held_from_its_head_alone(tmp_path: Path) -> None:
    packer = zlib.compressobj(9)
    line = bytes(1 + 30000 // 8)
    data = b"".join(packer.compress(line) for _ in range(30000)) + packer.flush()
    path = png_of(tmp_path / "bomb.png", struct.pack(">IIBBBBB", 30000, 30000, 1, 0, 0, 0, 0), data, DENSITY_300)
    grown = peak_growth(
        "try: examine(Path(sys.argv[1]), Scanner())\nexcept Held as held: assert '900 megapixels' in held.reason\n"
        "else: raise SystemExit('opened')",
        str(path),
    )
    # Its 900 million pixels would take 900 MB.
    assert grown < 30e6


def test_text_that_unpacks_to_gigabytes_is_not_unpacked(tmp_path: Path) -> None:
    bomb = png_chunk(b"zTXt", b"Comment\0\0" + zlib.compress(bytes(100_000_000), 9))
    path = png(tmp_path / "bomb.png", noise(), DENSITY_300, bomb)
    assert isinstance(held(path), Incomplete)


def test_a_tiff_that_claims_more_than_its_file_holds_is_incomplete(tmp_path: Path) -> None:
    path = tmp_path / "claims.tif"
    entries = [(256, 4, 20000), (257, 4, 20000), (258, 3, 8), (259, 3, 1), (262, 3, 1), (273, 4, 200),
               (277, 3, 1), (278, 4, 20000), (279, 4, 400_000_000)]  # fmt: skip
    directory = b"".join(struct.pack("<HHLL", tag, kind, 1, value) for tag, kind, value in entries)
    path.write_bytes(b"II*\0\x08\0\0\0" + struct.pack("<H", len(entries)) + directory + bytes(1000))
    assert isinstance(held(path, Scanner(ppi=300)), Incomplete)


def test_a_scan_is_read_as_a_stream_however_large_it_is(tmp_path: Path) -> None:
    path = tmp_path / "large.tif"
    tifffile.memmap(path, shape=(7000, 5000, 3), dtype=np.uint16, photometric="rgb", metadata=None,
                    resolution=(600, 600), resolutionunit="INCH")  # fmt: skip
    grown = peak_growth(
        "path = Path(sys.argv[1]); opening = examine(path, Scanner()); decode_to_the_end(path, opening)\n"
        "open_picture(path, opening).open().avg()",
        str(path),
    )
    # The scan has 210 MB, the overview kept of it 23 MB.
    assert grown < 100e6


def test_one_large_compressed_strip_is_opened(tmp_path: Path) -> None:
    # Above 50 MB libtiff refuses to set memory aside for a strip unless it is told to.
    pixels = noise(16, 3, 3000, 3000)
    path = tiff(tmp_path / "one.tif", pixels, compression="zlib", compressionargs={"level": 0}, rowsperstrip=3000)
    assert path.stat().st_size > 52_000_000
    assert np.array_equal(opened(path), pixels)


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

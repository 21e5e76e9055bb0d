"""Exported JPEGs against the standards: the encoder's tables and order, and what other readers make of the file."""

import csv
import io
import os
import subprocess
import sys
from hashlib import sha256
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import exifread
import numpy as np
import pytest
import pyvips
from numpy.typing import NDArray
from PIL import Image, ImageCms
from PIL.JpegImagePlugin import JpegImageFile

from platemark_stages.jpeg.encoders import MAX_SIDE, Bytes, Subsampling, encode, subsamplings
from platemark_stages.jpeg.segments import Metadata, assemble, identifier

Table = NDArray[np.int64]

# N. Robidoux's table, row by row, as published with libjpeg-compatible encoders; used for brightness and colour alike.
ROBIDOUX = np.array(
    [
        [16, 16, 16, 18, 25, 37, 56, 85],
        [16, 17, 20, 27, 34, 40, 53, 75],
        [16, 20, 24, 31, 43, 62, 91, 135],
        [18, 27, 31, 40, 53, 74, 106, 156],
        [25, 34, 43, 53, 69, 94, 131, 189],
        [37, 40, 62, 74, 94, 124, 169, 238],
        [56, 53, 91, 106, 131, 169, 226, 311],
        [85, 75, 135, 156, 189, 238, 311, 418],
    ]
)
TEXT = Metadata(
    title="Grey <heron> & reed",
    artist="Mara Lindqvist",
    copyright="All rights reserved",
    description='Gouache, "wet in wet"',
    ppi=360,
    is_srgb=True,
    document_id=identifier(b"print"),
    original_id=identifier(b"scan"),
)


def annex_k() -> list[tuple[str, int, Table]]:
    """The rows of ITU-T T.81 annex K, scaled; see the notes beside the file."""
    table = Path(__file__).parents[1] / "data" / "reference" / "jpeg_quant.csv"
    with table.open(newline="") as file:
        return [
            (row["table"], int(row["quality"]), np.array([[int(row[f"q{v}{u}"]) for u in range(8)] for v in range(8)]))
            for row in csv.DictReader(file)
        ]


def scaled(table: Table, quality: int) -> Table:
    percent = 5000 // quality if quality < 50 else 200 - 2 * quality
    return np.clip((table * percent + 50) // 100, 1, 255)


def written_tables(file: bytes) -> list[Table]:
    """The quantisation tables of a file, as Pillow reads them: row by row."""
    tables = JpegImageFile(io.BytesIO(file)).quantization
    return [np.reshape(tables[number], (8, 8)) for number in sorted(tables)]


def wash(channels: int = 3, rows: int = 48, columns: int = 64) -> Bytes:
    """A smooth gradient in every channel, each in another direction."""
    down, across = np.mgrid[0:rows, 0:columns]
    bands = [(down * (k + 1) + across * (4 - k)) // 4 + 60 for k in range(channels)]
    return np.stack(bands, axis=2).astype(np.uint8)


def exported(
    channels: int = 3, metadata: Metadata = TEXT, quality: int = 92, subsampling: Subsampling = "4:4:4"
) -> bytes:
    return assemble(encode(wash(channels), quality, subsampling), metadata)


@pytest.mark.parametrize(("name", "quality", "expected"), annex_k())
def test_the_quality_scale_is_the_one_of_annex_k_as_everyone_scales_it(
    name: str, quality: int, expected: Table
) -> None:
    # The yardstick of the next test, and the encoder with annex K's own tables, against published numbers.
    (unscaled,) = (table for kind, at, table in annex_k() if kind == name and at == 50)
    assert (scaled(unscaled, quality) == expected).all()
    image = pyvips.Image.new_from_array(wash()).copy(interpretation="srgb")
    tables = written_tables(image.jpegsave_buffer(Q=quality, quant_table=0, subsample_mode="off"))
    assert (tables[("luminance", "chrominance").index(name)] == expected).all()


@pytest.mark.parametrize("quality", [1, 25, 50, 75, 88, 95, 98, 100])
@pytest.mark.parametrize("channels", [1, 3, 4])
def test_the_encoder_writes_the_published_table(quality: int, channels: int) -> None:
    tables = written_tables(exported(channels, quality=quality))
    assert all((table == scaled(ROBIDOUX, quality)).all() for table in tables)


@pytest.mark.parametrize(("subsampling", "factors"), [("4:4:4", (1, 1)), ("4:2:0", (2, 2))])
def test_the_file_is_baseline_and_subsampled_as_said(subsampling: Subsampling, factors: tuple[int, int]) -> None:
    image = JpegImageFile(io.BytesIO(exported(subsampling=subsampling)))
    assert "progressive" not in image.info
    assert [layer[1:3] for layer in image.layer] == [factors, (1, 1), (1, 1)]


def test_only_rgb_has_colour_to_thin_out() -> None:
    assert [subsamplings(channels) for channels in (1, 3, 4)] == [("4:4:4",), ("4:4:4", "4:2:0"), ("4:4:4",)]


@pytest.mark.parametrize("channels", [1, 3, 4])
def test_two_decoders_see_the_picture_that_went_in(channels: int) -> None:
    # At quality 100 every coefficient is rounded to a whole number; rounding the colour space adds one or two steps.
    file = exported(channels, quality=100)
    pillow = np.asarray(Image.open(io.BytesIO(file))).reshape(wash(channels).shape)
    vips = pyvips.Image.new_from_buffer(file, "").numpy().reshape(wash(channels).shape)
    for decoded in (pillow, vips):
        assert np.abs(decoded.astype(int) - wash(channels)).max() <= 3


def test_full_cyan_stays_full_cyan() -> None:
    ink = np.zeros((16, 16, 4), np.uint8)
    ink[:, :, 0] = 255
    image = Image.open(io.BytesIO(assemble(encode(ink, 95), TEXT)))
    assert (image.mode, image.getpixel((8, 8)), image.info["adobe_transform"]) == ("CMYK", (255, 0, 0, 0), 0)


def test_arrays_images_and_memoryviews_make_the_same_file() -> None:
    array = wash()
    assert encode(array, 90) == encode(Image.fromarray(array), 90) == encode(array.data, 90)
    assert encode(array[:, :, 0], 90) == encode(array[:, :, :1], 90)


def test_grain_as_dense_as_can_be_is_still_encoded() -> None:
    # Encoders that reserve a byte a pixel for the optimised pass fail here.
    noise = np.random.default_rng(2).integers(0, 256, (400, 400, 3), dtype=np.uint8)
    file = encode(noise, 92)
    assert len(file) > noise.size // 3
    assert Image.open(io.BytesIO(file)).size == (400, 400)


@pytest.mark.parametrize(
    "pixels",
    [
        np.zeros((8, 8, 2), np.uint8),
        np.zeros((8, 8, 3), np.uint16),
        np.zeros((0, 8, 3), np.uint8),
        np.zeros((1, MAX_SIDE + 1, 1), np.uint8),
        Image.new("RGBA", (8, 8)),
    ],
    ids=["two channels", "16 bits", "no rows", "too long", "alpha"],
)
def test_pixels_that_no_jpeg_can_hold_are_refused(pixels: Any) -> None:
    with pytest.raises(ValueError, match=r"wanted|sides|mode"):
        encode(pixels, 90)


def test_quality_off_the_scale_is_refused() -> None:
    with pytest.raises(ValueError, match="101"):
        encode(wash(), 101)


@pytest.mark.parametrize(
    "environment",
    [{"VIPS_CONCURRENCY": "7"}, {"VIPS_CONCURRENCY": "1", "JSIMD_FORCENONE": "1", "VIPS_NOVECTOR": "1"}],
    ids=["seven threads", "one thread without vector units"],
)
def test_threads_and_vector_units_leave_no_trace(environment: dict[str, str]) -> None:
    program = (
        "import numpy as np, hashlib, sys\n"
        "from platemark_stages.jpeg.encoders import encode\n"
        "pixels = np.random.default_rng(5).integers(0, 256, (300, 500, 3), dtype=np.uint8) // 3\n"
        "sys.stdout.write(hashlib.sha256(encode(pixels, 91) + encode(pixels, 85, '4:2:0')).hexdigest())\n"
    )
    pixels = np.random.default_rng(5).integers(0, 256, (300, 500, 3), dtype=np.uint8) // 3
    expected = sha256(encode(pixels, 91) + encode(pixels, 85, "4:2:0")).hexdigest()
    surroundings = {**os.environ, **environment, "PYTHONPATH": os.pathsep.join(sys.path)}
    run = subprocess.run([sys.executable, "-c", program], env=surroundings, capture_output=True, text=True, check=True)
    assert run.stdout == expected


def test_pillow_reads_resolution_profile_and_text() -> None:
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    image = Image.open(io.BytesIO(exported(metadata=Metadata(title="Heron", artist="M. L.", profile=profile, ppi=360))))
    exif = image.getexif()
    assert image.info["jfif_density"] == image.info["dpi"] == (360, 360)
    assert image.info["jfif_unit"] == 1
    assert image.info["icc_profile"] == profile
    assert {0x010E: "Heron", 0x011A: 360, 0x011B: 360, 0x0128: 2, 0x013B: "M. L."}.items() <= dict(exif).items()
    assert exif.get_ifd(0x8769)[0xA001] == 0xFFFF


def test_an_exif_reader_of_its_own_reads_the_same() -> None:
    tags = exifread.process_file(io.BytesIO(exported()), strict=True)
    assert {name: str(tags[name]) for name in tags if name.startswith(("Image", "EXIF"))} == {
        "Image ImageDescription": 'Gouache, "wet in wet"',
        "Image XResolution": "360",
        "Image YResolution": "360",
        "Image ResolutionUnit": "Pixels/Inch",
        "Image Artist": "Mara Lindqvist",
        "Image YCbCrPositioning": "Centered",
        "Image Copyright": "All rights reserved",
        "Image ExifOffset": str(tags["Image ExifOffset"]),
        "EXIF ExifVersion": "0232",
        "EXIF ComponentsConfiguration": "YCbCr",
        "EXIF FlashPixVersion": "0100",
        "EXIF ColorSpace": "sRGB",
        "EXIF ExifImageWidth": "64",
        "EXIF ExifImageLength": "48",
    }


def test_the_fields_on_colour_fit_the_channels() -> None:
    # 1 is Y and 0 is nothing; Exif cannot say CMYK, so nothing is said of it.
    grey, cmyk = (exifread.process_file(io.BytesIO(exported(channels))) for channels in (1, 4))
    assert grey["EXIF ComponentsConfiguration"].values == [1, 0, 0, 0]
    assert not {"EXIF ComponentsConfiguration", "Image YCbCrPositioning"} & set(cmyk)
    assert str(cmyk["Image XResolution"]) == "360"


def test_a_resolution_that_is_no_whole_number_is_exact_in_exif() -> None:
    tags = exifread.process_file(io.BytesIO(exported(metadata=Metadata(ppi=299.72))))
    assert float(tags["Image XResolution"].values[0]) == pytest.approx(299.72, abs=1e-9)


def test_names_beyond_ascii_are_read_as_they_were_written() -> None:
    tags = exifread.process_file(io.BytesIO(exported(metadata=Metadata(artist="Søren Ångström"))))
    assert str(tags["Image Artist"]) == "Søren Ångström"


def test_the_packet_is_xml_with_the_properties_of_the_standard() -> None:
    file = exported()
    packets = (Image.open(io.BytesIO(file)).info["xmp"], pyvips.Image.new_from_buffer(file, "").get("xmp-data"))
    assert packets[0] == packets[1]
    (about,) = ET.fromstring(packets[0]).iter("{http://www.w3.org/1999/02/22-rdf-syntax-ns#}Description")  # noqa: S314
    said = {element.tag.split("}")[1]: "".join(element.itertext()) for element in about}
    instance = said.pop("InstanceID")
    assert instance.startswith("uuid:")
    assert said == {
        "format": "image/jpeg",
        "title": "Grey <heron> & reed",
        "creator": "Mara Lindqvist",
        "rights": "All rights reserved",
        "description": 'Gouache, "wet in wet"',
        "DocumentID": TEXT.document_id,
        "OriginalDocumentID": TEXT.original_id,
    }


def test_control_codes_and_broken_surrogates_become_legible() -> None:
    # File names can hold anything, and a title may come from one.
    file = exported(metadata=Metadata(title="a\x1b[31m\x00b\udc80c\ufffed 🪶"))
    (title,) = ET.fromstring(Image.open(io.BytesIO(file)).info["xmp"]).iter("{http://purl.org/dc/elements/1.1/}title")  # noqa: S314
    assert "".join(title.itertext()) == "a\ufffd[31m\ufffdb\ufffdc\ufffdd 🪶"


def test_a_profile_in_several_chunks_is_put_together_again() -> None:
    profile = bytes(16) + b"RGB " + bytes(range(256)) * 600
    file = exported(metadata=Metadata(profile=profile))
    assert Image.open(io.BytesIO(file)).info["icc_profile"] == profile
    assert pyvips.Image.new_from_buffer(file, "").get("icc-profile-data") == profile

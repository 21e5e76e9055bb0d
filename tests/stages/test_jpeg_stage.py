"""The stage that writes the file: what the print utility takes, of the best quality it takes."""

from io import BytesIO

import exifread
import imagecodecs
import numpy as np
import pytest
from PIL import Image, JpegImagePlugin
from printers import cmyk_printer, rgb_printer
from pydantic import ValidationError

from platemark import Held, Picture, Profile, Work, srgb
from platemark.config.problems import Page, problem_from
from platemark.pixels.icc_writer import srgb_profile
from platemark.pixels.profiles import grey, read_profile
from platemark.testing import check_stage, gradient_picture, job_for, measure_and_apply, picture_of
from platemark_stages.jpeg import Jpeg, JpegParameters, JpegSettings

HERON = Work("heron", "ab" * 32, "Grey heron", "Mara Lindqvist", "© Mara Lindqvist", "2024", "ink")


def busy(rows: int = 200, columns: int = 160, ppi: float = 360.0) -> Picture:
    """Grain in all channels apart: it makes large files, and more so with full colour resolution."""
    random = np.random.default_rng(5)
    return picture_of(random.integers(0, 65536, (rows, columns, 3)).astype(np.uint16), ppi)


def written(picture: Picture, **settings: object) -> tuple[JpegParameters, bytes]:
    parameters, after = measure_and_apply(Jpeg, picture, job_for(work=HERON), **settings)
    assert isinstance(parameters, JpegParameters)
    return parameters, Jpeg().encode(after, parameters)


def seen(data: bytes) -> Image.Image:
    return Image.open(BytesIO(data))


def subsampling(data: bytes) -> int:
    """0 for 4:4:4, 2 for 4:2:0, as Pillow reads it from the file."""
    return int(JpegImagePlugin.get_sampling(seen(data)))


def bytes_at(quality: int, sampling: str) -> int:
    parameters, _ = written(busy(), min_quality=quality, max_quality=quality)
    smallest = parameters.model_copy(update={"subsampling": sampling, "tables": "fitted"})
    return len(Jpeg().encode(busy(), smallest))


def test_the_best_quality_is_taken_where_there_is_room() -> None:
    parameters, data = written(busy())
    assert (parameters.quality, parameters.subsampling, subsampling(data)) == (95, "4:4:4", 0)


@pytest.mark.parametrize("share", [0.95, 0.8, 0.6])
def test_a_file_is_never_larger_than_its_limit(share: float) -> None:
    cap = int(bytes_at(95, "4:4:4") * share)
    parameters, data = written(busy(), max_size=f"{cap} B", min_quality=30)
    assert len(data) <= cap
    assert seen(data).size == (160, 200)
    assert parameters.quality < 95


def test_full_colour_resolution_is_given_up_only_when_the_least_quality_needs_it() -> None:
    full = bytes_at(82, "4:4:4")
    kept, data = written(busy(), max_size=f"{full} B")
    assert (kept.subsampling, subsampling(data)) == ("4:4:4", 0)
    given_up, data = written(busy(), max_size=f"{full - 1} B")
    assert (given_up.subsampling, subsampling(data)) == ("4:2:0", 2)
    assert given_up.quality >= 82


def test_what_does_not_fit_is_held_with_what_would() -> None:
    with pytest.raises(Held, match=r"even at quality 82 with 4:2:0") as held:
        written(busy(), max_size="9 kB")
    size = held.value.remedy.split('max_size = "')[1].split('"')[0]
    assert len(written(busy(), max_size=size)[1]) > 9000
    assert "ppi = " in held.value.remedy
    assert "(now 360)" in held.value.remedy


def test_more_pixels_than_the_print_utility_takes_are_held_with_a_resolution_that_fits() -> None:
    with pytest.raises(Held, match="32000 pixels, more than max_pixels = 8000") as held:
        written(busy(), max_pixels=8000)
    # Half the pixels on each side: 180 ppi.
    assert "ppi = 180 or less" in held.value.remedy
    assert written(busy(), max_pixels=32000)


def test_a_side_longer_than_any_jpeg_is_held() -> None:
    # ITU-T T.81 table B.2 has 16 bits for a side, of which the usual libraries take 65500.
    with pytest.raises(Held, match="at most 65500 on a side"):
        written(busy(2, 2).cropped(0, 0, 65501, 2))


def test_two_prints_of_one_scan_whose_geometry_still_waits_are_not_mixed_up() -> None:
    scan = busy()
    large, small = (written(scan.resampled(width, 100))[1] for width in (80, 60))
    assert (seen(large).size, seen(small).size) == ((80, 100), (60, 100))


def test_qualities_in_the_wrong_order_are_a_fault_of_the_config_that_names_both() -> None:
    with pytest.raises(ValidationError) as fault:
        JpegSettings(min_quality=96)
    problem = problem_from(fault.value.errors()[0], Page("platemark.toml", {"stage": {"jpeg": {"min_quality": 96}}}),
                           JpegSettings, ("stage", "jpeg"))  # fmt: skip
    assert problem.sentence() == (
        "platemark.toml, [stage.jpeg]: min_quality = 96 lies above max_quality = 95; "
        "lower min_quality, or raise max_quality."
    )


def wide_profile() -> Profile:
    """Another RGB space: the built-in profile with red and green swapped, which no reader takes for sRGB."""
    data = srgb_profile().replace(b"rXYZ", b"tmp_").replace(b"gXYZ", b"rXYZ").replace(b"tmp_", b"gXYZ")
    return read_profile(data, "a scanner for tests")


def test_rgb_pixels_are_converted_to_srgb() -> None:
    picture = Picture.of(gradient_picture().pixels(), wide_profile(), 300)
    _, data = written(picture)
    assert seen(data).info["icc_profile"] == srgb().data
    # Red and green trade places on the way; the picture is smooth, so quality 95 is near.
    there = np.asarray(seen(data)).astype(int)
    assert np.abs(there[..., 0] - (picture.array()[..., 1] / 257)).mean() < 3


def test_kept_pixels_carry_the_profile_they_came_with() -> None:
    picture = Picture.of(gradient_picture().pixels(), wide_profile(), 300)
    _, data = written(picture, space="keep")
    assert seen(data).info["icc_profile"] == wide_profile().data
    there = np.asarray(seen(data)).astype(int)
    assert np.abs(there[..., 0] - picture.array()[..., 0] / 257).mean() < 3


@pytest.mark.parametrize("profile", [rgb_printer(), cmyk_printer()], ids=["rgb", "cmyk"])
def test_what_was_converted_for_the_printer_stays_so(profile: Profile) -> None:
    _, data = written(gradient_picture().converted(profile))
    assert seen(data).info["icc_profile"] == profile.data
    assert len(seen(data).getbands()) == profile.bands


def test_a_grey_picture_stays_grey() -> None:
    picture = picture_of(np.full((40, 30, 1), 30000, np.uint16), profile=grey())
    _, data = written(picture)
    assert seen(data).mode == "L"
    assert seen(data).info["icc_profile"] == grey().data


@pytest.mark.parametrize("ppi", [300.0, 360.0])
def test_two_readers_agree_on_the_size_on_paper_and_the_pixels(ppi: float) -> None:
    _, data = written(gradient_picture(ppi=ppi))
    picture = seen(data)
    assert picture.info["jfif_density"] == (ppi, ppi)
    assert picture.info["jfif_unit"] == 1, "dots per inch, JFIF 1.02"
    tags = exifread.process_file(BytesIO(data), details=False)
    assert float(tags["Image XResolution"].values[0]) == ppi
    assert float(tags["Image YResolution"].values[0]) == ppi
    assert tags["Image ResolutionUnit"].printable == "Pixels/Inch"
    # Two decoders may round differently; half a level on average is far more than they do.
    assert np.abs(np.asarray(picture).astype(int) - imagecodecs.jpeg8_decode(data).astype(int)).mean() < 0.5


def test_the_file_says_whose_it_is() -> None:
    _, data = written(gradient_picture())
    tags = exifread.process_file(BytesIO(data), details=False)
    assert tags["Image Artist"].printable == "Mara Lindqvist"
    assert "Mara Lindqvist" in tags["Image Copyright"].printable
    assert "Grey heron" in tags["Image ImageDescription"].printable


def test_a_manifest_learns_how_the_file_was_made() -> None:
    parameters, _ = written(gradient_picture())
    assert Jpeg().about(parameters) == {"format": "JPEG", "quality": 95, "subsampling": "4:4:4"}


@pytest.mark.parametrize("settings", [{}, {"max_size": "9 kB", "min_quality": 40}, {"space": "keep"}])
def test_jpeg_keeps_the_contract(settings: dict[str, object]) -> None:
    check_stage(Jpeg, busy(100, 80), job_for(work=HERON), **settings)

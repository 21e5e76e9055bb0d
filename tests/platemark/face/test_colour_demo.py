"""The invented devices of the colour demo are what they say they are, by the judgement of littleCMS."""

from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageCms

from platemark.face.demo.colour_scans import write_chart
from platemark.face.demo.devices import paper_profile
from platemark.flow.scanner_making import make_scanner_profile


@pytest.fixture(scope="module")
def paper() -> ImageCms.ImageCmsProfile:
    return ImageCms.ImageCmsProfile(BytesIO(paper_profile()))


def lab_of(paper: ImageCms.ImageCmsProfile, codes: tuple[int, int, int], intent: ImageCms.Intent) -> np.ndarray:
    """CIELAB of a print as littleCMS reads the profile, in its 8 bits (steps of 0.4 and 1)."""
    transform = ImageCms.buildTransform(paper, ImageCms.createProfile("LAB"), "RGB", "LAB", renderingIntent=intent)
    code = ImageCms.applyTransform(Image.new("RGB", (1, 1), codes), transform).getpixel((0, 0))
    return np.array(code, float) * (100 / 255, 1, 1) - (0, 128, 128)


def test_the_bare_paper_is_a_warm_white_and_the_black_a_dark_grey(paper: ImageCms.ImageCmsProfile) -> None:
    white = lab_of(paper, (255, 255, 255), ImageCms.Intent.ABSOLUTE_COLORIMETRIC)
    assert white == pytest.approx([96, 1, 2.5], abs=1.1)
    black = lab_of(paper, (0, 0, 0), ImageCms.Intent.RELATIVE_COLORIMETRIC)
    # Matte papers reach L* 14 to 20 (trade literature, from memory).
    assert 14 < black[0] < 20


def test_white_takes_no_ink(paper: ImageCms.ImageCmsProfile) -> None:
    for intent in (ImageCms.Intent.RELATIVE_COLORIMETRIC, ImageCms.Intent.PERCEPTUAL):
        srgb = ImageCms.createProfile("sRGB")
        transform = ImageCms.buildTransform(srgb, paper, "RGB", "RGB", renderingIntent=intent)
        assert ImageCms.applyTransform(Image.new("RGB", (1, 1), "white"), transform).getpixel((0, 0)) == (255, 255, 255)


def test_what_the_paper_can_hold_comes_back_as_it_was(paper: ImageCms.ImageCmsProfile) -> None:
    lab = ImageCms.createProfile("LAB")
    relative = ImageCms.Intent.RELATIVE_COLORIMETRIC
    there = ImageCms.buildTransform(lab, paper, "LAB", "RGB", renderingIntent=relative)
    back = ImageCms.buildTransform(paper, lab, "RGB", "LAB", renderingIntent=relative)
    for colour in [(178, 148, 148), (128, 108, 138), (102, 138, 98), (77, 128, 128)]:
        returned = ImageCms.applyTransform(ImageCms.applyTransform(Image.new("LAB", (1, 1), colour), there), back)
        assert np.abs(np.array(returned.getpixel((0, 0))) - colour).max() <= 2


def test_its_chart_tells_the_invented_scanner(tmp_path: Path) -> None:
    write_chart(tmp_path / "chart.tif")
    found, _ = make_scanner_profile(tmp_path / "chart.tif", "patches-24", tmp_path / "scanner.icc")
    # The aim for 24 patches.
    assert found.left_out.mean < 1.5
    assert found.skew == pytest.approx(1.2, abs=0.3)

"""The demo scans are what they say they are, and the same every time."""

import tomllib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import pyvips
from numpy.typing import NDArray
from PIL import Image

from platemark.face.demo import Painting
from platemark.face.demo.artwork import heron, moonrise, quince
from platemark.face.demo.bed import Bed, coverage
from platemark.face.demo.scans import DemoScan, write_demo_scans

PPI = 100  # quick, and enough to see a sheet


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> list[DemoScan]:
    """The demo scans, written once for all tests."""
    return write_demo_scans(tmp_path_factory.mktemp("demo"), PPI)


def pixels(scan: DemoScan) -> NDArray[np.float64]:
    """The scan's codes from 0 to 1."""
    picture = pyvips.Image.new_from_file(str(scan.path)).numpy()
    return np.asarray(picture, dtype=np.float64) / np.iinfo(picture.dtype).max


def test_the_same_demo_has_the_same_bytes(demo: list[DemoScan], tmp_path: Path) -> None:
    again = write_demo_scans(tmp_path, PPI)
    for first, second in zip(demo, again, strict=True):
        assert first.path.read_bytes() == second.path.read_bytes()
        assert first.path.with_suffix(".toml").read_bytes() == second.path.with_suffix(".toml").read_bytes()


def test_the_files_are_of_three_kinds(demo: list[DemoScan]) -> None:
    loaded = {scan.path.name: pyvips.Image.new_from_file(str(scan.path)) for scan in demo}
    kinds = {name: (image.get("vips-loader"), image.format, image.bands) for name, image in loaded.items()}
    assert kinds == {
        "heron.tif": ("tiffload", "uchar", 3),
        "quince.tif": ("tiffload", "ushort", 3),
        "moonrise.jpg": ("jpegload", "uchar", 3),
    }
    with_profile = [name for name, image in loaded.items() if "icc-profile-data" in image.get_fields()]
    assert with_profile == ["quince.tif"]


def test_every_file_says_its_resolution(demo: list[DemoScan]) -> None:
    for scan in demo:
        # libvips keeps pixels per millimetre in single precision.
        assert pyvips.Image.new_from_file(str(scan.path)).xres * 25.4 == pytest.approx(PPI, rel=1e-6)
        if scan.path.name != "quince.tif":  # Pillow reads no 16-bit colour
            with Image.open(scan.path) as image:
                assert image.info["dpi"] == (PPI, PPI)


def test_the_heron_lies_on_an_a4_bed(demo: list[DemoScan]) -> None:
    with Image.open(demo[0].path) as image:
        assert image.size == (827, 1169)  # 210 x 297 mm at 100 ppi


def test_the_whole_sheet_lies_on_the_bed(demo: list[DemoScan]) -> None:
    for scan in demo:
        rows, columns, _ = pixels(scan).shape
        x, y = np.array(scan.corners_px).T
        margin = 3 / 25.4 * PPI  # a person leaves a few millimetres
        assert x.min() > margin, scan.path.name
        assert x.max() < columns - margin, scan.path.name
        assert y.min() > margin, scan.path.name
        assert y.max() < rows - margin, scan.path.name


def test_the_corners_have_the_declared_skew_and_size(demo: list[DemoScan]) -> None:
    for scan in demo:
        top_left, top_right, _, bottom_left = np.array(scan.corners_px)
        right, down = top_right - top_left, bottom_left - top_left
        # y grows downwards, so a sheet turned counter-clockwise has its right corner higher: smaller y.
        assert np.degrees(np.arctan2(-right[1], right[0])) == pytest.approx(scan.skew, abs=1e-9)
        assert np.degrees(np.arctan2(down[0], down[1])) == pytest.approx(scan.skew, abs=1e-9)
        size_mm = np.hypot(*right) / PPI * 25.4, np.hypot(*down) / PPI * 25.4
        assert size_mm == pytest.approx(scan.sheet_mm, abs=1e-9)


def test_the_sheet_is_where_its_corners_say(demo: list[DemoScan]) -> None:
    for scan in demo:
        picture = pixels(scan)
        warmth = picture[:, :, 0] - picture[:, :, 2]  # paper is warmer than the lid
        for corner, opposite in zip(scan.corners_px, scan.corners_px[2:] + scan.corners_px[:2], strict=True):
            inward = np.array(opposite) - corner
            inward /= np.hypot(*inward)
            inside, outside = (around(warmth, np.array(corner) + step * inward) for step in (7, -7))
            assert inside > 0.01, scan.path.name
            assert outside < 0.01, scan.path.name


def around(field: NDArray[np.float64], point: NDArray[np.float64]) -> float:
    """Median of 5 x 5 pixels: noise and a speck of dust do not count."""
    x, y = (int(part) for part in point)
    return float(np.median(field[y - 2 : y + 3, x - 2 : x + 3]))


def test_coverage_adds_up_to_the_area_of_the_sheet() -> None:
    bed = Bed(60, 50, centre_mm=(30.1, 24.9), skew=3.3)
    covered = coverage((40, 30), bed, PPI).avg() * np.prod(bed.size_px(PPI))
    # The corners are cut off by a product of two edges: less than a pixel in all.
    assert covered == pytest.approx(40 * 30 / 25.4**2 * PPI**2, abs=1)


@pytest.mark.parametrize("paint", [heron, quince, moonrise])
def test_a_picture_is_the_same_at_another_resolution(paint: Callable[[int], Painting]) -> None:
    coarse, fine = (small(paint(ppi).density) for ppi in (50, 100))
    # Edges are drawn anew at each resolution, the composition is not: it is the same but for a few hundredths.
    assert np.abs(coarse - fine).mean() < 0.03


def small(density: NDArray[np.float32]) -> NDArray[np.float64]:
    """Means of a 20 x 20 grid of the share of light that comes back."""
    light = np.exp(-density.astype(np.float64))
    return np.array([[cell.mean() for cell in np.array_split(row, 20, axis=1)] for row in np.array_split(light, 20)])


def test_a_ticket_lies_beside_every_scan(demo: list[DemoScan]) -> None:
    for scan in demo:
        ticket = tomllib.loads(scan.path.with_suffix(".toml").read_text())
        assert set(ticket) == {"title", "artist", "year", "medium"}

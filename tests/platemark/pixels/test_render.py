"""What the renderer promises, on small pictures whose exact answer is known."""

import hashlib
import math
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import pyvips
from numpy.typing import NDArray

from platemark.pixels.affine import Affine
from platemark.pixels.render import render

Floats = NDArray[np.float64]
SIZE = 160  # output pixels a side
RIM = 30  # cut off where the exact answer does not hold: a turn of 10 degrees brings in the background


def image_of(array: NDArray[np.uint16]) -> pyvips.Image:
    """Wrap an array of shape (rows, columns, bands)."""
    rows, columns, bands = array.shape
    return pyvips.Image.new_from_memory(np.ascontiguousarray(array).data, columns, rows, bands, "ushort")


def array_of(image: pyvips.Image) -> NDArray[np.uint16]:
    """Unwrap an image."""
    data = np.frombuffer(image.write_to_memory(), np.uint16)
    return data.reshape(image.height, image.width, image.bands)


def noise(rows: int, columns: int, bands: int = 3) -> NDArray[np.uint16]:
    return np.random.default_rng(5).integers(0, 65536, (rows, columns, bands)).astype(np.uint16)


def turned(size: int, angle: float) -> Affine:
    """Turn a square of `size` about its middle, then bring it to SIZE."""
    return Affine.rotation(angle, about=(size / 2, size / 2)).then(Affine.scaling(SIZE / size))


def drawn(wave: Callable[[Floats, Floats], Floats], back: Affine, size: int) -> Floats:
    """Draw a wave of (x, y) in source pixels, as seen through the way back to the source."""
    at = np.arange(size) + 0.5
    x, y = np.meshgrid(at, at)
    return 32768 + 26000 * wave(back.a * x + back.b * y + back.tx, back.c * x + back.d * y + back.ty)


def cosine(u: float, v: float) -> Callable[[Floats, Floats], Floats]:
    """Return a wave of u, v cycles per source pixel."""
    return lambda x, y: np.cos(2 * math.pi * (u * x + v * y) + 0.7)


def rendered(wave: Callable[[Floats, Floats], Floats], size: int, angle: float) -> Floats:
    """Scan a wave with `size` pixels a side and render it; without the rim."""
    source = np.rint(drawn(wave, Affine.identity(), size)).astype(np.uint16)[:, :, None]
    result = array_of(render(image_of(source), turned(size, angle), SIZE, SIZE, (0,)))[:, :, 0]
    return result[RIM:-RIM, RIM:-RIM].astype(float)


@pytest.mark.parametrize("angle", [0, 1.37, 10, 91.37, -170])
@pytest.mark.parametrize("scale", [0.3, 0.6, 0.8, 1.0, 2.5])
def test_detail_the_output_can_hold_comes_through(scale: float, angle: float) -> None:
    size = round(SIZE / scale)
    # Five waves up to 0.33 cycles per pixel of the coarser side, as strong as the bench's forty: -20 dB of the peak.
    finest = 0.33 * min(SIZE / size, 1)
    parts = [cosine(finest * r * math.cos(t), finest * r * math.sin(t)) for r, t in
             [(0.2, 0.3), (0.5, 1.9), (0.7, 4.0), (0.9, 2.6), (1.0, 5.5)]]  # fmt: skip

    def wave(x: Floats, y: Floats) -> Floats:
        return np.sum([part(x, y) for part in parts], axis=0) * (0.1 * math.sqrt(2 / len(parts)) / 0.4)

    wanted = drawn(wave, turned(size, angle).inverse(), SIZE)[RIM:-RIM, RIM:-RIM]
    error = rendered(wave, size, angle) - wanted
    # 57 dB is a Lanczos-3 reduction that turns nothing; turning and reducing one after the other reach 40 to 54.
    assert 10 * math.log10(65535**2 / np.mean(error**2)) > 57


# What libvips' own Lanczos-3 reduction leaves of the worst direction, in percent, at these cycles per output pixel.
LANCZOS_3 = {0.75: 15.6, 0.8: 7.7, 0.9: 0.96, 1.0: 0.38, 1.25: 0.12}


@pytest.mark.parametrize("cycles", LANCZOS_3)
@pytest.mark.parametrize("angle", [0, 1.37])
def test_a_grating_too_fine_for_the_output_is_gone_as_with_lanczos_3(cycles: float, angle: float) -> None:
    size = round(SIZE / 0.36)
    for direction in (0.0, math.pi / 4, math.pi / 2):
        at = cycles * SIZE / size
        result = rendered(cosine(at * math.cos(direction), at * math.sin(direction)), size, angle)
        assert 100 * result.std() * math.sqrt(2) / 26000 <= LANCZOS_3[cycles]


@pytest.mark.parametrize("scale", [0.3, 0.6, 1.0, 2.5])
@pytest.mark.parametrize("angle", [0, 1.37, 90, 10])
def test_everything_lies_where_it_should_to_a_fiftieth_of_a_pixel(scale: float, angle: float) -> None:
    size = round(SIZE / scale)
    place = turned(size, angle)
    # A blot 10 output pixels wide, off the middle; its centre of gravity against the mapped position.
    x0, y0 = 0.56 * size, 0.47 * size
    spread = 5 * size / SIZE

    def blot(x: Floats, y: Floats) -> Floats:
        return np.exp(-((x - x0) ** 2 + (y - y0) ** 2) / (2 * spread**2))

    result = rendered(blot, size, angle) - 32768
    at = np.arange(SIZE)[RIM:-RIM] + 0.5
    found = [(result.sum(axis=axis) * at).sum() / result.sum() for axis in (0, 1)]
    assert np.hypot(*(found - place.apply([(x0, y0)])[0])) < 0.02


@pytest.mark.parametrize("bands", [1, 3, 4])
@pytest.mark.parametrize("angle", [0, 5, 45])
@pytest.mark.parametrize("scale", [0.3, 0.7, 2.2])
def test_paper_white_stays_paper_white(bands: int, angle: float, scale: float) -> None:
    source = np.full((90, 70, bands), 65535, np.uint16)
    place = Affine.rotation(angle, about=(35, 45)).then(Affine.scaling(scale))
    result = array_of(render(image_of(source), place, 60, 60, (65535,) * bands))
    assert (result == 65535).all()


@pytest.mark.parametrize("scale", [0.25, 0.5, 0.6, 0.9, 1.7])
def test_a_crop_along_the_edge_shows_no_rim(scale: float) -> None:
    source = np.full((200, 200, 3), 40000, np.uint16)
    side = round(200 * scale)
    result = array_of(render(image_of(source), Affine.scaling(side / 200), side, side, (0, 0, 0)))
    assert (result == 40000).all()


def test_outside_the_source_is_background() -> None:
    source = np.full((100, 100, 3), 20000, np.uint16)
    place = Affine.scaling(0.5).then(Affine.translation(30.25, 10.5))
    result = array_of(render(image_of(source), place, 300, 200, (1, 2, 3))).astype(int)
    assert (result[:10] == (1, 2, 3)).all()
    assert (result[61:] == (1, 2, 3)).all()
    assert (result[:, :30] == (1, 2, 3)).all()
    assert (result[:, 81:] == (1, 2, 3)).all()
    assert (result[11:60, 31:80] == 20000).all()
    # Three quarters of this pixel lie on the source.
    assert result[30, 30, 0] == pytest.approx(0.75 * 20000 + 0.25, abs=1)


def test_the_blend_at_the_edge_takes_nothing_from_beyond_it() -> None:
    source = np.full((900, 900, 1), 30000, np.uint16)
    place = Affine.rotation(4, about=(450, 450)).then(Affine.scaling(1 / 18)).then(Affine.translation(10.3, 10.3))
    assert (array_of(render(image_of(source), place, 70, 70, (30000,))) == 30000).all()


@pytest.mark.parametrize("x", [-500, 500])
def test_a_source_wholly_outside_leaves_the_background(x: float) -> None:
    place = Affine.rotation(3).then(Affine.translation(x, 0))
    result = array_of(render(image_of(noise(50, 50)), place, 40, 300, (7, 8, 9)))
    assert (result == (7, 8, 9)).all()


def test_a_move_by_whole_pixels_changes_no_value() -> None:
    source = noise(50, 60)
    result = array_of(render(image_of(source), Affine.translation(-7, 4), 40, 50, (1, 2, 3)))
    assert (result[4:] == source[:46, 7:47]).all()
    assert (result[:4] == (1, 2, 3)).all()


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_a_quarter_turn_changes_no_value(turns: int) -> None:
    source = noise(50, 60)
    place = Affine.rotation(90 * turns)
    corners = place.apply([(0, 0), (60, 50)])
    place = place.then(Affine.translation(*-corners.min(axis=0)))
    wanted = np.rot90(source, turns)  # counter-clockwise, as ours
    result = array_of(render(image_of(source), place, wanted.shape[1], wanted.shape[0], (0, 0, 0)))
    assert (result == wanted).all()


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_a_turn_beyond_a_quarter_is_the_same_picture_turned(turns: int) -> None:
    source = image_of(noise(70, 70))
    tilt = Affine.rotation(4, about=(35, 35))
    upright = array_of(render(source, tilt, 70, 70, (9, 9, 9)))
    further = tilt.then(Affine.rotation(90 * turns, about=(35, 35)))
    assert (array_of(render(source, further, 70, 70, (9, 9, 9))) == np.rot90(upright, turns)).all()


@pytest.mark.parametrize("angle", [0, 1.37, -10, 40, 100, 180])
def test_a_scan_streamed_from_its_file_gives_the_same_bytes(tmp_path: Path, angle: float) -> None:
    source = image_of(noise(700, 500))
    path = str(tmp_path / "scan.tif")
    source.tiffsave(path)
    place = Affine.rotation(angle, about=(250, 350)).then(Affine.scaling(0.56))
    streamed = pyvips.Image.new_from_file(path, access="sequential")
    results = [array_of(render(image, place, 280, 392, (0, 0, 0))) for image in (source, streamed)]
    assert (results[0] == results[1]).all()


def test_a_mirrored_placement_mirrors() -> None:
    source = image_of(noise(64, 64))
    tilt = Affine.rotation(4, about=(32, 32))
    mirror = Affine(-1, 0, 64, 0, 1, 0)
    straight = array_of(render(source, tilt, 64, 64, (0, 0, 0))).astype(int)
    mirrored = array_of(render(source, tilt.then(mirror), 64, 64, (0, 0, 0))).astype(int)
    # The same sums in another order: at most the last bit.
    assert np.abs(mirrored - straight[:, ::-1]).max() <= 1


def test_other_formats_are_refused_by_name() -> None:
    with pytest.raises(ValueError, match=r"expected 'ushort' or 'uchar'.*found float"):
        render(pyvips.Image.black(8, 8).cast("float"), Affine.identity(), 8, 8, (0,))


@pytest.mark.parametrize("angle", [0, 1.37, -91])
@pytest.mark.parametrize("scale", [0.2, 0.57, 1, 1.7])
def test_eight_bits_come_out_as_if_they_had_been_widened_before(angle: float, scale: float) -> None:
    array = np.random.default_rng(6).integers(0, 256, (300, 260, 3)).astype(np.uint8)
    narrow = pyvips.Image.new_from_memory(array.data, 260, 300, 3, "uchar")
    place = Affine.rotation(angle, about=(130, 150)).then(Affine.scaling(scale))  # its corners are beyond the source
    from_narrow, from_wide = (
        array_of(render(source, place, 120, 140, (65535,) * 3))
        for source in (narrow, image_of(array.astype(np.uint16) * 257))
    )
    assert (from_narrow == from_wide).all()


def digest() -> str:
    """Hash a few renderings."""
    source, total = image_of(noise(400, 300)), hashlib.sha256()
    for angle, scale in [(1.37, 0.56), (0, 0.3), (7, 1.0), (-3, 1.7)]:
        place = Affine.rotation(angle, about=(150, 200)).then(Affine.scaling(scale))
        total.update(array_of(render(source, place, 320, 200, (65535, 0, 9))).tobytes())
    return total.hexdigest()


@pytest.mark.parametrize("setting", ["VIPS_CONCURRENCY=1", "VIPS_CONCURRENCY=2", "VIPS_NOVECTOR=1"])
def test_threads_and_vector_units_change_no_byte(setting: str) -> None:
    name, value = setting.split("=")
    search = os.pathsep.join(sys.path)
    child = subprocess.run(
        [sys.executable, __file__],
        env={**os.environ, name: value, "PYTHONPATH": search},
        check=True, capture_output=True, text=True,
    )  # fmt: skip
    assert child.stdout.strip() == digest()


def test_an_affine_map_and_its_inverse_cancel() -> None:
    place = Affine.rotation(12.5, about=(3, 4)).then(Affine.scaling(0.3, 0.7)).then(Affine.translation(9, -2))
    points = np.array([(0.5, 0.5), (-30, 7), (1e4, 2e4)])
    assert place.inverse().apply(place.apply(points)) == pytest.approx(points, abs=1e-9)
    assert place.determinant == pytest.approx(0.21)


def test_counter_clockwise_is_as_seen_on_screen() -> None:
    # What lies to the right goes up, and up is a smaller y; exactly, for a quarter turn.
    assert Affine.rotation(90).apply([(1, 0)]).tolist() == [[0, -1]]


def test_a_map_that_flattens_the_plane_has_no_way_back() -> None:
    with pytest.raises(ValueError, match="determinant 0"):
        Affine.scaling(0).inverse()


if __name__ == "__main__":
    print(digest())

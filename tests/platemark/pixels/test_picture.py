"""The picture: where its pixels end up after turning, cutting and scaling, and what it never loses."""

import math
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from threading import Barrier

import numpy as np
import pytest
import pyvips
from numpy.typing import NDArray

from platemark.pixels.depth import to_eight_bits, to_sixteen_bits
from platemark.pixels.picture import Picture
from platemark.pixels.profiles import grey, srgb
from platemark.testing import picture_of

Floats = NDArray[np.float64]
WIDTH, HEIGHT = 180, 120
# The renderer's own tests hold it to 57 dB, which is 90 of 65535; half a pixel would be up to 1000 here.
NEAR = 90


def pattern(x: Floats, y: Floats) -> Floats:
    """Long waves, the same everywhere and unlike in both directions; x and y in pixels of the scan."""
    return 32768 + 9000 * np.sin(2 * math.pi * x / 37) + 7000 * np.cos(2 * math.pi * y / 29)


def centres(width: int, height: int) -> tuple[Floats, Floats]:
    return tuple(np.meshgrid(np.arange(width) + 0.5, np.arange(height) + 0.5))  # type: ignore[return-value]


def image_of(array: NDArray[np.uint16]) -> pyvips.Image:
    return pyvips.Image.new_from_memory(array.tobytes(), array.shape[1], array.shape[0], array.shape[2], "ushort")


def scan(ppi: float = 300, width: int = WIDTH, height: int = HEIGHT) -> Picture:
    values = np.rint(pattern(*centres(width, height))).astype(np.uint16)[:, :, None]
    return Picture.of(image_of(values), grey(), ppi)


def noisy(rows: int = 40, columns: int = 60, channels: int = 3, ppi: float = 300) -> tuple[Picture, NDArray[np.uint16]]:
    array = np.random.Generator(np.random.PCG64(7)).integers(0, 65536, (rows, columns, channels)).astype(np.uint16)
    return Picture.of(image_of(array), srgb() if channels == 3 else grey(), ppi), array


def shown(picture: Picture, to_scan: Callable[[Floats, Floats], tuple[Floats, Floats]]) -> float:
    """How far a picture is from the pattern as seen through `to_scan`, from its own positions to the scan's."""
    got = picture.array()[:, :, 0].astype(float)
    x, y = to_scan(*centres(got.shape[1], got.shape[0]))
    # Four pixels from the edge the background begins to be mixed in.
    inside = (x > 4) & (x < WIDTH - 4) & (y > 4) & (y < HEIGHT - 4)
    assert inside.mean() > 0.5
    return float(np.abs(got - pattern(x, y))[inside].max())


def turned_back(degrees: float, middle: tuple[float, float], x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Where a position was before a counter-clockwise turn. Source: the rotation of the plane, with y pointing down."""
    angle = math.radians(degrees)
    dx, dy = x - middle[0], y - middle[1]
    return (
        middle[0] + math.cos(angle) * dx - math.sin(angle) * dy,
        middle[1] + math.sin(angle) * dx + math.cos(angle) * dy,
    )


# Geometry


@pytest.mark.parametrize("degrees", [0.7, -3.0, 12.0])
def test_a_turn_is_counter_clockwise_about_the_middle(degrees: float) -> None:
    assert shown(scan().rotated(degrees), lambda x, y: turned_back(degrees, (90, 60), x, y)) < NEAR


def test_a_crop_may_begin_between_two_pixels() -> None:
    cut = scan().cropped(20.25, 10.75, 100, 80)
    assert cut.size == (100, 80)
    assert shown(cut, lambda x, y: (x + 20.25, y + 10.75)) < NEAR


def test_a_crop_after_a_turn_is_a_box_of_the_turned_frame() -> None:
    cut = scan().rotated(4).cropped(30, 20, 110, 70)
    assert shown(cut, lambda x, y: turned_back(4, (90, 60), x + 30, y + 20)) < NEAR


def test_a_turn_after_a_crop_is_about_the_middle_of_what_was_cut() -> None:
    turned = scan().cropped(30, 20, 100, 80).rotated(-5)

    def to_scan(x: Floats, y: Floats) -> tuple[Floats, Floats]:
        x, y = turned_back(-5, (50, 40), x, y)
        return x + 30, y + 20

    assert shown(turned, to_scan) < NEAR


@pytest.mark.parametrize("size", [(90, 60), (270, 180), (133, 89)])
def test_another_size_shows_the_whole_frame(size: tuple[int, int]) -> None:
    across, down = WIDTH / size[0], HEIGHT / size[1]
    assert shown(scan().resampled(*size), lambda x, y: (x * across, y * down)) < NEAR


def test_turn_crop_and_size_together_are_one_map() -> None:
    made = scan().rotated(2.5).cropped(24.5, 18.25, 130, 84).resampled(104, 67)

    def to_scan(x: Floats, y: Floats) -> tuple[Floats, Floats]:
        return turned_back(2.5, (90, 60), x * 130 / 104 + 24.5, y * 84 / 67 + 18.25)

    assert shown(made, to_scan) < NEAR


def test_the_source_is_resampled_once_however_many_steps_there_are() -> None:
    opened: list[int] = []
    whole = scan()

    def opener() -> pyvips.Image:
        opened.append(1)
        return whole.open()

    picture = Picture.from_source(opener, WIDTH, HEIGHT, grey(), 300)
    made = picture.rotated(1).cropped(9, 9, 150, 100).rotated(-1).resampled(75, 50)
    assert opened == []
    made.array()
    assert opened == [1]


def test_a_turn_and_its_way_back_change_nothing() -> None:
    picture, array = noisy()
    assert np.array_equal(picture.rotated(90).rotated(-90).array(), array)


@pytest.mark.parametrize("quarters", [1, 2, 3])
def test_a_quarter_turn_of_a_square_moves_every_pixel_whole(quarters: int) -> None:
    picture, array = noisy(50, 50)
    assert np.array_equal(picture.rotated(90 * quarters).array(), np.rot90(array, quarters))


def test_a_crop_along_pixels_is_those_pixels() -> None:
    picture, array = noisy()
    assert np.array_equal(picture.cropped(7, 5, 20, 30).array(), array[5:35, 7:27])
    assert np.array_equal(picture.cropped(7, 5, 20, 30).cropped(3, 4, 10, 10).array(), array[9:19, 10:20])


def test_what_a_crop_reaches_beyond_the_scan_is_bare_paper() -> None:
    picture, array = noisy()
    wide = picture.cropped(-10, -5, 80, 50).array()
    assert np.array_equal(wide[5:45, 10:70], array)
    wide[5:45, 10:70] = 65535
    assert (wide == 65535).all()


def test_what_turned_out_of_the_frame_is_not_lost() -> None:
    picture, array = noisy(20, 100)
    # Upright the frame is 100 x 20 still, so most of the turned picture is above and below it.
    tall = picture.rotated(90).cropped(40, -40, 20, 100)
    assert np.array_equal(tall.array(), np.rot90(array))


def test_every_step_leaves_the_picture_before_it_as_it_was() -> None:
    picture, array = noisy()
    picture.rotated(3).cropped(1, 1, 9, 9).resampled(5, 5).array()
    picture.with_array(array[::2].copy()).array()
    assert (picture.size, picture.ppi) == ((60, 40), 300)
    assert np.array_equal(picture.array(), array)


@pytest.mark.parametrize("step", [lambda p: p.cropped(0, 0, 0, 5), lambda p: p.resampled(5, -1)])
def test_a_picture_without_an_area_is_refused(step: Callable[[Picture], Picture]) -> None:
    with pytest.raises(ValueError, match="no area"):
        step(scan())


# Density


def test_a_print_of_the_same_size_from_fewer_pixels_has_fewer_to_the_inch() -> None:
    # 180 pixels at 300 ppi are 0.6 inches, and 108 pixels on 0.6 inches are 180 ppi.
    assert scan().resampled(108, 72).ppi == pytest.approx(180)
    assert scan().rotated(1).cropped(0, 0, 90, 60).resampled(180, 120).ppi == pytest.approx(600)


def test_density_and_profile_go_along_with_everything() -> None:
    picture, _ = noisy(ppi=360)
    same = picture.with_array(picture.array())
    for made in (picture.rotated(1), picture.cropped(1, 1, 9, 9), picture.settled(), same):
        assert (made.ppi, made.profile) == (360, srgb())


def test_pixels_said_to_lie_at_another_density_are_the_same_pixels() -> None:
    picture, array = noisy()
    assert picture.with_ppi(600).ppi == 600
    assert np.array_equal(picture.with_ppi(600).array(), array)


# Pixels


def test_a_settled_picture_is_made_once_and_shows_the_same() -> None:
    opened: list[int] = []
    whole = scan()

    def opener() -> pyvips.Image:
        opened.append(1)
        return whole.open()

    waiting = Picture.from_source(opener, WIDTH, HEIGHT, grey(), 300).rotated(2).cropped(10.5, 9.5, 140, 90)
    settled = waiting.settled()
    first, second = settled.array(), settled.array()
    assert opened == [1]
    assert settled.size == (140, 90)
    assert np.array_equal(first, second)
    assert np.array_equal(first, waiting.array())


def test_an_array_changed_afterwards_does_not_change_the_picture() -> None:
    picture, array = noisy()
    made = picture.with_array(array)
    before = array.copy()
    array[:] = 0
    assert np.array_equal(made.array(), before)


def test_an_array_of_any_layout_comes_in_as_it_is_seen() -> None:
    picture, array = noisy()
    for seen in (array[::-1], array[:, ::2], np.asfortranarray(array), array.astype(">u2").astype(np.uint16)):
        assert np.array_equal(picture.with_array(seen).array(), seen)


@pytest.mark.parametrize(
    "array",
    [np.zeros((4, 4, 3), np.uint8), np.zeros((4, 4, 3)), np.zeros((4, 4), np.uint16), np.zeros((4, 4, 1), np.uint16)],
    ids=lambda array: f"{array.dtype} {array.shape}",
)
def test_an_array_that_is_no_picture_in_this_profile_is_refused(array: NDArray[np.uint16]) -> None:
    with pytest.raises(ValueError, match="channels"):
        noisy()[0].with_array(array)


def test_eight_bits_and_sixteen_are_the_same_shades() -> None:
    every = np.arange(256, dtype=np.uint8)[None, :, None]
    wide = to_sixteen_bits(pyvips.Image.new_from_array(every))
    assert wide.numpy().ravel().tolist() == [257 * n for n in range(256)]
    assert to_eight_bits(wide).numpy().ravel().tolist() == list(range(256))


def test_sixteen_bits_become_the_nearest_of_eight() -> None:
    every = np.arange(65536, dtype=np.uint16).reshape(256, 256, 1)
    picture = Picture.of(image_of(every), grey(), 300)
    nearest = np.rint(every.astype(float) * 255 / 65535)
    # 65535 is odd times 257, so no shade lies in the middle of two and rounding has no choice.
    assert np.array_equal(picture.eight_bits(), nearest)


# Looking


@pytest.mark.parametrize(("ppi", "factor"), [(150, 1), (300, 2), (600, 3), (1200, 7)])
def test_the_overview_is_the_mean_of_whole_blocks_at_about_175_ppi(ppi: int, factor: int) -> None:
    assert 140 < ppi / factor < 220
    picture, array = noisy(42, 84, 3, ppi)
    seen, found = picture.rotated(5).cropped(3, 3, 9, 9).overview()
    assert found == factor
    means = array.reshape(42 // factor, factor, 84 // factor, factor, 3).mean(axis=(1, 3))
    # Half a step for each of the two directions that libvips rounds in.
    assert np.abs(seen - means).max() <= 1


def test_the_overview_has_the_last_row_and_column_too() -> None:
    seen, factor = noisy(40, 61, 3, 600)[0].overview()
    assert (seen.shape, factor) == ((14, 21, 3), 3)


def test_the_overview_is_made_once_for_all_pictures_that_differ_in_geometry() -> None:
    found: list[int] = []

    def find() -> int:
        found.append(1)
        return 5

    picture = scan()
    assert [p.remember("sheet", find) for p in (picture, picture.rotated(3), picture.cropped(1, 1, 5, 5))] == [5] * 3
    assert found == [1]
    picture.with_array(picture.array()).remember("sheet", find)
    assert found == [1, 1]


def test_what_is_taken_is_found_once_and_kept_no_longer() -> None:
    picture = scan()
    picture.remember("large", lambda: 5)
    assert [picture.take("large", lambda: 6), picture.take("large", lambda: 7)] == [5, 7]
    assert picture.facts == {}


@pytest.mark.parametrize("ppi", [40, 75, 149])
def test_a_reduced_picture_shows_the_frame_as_it_stands(ppi: int) -> None:
    frame = scan(300).rotated(3).cropped(20, 15, 130, 90)
    small = frame.reduced(ppi)
    assert small.ppi == pytest.approx(ppi)
    step = 300 / ppi
    got = small.array()[:, :, 0].astype(float)
    x, y = centres(got.shape[1], got.shape[0])
    # A pixel of it is the mean of a step x step box, which dampens the waves of 37 and 29 pixels by known factors.
    x, y = turned_back(3, (90, 60), x * step + 20, y * step + 15)
    inside = (x > 12) & (x < WIDTH - 12) & (y > 12) & (y < HEIGHT - 12)
    waves = np.abs(got - pattern(x, y))[inside]
    # Dampening alone takes up to 11 % of 16000 at 40 ppi; a shift by half of its pixels would take a third.
    assert waves.max() < 0.15 * 16000 * (step / 7.5) ** 2 + NEAR


def test_a_reduced_picture_is_of_the_size_that_its_density_says() -> None:
    frame = scan(300).cropped(20, 15, 130, 90)
    assert frame.reduced(100).size == (43, 30)
    assert frame.resampled(260, 180).reduced(100).size == (43, 30)  # the same 130/300 inches at 600 ppi


def test_a_reduced_corner_is_the_corner_and_not_the_whole() -> None:
    picture, _ = noisy(40, 60, 3, 300)
    whole, factor = picture.overview()
    corner = picture.cropped(0, 0, 30, 20).reduced(150)
    assert (corner.size, corner.ppi, factor) == ((15, 10), 150, 2)
    assert np.array_equal(corner.array(), whole[:10, :15])


def test_a_reduced_picture_is_never_larger_than_the_picture() -> None:
    picture = scan(150)
    assert picture.reduced(4000).size == picture.size
    assert picture.resampled(90, 60).reduced(4000).size == (90, 60)


def test_a_picture_outlives_what_it_was_made_from() -> None:
    # libvips is lent the memory of arrays; it must be held as long as any picture looks at it.
    def made() -> Picture:
        picture, array = noisy(300, 300, 3, 150)
        return picture.with_array(array).settled().reduced(150)

    small = made()
    clutter = [np.full((300, 300, 3), n, np.uint16) for n in range(20)]
    assert len(clutter) == 20
    assert np.array_equal(small.array(), noisy(300, 300, 3, 150)[1])


def test_what_is_made_later_is_made_once_whoever_asks() -> None:
    made: list[str] = []
    both = Barrier(2, timeout=10)

    def make() -> pyvips.Image:
        made.append("once")
        return pyvips.Image.black(4, 3, bands=3).cast("ushort")

    later = picture_of(np.ones((3, 4, 3), np.uint16)).later(make)
    assert later.size == (4, 3)
    assert not made
    with ThreadPoolExecutor(2) as threads:
        seen = list(threads.map(lambda _: (both.wait(), later.array())[1], range(2)))
    assert made == ["once"]
    assert not seen[0].any()
    assert not seen[1].any()

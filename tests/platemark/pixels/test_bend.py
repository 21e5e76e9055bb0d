"""A scan that its carriage bent is rendered even, in one resampling."""

import numpy as np
import pytest
import pyvips
from scipy.interpolate import BSpline

from platemark.pixels.affine import Affine
from platemark.pixels.bend import Bend
from platemark.pixels.render import render

WIDTH, HEIGHT = 150, 210
TABLE = ((0.0, 0.2), (0.8, 0.7), (1.4, 1.1), (1.0, 0.8), (0.1, 0.2), (-0.8, -0.4), (-0.3, -0.2))


def wave(x, y):
    """Waves below a quarter of a cycle per pixel, three bands."""
    return np.stack(
        [32768 + 14000 * (np.cos(u * x + v * y) + np.cos(v * x - u * y + k)) for k, (u, v) in enumerate(WAVES)], -1
    )


WAVES = ((0.9, 0.8), (0.3, 1.4), (1.1, -0.2))


def bent(bend):
    """What a scanner writes whose carriage wanders: row by row, where was it over the sheet?"""
    x, wanted = np.meshgrid(np.arange(WIDTH) + 0.5, np.arange(HEIGHT) + 0.5)
    y = wanted.copy()
    for _ in range(40):  # a fixed point: y + bend(x, y) = wanted
        y = wanted - bend.at(x, y)
    values = np.rint(wave(x, y)).astype(np.uint16)
    return pyvips.Image.new_from_memory(values.tobytes(), WIDTH, HEIGHT, 3, "ushort")


def array_of(image):
    return np.frombuffer(image.write_to_memory(), np.uint16).reshape(image.height, image.width, 3)


def decibels(got, wanted, rim=12):
    inner = (slice(rim, -rim), slice(rim, -rim))
    return -10 * np.log10((((got - wanted)[inner] / 65535) ** 2).mean())


def test_the_spline_is_the_textbooks():
    bend = Bend(WIDTH, HEIGHT, TABLE)
    y = np.linspace(0, HEIGHT, 57)[:-1]
    step = HEIGHT / (len(TABLE) - 3)
    # Source: scipy.interpolate.BSpline, the same knots.
    knots = (np.arange(len(TABLE) + 4) - 3) * step
    for x, side in ((0.0, 0), (float(WIDTH), 1)):
        wanted = BSpline(knots, np.array(TABLE)[:, side], 3)(y)
        assert bend.at(np.full_like(y, x), y) == pytest.approx(wanted, abs=1e-3)


def test_a_displacement_stays_within_its_span():
    bend = Bend(WIDTH, HEIGHT, TABLE)
    x, y = np.meshgrid(np.linspace(0, WIDTH, 9), np.linspace(40, 90, 60))
    least, most = bend.span(40, 90)
    assert least <= bend.at(x, y).min()
    assert bend.at(x, y).max() <= most


@pytest.mark.parametrize("degrees", [0, 0.7, 180, 181.2])
def test_a_bent_scan_is_rendered_even(degrees):
    bend = Bend(WIDTH, HEIGHT, TABLE)
    place = Affine.rotation(degrees, about=(WIDTH / 2, HEIGHT / 2))
    got = array_of(render(bent(bend), place, WIDTH, HEIGHT, (65535,) * 3, bend)).astype(float)
    x, y = np.meshgrid(np.arange(WIDTH) + 0.5, np.arange(HEIGHT) + 0.5)
    back = place.inverse()
    wanted = wave(back.a * x + back.b * y + back.tx, back.c * x + back.d * y + back.ty)
    assert decibels(got, wanted) > 50  # as good as without a bend


def test_no_bend_and_a_bend_of_nought_are_the_same():
    place = Affine.rotation(0.9)
    source = bent(Bend(WIDTH, HEIGHT, TABLE))
    flat = Bend(WIDTH, HEIGHT, ((0.0, 0.0),) * 4)
    once = array_of(render(source, place, WIDTH, HEIGHT, (65535,) * 3)).astype(int)
    # Positions are rounded to float32, a 1000th of a pixel.
    assert abs(array_of(render(source, place, WIDTH, HEIGHT, (65535,) * 3, flat)) - once).max() <= 65


def test_a_bend_gives_the_same_bytes_with_any_number_of_threads():
    bend = Bend(WIDTH, HEIGHT, TABLE)
    usual = pyvips.vips_lib.vips_concurrency_get()
    made = set()
    try:
        for threads in (1, 2, 5):
            pyvips.vips_lib.vips_concurrency_set(threads)
            made.add(array_of(render(bent(bend), Affine.rotation(180.5), WIDTH, HEIGHT, (0,) * 3, bend)).tobytes())
    finally:
        pyvips.vips_lib.vips_concurrency_set(usual)
    assert len(made) == 1


@pytest.mark.parametrize(("table", "word"), [(((0.0, 0.0),) * 3, "4 places"), (((0.0, 0.0), (20.0, 20.0)) * 2, "5%")])
def test_what_is_no_carriage_is_refused(table, word):
    with pytest.raises(ValueError, match=word):
        Bend(WIDTH, HEIGHT, table)

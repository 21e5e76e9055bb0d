"""Parts of one original, joined. The art is a formula: each scan takes its values at its own positions, and the whole
is the same formula again, so what is expected owes nothing to the resampling under test.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np
import pytest
import pyvips

from platemark import Affine, Job, Paper, Picture, Work, colour_difference, srgb
from platemark_stages.crop import Crop
from platemark_stages.joining import (
    Exposure,
    Join,
    Placed,
    Registration,
    Seam,
    compose,
    covered,
    find_seam,
    match_exposure,
    register,
    register_pictures,
)
from platemark_stages.sheet import Decision, Finding

PPI = 75
WIDTH, HEIGHT = 260, 340  # of a part: 88 x 115 mm
SHARED = 75  # 25 mm


@dataclass(frozen=True)
class Lay:
    """How a part of the art lay on the glass: its corner in the art, turned counter-clockwise, stretched along y."""

    x: float
    y: float
    turn: float = 0.0
    stretch: float = 1.0
    gain: float = 1.0

    @property
    def to_art(self):
        turn = Affine.rotation(-self.turn, about=(WIDTH / 2, HEIGHT / 2))
        return Affine.scaling(1, 1 / self.stretch).then(turn).then(Affine.translation(self.x, self.y))


def art(x, y, seed=7):
    """Encoded sRGB of the art, 0 to 1, at positions in pixels: soft patches with clear edges on pale ground."""
    random = np.random.default_rng(seed)
    bands = []
    for _ in range(3):
        wave = np.zeros(x.shape)
        for _ in range(9):
            angle, length, phase = random.uniform(0, np.pi), random.uniform(14, 70), random.uniform(0, 2 * np.pi)
            wave += np.sin((np.cos(angle) * x + np.sin(angle) * y) * 2 * np.pi / length + phase)
        bands.append(0.55 + 0.2 * np.tanh(wave) + 0.02 * wave)
    return np.stack(bands, axis=-1)


def positions(affine, width, height):
    y, x = np.mgrid[0:height, 0:width] + 0.5
    mapped = affine.apply(np.stack([x.ravel(), y.ravel()], axis=1))
    return mapped[:, 0].reshape(height, width), mapped[:, 1].reshape(height, width)


def brightened(encoded, gain):
    """A gain in linear light. Source: IEC 61966-2-1, the part above its straight beginning."""
    return 1.055 * (((encoded + 0.055) / 1.055) ** 2.4 * gain) ** (1 / 2.4) - 0.055


@cache
def scanned(lay, seed=7):
    values = brightened(art(*positions(lay.to_art, WIDTH, HEIGHT), seed), lay.gain)
    noise = np.random.default_rng(round(lay.x + 7 * lay.y)).normal(scale=0.003, size=values.shape)
    return np.rint(np.clip(values + noise, 0, 1) * 65535).astype(np.uint16)


def picture(array, ppi=PPI):
    image = pyvips.Image.new_from_memory(array.tobytes(), array.shape[1], array.shape[0], 3, "ushort")
    return Picture.of(image.copy(interpretation="rgb16"), srgb(), ppi)


def furthest(found, lays):
    """Pixels that the worst corner of any part lies wrong, against the first."""
    to_art = found.parts[0].affine.inverse().then(lays[0].to_art)
    corners = [(x, y) for x in (0, WIDTH) for y in (0, HEIGHT)]
    return max(
        np.hypot(*(part.affine.then(to_art).apply(corners) - lay.to_art.apply(corners)).T).max()
        for part, lay in zip(found.parts, lays, strict=True)
    )


PAIR = (Lay(40, 50, 0.4, gain=1.0), Lay(40 + WIDTH - SHARED, 56, -0.5, gain=0.95))
LAYOUTS = {
    "side by side": (PAIR, [[0, 1]]),
    "one above the other": ((Lay(40, 50, 0.4), Lay(46, 50 + HEIGHT - SHARED, -0.3)), [[0], [1]]),
    "three in a row, numbered from the right": (
        tuple(Lay(40 + k * (WIDTH - SHARED), 50 + 3 * k, 0.3 * k - 0.3) for k in (2, 1, 0)),
        [[2, 1, 0]],
    ),
    "two rows of two": (
        tuple(Lay(40 + k % 2 * 185, 50 + k // 2 * 265 + 3 * (k % 2), [0.2, -0.4, 0.6, 0][k]) for k in range(4)),
        [[0, 1], [2, 3]],
    ),
}


@pytest.mark.parametrize("name", LAYOUTS)
def test_parts_are_laid_together_to_a_tenth_of_a_pixel(name):
    lays, rows = LAYOUTS[name]
    found = register([scanned(lay) for lay in lays], PPI)
    assert found.held == ""
    assert found.rows == rows
    assert furthest(found, lays) < 0.1


def test_the_stretch_of_a_carriage_is_found():
    # A home scanner's carriage is off by up to half a percent: 1.7 pixels over this part.
    lays = (PAIR[0], Lay(PAIR[1].x, PAIR[1].y, -0.5, stretch=1.005))
    found = register([scanned(lay) for lay in lays], PPI)
    assert furthest(found, lays) < 0.1


def test_without_a_stretch_none_is_made_up():
    found = register([scanned(lay) for lay in PAIR], PPI)
    a, b, _, c, d, _ = found.parts[1].matrix
    assert np.hypot(a, c) == pytest.approx(np.hypot(b, d), abs=1e-8)


def test_what_did_not_lie_on_the_glass_is_left_out():
    left = scanned(PAIR[0]).astype(float)
    depth = 15  # 5 mm, darker to the edge and blurred
    strip = left[:, -depth:]
    blurred = np.mean([np.roll(strip, k, axis=0) for k in range(-3, 4)], axis=0)
    left[:, -depth:] = blurred * np.linspace(0.95, 0.6, depth)[None, :, None]
    found = register([left.astype(np.uint16), scanned(PAIR[1])], PPI)
    # To a millimetre and a half, 4 pixels: half a bin of the measurement, and where 5 percent begin to show.
    assert WIDTH - depth - 4 <= found.parts[0].usable[2] <= WIDTH - depth + 4
    assert found.parts[1].usable == [0, 0, WIDTH, HEIGHT]
    assert furthest(found, PAIR) < 0.1


def test_parts_of_two_originals_are_held():
    found = register([scanned(PAIR[0]), scanned(PAIR[1], seed=8)], PPI)
    assert "no overlap was found between part 1 and part 2" in found.held
    assert "30 mm" in found.remedy


def ruled(x, blots):
    """A strip of paper 240 high with a line ruled along its top and bottom, and blots (x, y, size) between."""
    columns = np.arange(WIDTH) + 0.5 + x
    rows = np.arange(240) + 0.5
    grey = np.full((240, WIDTH), 0.9)
    for y in (30, 210):
        grey -= 0.6 * np.exp(-(((rows - y) / 1.2) ** 2))[:, None]
    for across, down, size in blots:
        apart = ((columns - across) / size)[None, :] ** 2 + ((rows - down) / size)[:, None] ** 2
        grey -= 0.5 * np.exp(-(apart**2))
    noise = np.random.default_rng(x).normal(scale=0.002, size=(240, WIDTH, 3))
    return np.rint((np.clip(grey, 0.05, 1)[:, :, None] + noise) * 65535).astype(np.uint16)


@pytest.mark.parametrize("seed", [1, 7])
def test_parts_are_not_slid_along_a_ruled_border(seed):
    random = np.random.default_rng(seed)
    blots = [(x, y, random.uniform(2.5, 5)) for x, y in random.uniform((20, 60), (420, 180), (32, 2))]
    found = register([ruled(0, blots), ruled(WIDTH - SHARED, blots)], PPI)
    assert found.held == ""
    first, second = (part.matrix[2] for part in found.parts)
    assert second - first == pytest.approx(WIDTH - SHARED, abs=0.1)


def test_parts_that_share_nothing_but_ruled_lines_are_held():
    # Blots in the outer halves only: along the lines in between any shift looks right.
    blots = [(40, 70, 4), (70, 120, 5), (100, 90, 3), (370, 150, 4), (390, 100, 5), (330, 130, 3)]
    found = register([ruled(0, blots), ruled(WIDTH - SHARED, blots)], PPI)
    assert "between part 1 and part 2" in found.held
    assert "safely" in found.held or "too little in common" in found.held


def test_an_overlap_of_four_millimetres_is_held():
    found = register([scanned(PAIR[0]), scanned(Lay(40 + WIDTH - 12, 50, -0.2))], PPI)
    assert found.held


@pytest.mark.parametrize("foreign", [0, 1, 2])
def test_a_part_of_another_picture_among_three_is_named(foreign):
    lays, _ = LAYOUTS["three in a row, numbered from the right"]
    found = register([scanned(lay, seed=8 if part == foreign else 7) for part, lay in enumerate(lays)], PPI)
    assert "no overlap was found between" in found.held
    # In the middle it parts the other two as well; at an end it stands alone.
    assert ("part 1 and parts 2 and 3" if foreign < 2 else "parts 1 and 2 and part 3") in found.held
    assert "parts of one original" in found.remedy


def test_three_parts_of_four_are_held_as_incomplete():
    lays, _ = LAYOUTS["two rows of two"]
    assert "rows of 2 and 1" in register([scanned(lay) for lay in lays[:3]], PPI).held


def test_a_part_given_twice_is_held():
    again = scanned(Lay(PAIR[0].x + 2, PAIR[0].y + 3, -0.2))
    assert "parts 1 and 2 show the same" in register([scanned(PAIR[0]), again], PPI).held


def test_a_scan_one_pixel_high_is_held():
    assert "part 2" in register([scanned(PAIR[0]), np.zeros((1, WIDTH, 3), np.uint16)], PPI).held


def test_blank_parts_are_held():
    blank = np.full((HEIGHT, WIDTH, 3), 60000, np.uint16)
    assert register([blank, blank], PPI).held


def test_a_sheet_that_slipped_is_held_saying_where():
    still, slipped = scanned(PAIR[1]), scanned(Lay(PAIR[1].x + 3, PAIR[1].y + 2, -0.5))
    mixed = np.concatenate([still[:200], slipped[200:]])
    found = register([scanned(PAIR[0]), mixed], PPI)
    assert "parts 1 and 2 do not fit each other at the bottom" in found.held


def test_parts_of_two_resolutions_are_held():
    found = register_pictures([picture(scanned(PAIR[0])), picture(scanned(PAIR[1]), ppi=150)])
    assert "75 and 150 ppi" in found.held


@cache
def joined():
    parts = [picture(scanned(lay)) for lay in PAIR]
    found = register_pictures(parts)
    exposure = match_exposure(parts, found)
    seam = find_seam(parts, found, exposure)
    return parts, found, exposure, seam, compose(parts, found, exposure, seam).numpy()


def test_the_gain_of_each_part_is_found_in_linear_light():
    _, _, exposure, _, _ = joined()
    first, second = np.array(exposure.gains)
    assert second / first == pytest.approx(1 / 0.95, rel=0.002)
    assert first * second == pytest.approx(1, abs=1e-4)


def whole(found):
    """The art in the frame of the joined picture, as light as its first part."""
    to_art = found.parts[0].affine.inverse().then(PAIR[0].to_art)
    return art(*positions(to_art, found.width, found.height))


def test_the_joined_picture_is_the_art_within_the_noise_of_the_scans():
    _, found, exposure, _, got = joined()
    wanted = brightened(whole(found), exposure.gains[0][0])
    inner = (slice(20, 320), slice(12, -12))
    error = got[inner] / 65535 - wanted[inner]
    # The noise of 0.003 alone is 50.5 dB; the issue is that the seam must not add to it. 38 dB are asked for.
    assert -10 * np.log10((error**2).mean()) > 48


def test_no_step_of_colour_shows_across_the_seam():
    _, found, exposure, seam, got = joined()
    wanted = np.rint(brightened(whole(found), exposure.gains[0][0]) * 65535).astype(np.uint16)
    error = picture(got).lab() - picture(wanted).lab()
    steps = []
    for row in range(20, 300, 20):
        x = seam.upright[0][0][row // seam.cell] * seam.cell
        left, right = error[row : row + 20, x - 12 : x - 2], error[row : row + 20, x + 2 : x + 12]
        step = left.mean((0, 1)) - right.mean((0, 1))
        ground = np.array([[[60, 0, 0]]], np.float32)
        steps.append(colour_difference(ground, ground + step.astype(np.float32)[None, None]).item())
    assert max(steps) < 0.5


def test_the_first_part_is_not_resampled_away_from_the_overlap():
    parts, found, exposure, seam, _ = joined()
    same = [[[2048 * k for k in range(33)]] * 3] * 2
    got = compose(parts, found, exposure.model_copy(update={"curves": same}), seam).numpy()
    # The slow part of the blend reaches 8 mm beyond the overlap, which begins at 185.
    _, _, left, _, _, top = (round(value) for value in found.parts[0].matrix)
    inner = parts[0].array()[20:-20, 20:130]
    assert np.array_equal(got[top + 20 : top + HEIGHT - 20, left + 20 : left + 130], inner)


def test_parameters_written_down_and_read_again_give_the_same_bytes():
    parts, found, exposure, seam, got = joined()
    read = [
        model.model_validate_json(value.model_dump_json())
        for model, value in ((Registration, found), (Exposure, exposure), (Seam, seam))
    ]
    fresh = [picture(part.array()) for part in parts]
    assert np.array_equal(compose(fresh, *read).numpy(), got)


def test_bare_paper_stays_bare_paper_across_the_seam():
    blank = picture(np.full((HEIGHT, WIDTH, 3), 65535, np.uint16))
    places = [Affine.translation(0, 0), Affine.rotation(0.3).then(Affine.translation(WIDTH - SHARED + 0.4, 2.3))]
    placed = [Placed.of(place, (WIDTH, HEIGHT), (0, 0, WIDTH, HEIGHT)) for place in places]
    found = Registration(width=450, height=344, parts=placed, rows=[[0, 1]])
    seam = Seam(cell=2, upright=[[[110] * 172]], level=[])
    curves = [[[2048 * k for k in range(32)] + [65536]] * 3] * 2
    got = compose([blank] * 2, found, Exposure(gains=[[1.0] * 3] * 2, curves=curves), seam).numpy()
    assert (got == 65535).all()


def test_a_crumb_on_the_glass_is_not_cut_in_two():
    marred = scanned(PAIR[1]).copy()
    marred[150:170, 25:45] = 3000  # in the middle of the overlap
    parts = [picture(scanned(PAIR[0])), picture(marred)]
    found = register_pictures(parts)
    seam = find_seam(parts, found, match_exposure(parts, found))
    placed = found.parts[1].affine.apply([(22, 147), (48, 173)])
    (left, top), (right, bottom) = placed / seam.cell
    path = np.array(seam.upright[0][0][int(top) : int(bottom)])
    assert (path <= left + 1).all() or (path >= right - 1).all()


def test_the_box_that_all_parts_cover_has_no_wedge_in_it():
    _, found, _, seam, _ = joined()
    left, top, width, height = covered(found, seam.cell)
    corners = [(x, y) for x in (left, left + width) for y in (top, top + height)]
    inside = np.zeros(4, bool)
    for part in found.parts:
        x, y = part.affine.inverse().apply(corners).T
        inside |= (x >= 0) & (y >= 0) & (x <= WIDTH) & (y <= HEIGHT)
    assert inside.all()
    assert height > HEIGHT - 20


def test_art_without_a_sheet_in_sight_is_cut_to_what_the_parts_show():
    # The second part lies 20 pixels lower: above it, and below the first, nothing was scanned.
    parts = [picture(scanned(lay)) for lay in (Lay(0, 0), Lay(WIDTH - SHARED, 20))]
    join = Join()
    joined = join.apply_all(parts, join.measure_all(parts, join.settings_model(), {}))
    assert joined.size == pytest.approx((2 * WIDTH - SHARED, HEIGHT + 20), abs=1)
    joined.remember("sheet", lambda: Finding(Decision.LEAVE, "art all over"))
    job = Job("card", Work("heron"), Paper(""), lambda _width, _height: None)
    box = Crop().measure(joined, Crop.settings_model(), job)
    assert box.top >= 20
    assert box.top + box.height <= HEIGHT
    # Four cells of a third of a millimetre may be left out beside what is missing, not more.
    assert box.height >= HEIGHT - 20 - 2 * 4 * 2
    assert box.width > joined.width - 10

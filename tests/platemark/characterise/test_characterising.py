"""A scanner is known from its chart as well as the aim says, and a chart that is no good is refused in a sentence.

Aims: patches left out of the fit are off by at most 1.5 CIEDE2000 on average with 24 patches, 1.0 with 140 and more.
"""

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import pyvips
from simulated import (
    Chart,
    Scanner,
    many_colours,
    pigments,
    reference_text,
    scanned,
    seen_by_eye,
    seen_by_sensors,
)

from platemark.characterise.characterising import Characterised, characterise
from platemark.characterise.fitting import fit_scanner
from platemark.characterise.reference import ChartError, Reference, load_reference, read_reference
from platemark.characterise.scanner_profile import scanner_profile
from platemark.pixels.ciede2000 import ciede2000
from platemark.pixels.colour import to_lab_array
from platemark.pixels.profiles import read_profile

PATCHES_24 = load_reference("patches-24")
LAB_24 = PATCHES_24.lab.reshape(4, 6, 3)
MIDDLE = 13  # column 2, row 3: the green patch C2


def image_of(pixels: np.ndarray) -> pyvips.Image:
    wide = pixels if pixels.dtype == np.uint16 else pixels.astype(np.uint16) * np.uint16(257)
    rows, columns, bands = wide.shape
    return pyvips.Image.new_from_memory(wide.tobytes(), columns, rows, bands, "ushort")


def srgb_curve(light: np.ndarray) -> np.ndarray:
    """IEC 61966-2-1."""
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)


def s_curve(light: np.ndarray) -> np.ndarray:
    """A power with the bend that pleases scanners' makers."""
    code = light ** (1 / 2.2)
    return code - 0.1 * code * (1 - code) * (2 * code - 1) * -1


CURVES: dict[str, Callable[[np.ndarray], np.ndarray]] = {
    "1.8": lambda light: light ** (1 / 1.8),
    "sRGB": srgb_curve,
    "bent": s_curve,
    "linear": lambda light: light,
}


@cache
def plain_scan() -> np.ndarray:
    return scanned(Chart(LAB_24, patch=40, skew=1))


def spoilt(at: int, change: Callable[[np.ndarray, np.ndarray], None]) -> np.ndarray:
    """The plain scan, one patch changed in place: the function gets the scan and where the patch is."""
    made = plain_scan().copy()
    change(made, Chart(LAB_24, patch=40, skew=1).cell_of_pixel() == at)
    return made


@pytest.mark.parametrize("curve", CURVES)
@pytest.mark.parametrize("flare", [0.0, 0.02])
def test_24_patches_tell_a_scanner_to_one_and_a_half(curve: str, flare: float) -> None:
    scan = scanned(Chart(LAB_24, patch=30, skew=2), Scanner(curve=CURVES[curve], flare=flare, noise=0.006))
    found = characterise(image_of(scan), PATCHES_24)
    assert len(found.patches) == 24
    assert found.left_out.mean <= 1.5


@cache
def large() -> tuple[Reference, Characterised]:
    """140 patches whose reference differs from what the sensors see by more than a matrix can say."""
    seen = many_colours(10, 14)
    hue, chroma = np.arctan2(seen[..., 2], seen[..., 1]), np.hypot(seen[..., 1], seen[..., 2])
    meant = seen + np.stack([3 * np.sin(hue), 2.5 * np.cos(2 * hue), 0 * hue], axis=2) * (chroma / 60)[..., None]
    reference = read_reference(reference_text(meant), "chart.txt")
    return reference, characterise(image_of(scanned(Chart(seen, patch=26, skew=-3, turns=3))), reference)


def test_140_patches_tell_it_to_one_and_the_correction_is_the_reason() -> None:
    _, found = large()
    assert found.left_out.mean <= 1.0
    assert found.fit.correction is not None
    assert found.left_out.mean < 0.5 * found.fit.plain_left_out.mean()


@pytest.mark.parametrize(("patches", "aim"), [(24, 1.5), (140, 1.0)])
@pytest.mark.parametrize("seed", [11, 12])
def test_the_aims_hold_for_reflectances_and_sensors_that_no_matrix_makes_into_an_eye(
    patches: int, aim: float, seed: int
) -> None:
    surfaces = pigments(patches, seed)
    # Noise of a patch's mean: 0.4 per cent a pixel, over some 400 pixels.
    noise = np.random.Generator(np.random.PCG64(seed)).normal(0, 0.0002, (patches, 3))
    codes = (0.92 * (seen_by_sensors(surfaces) + 0.006) / 1.006) ** (1 / 2.2) + noise
    assert fit_scanner(codes, seen_by_eye(surfaces)).left_out.mean() <= aim


def test_without_need_there_is_no_correction() -> None:
    found = characterise(image_of(plain_scan()), PATCHES_24)
    assert found.fit.correction is None


def test_chance_is_not_taken_for_a_correction() -> None:
    # Differences without any order: what is learnt of them is worth nothing on patches left out.
    lab = many_colours(10, 14).reshape(-1, 3)
    scanner = Scanner()
    random = np.random.Generator(np.random.PCG64(9))
    fit = fit_scanner(scanner.curve(scanner.light(lab)), lab + random.normal(0, 1, lab.shape))
    assert fit.correction is None
    assert fit.left_out.mean() > fit.fitted.mean()


@pytest.mark.parametrize("size", ["matrix", "table"])
def test_the_profile_gives_through_lcms2_what_was_fitted(size: str) -> None:
    found = characterise(image_of(plain_scan()), PATCHES_24) if size == "matrix" else large()[1]
    profile = read_profile(scanner_profile(found.fit, "a scanner"), "scanner.icc")
    assert (profile.device_class, profile.colour_space) == ("scnr", "RGB")
    # Colours of the same scanner that are in no chart; 0.2 is a fifth of what is just visible.
    lab = many_colours(20, 20, 5).reshape(-1, 3)
    scanner = Scanner()
    codes = np.rint(scanner.curve(scanner.light(lab)) * 65535).astype(np.uint16)[None]
    through = to_lab_array(image_of(codes), profile)[0].astype(float)
    assert ciede2000(through, found.fit.lab(codes[0] / 65535)).mean() < 0.2


def test_a_scanner_so_known_gives_back_colours_it_never_saw() -> None:
    found = characterise(image_of(plain_scan()), PATCHES_24)
    lab = many_colours(20, 20, 6).reshape(-1, 3)
    scanner = Scanner()
    assert ciede2000(found.fit.lab(scanner.curve(scanner.light(lab))), lab).mean() < 0.5


def test_8_bits_are_enough_though_16_are_better() -> None:
    found = [
        characterise(image_of(scanned(Chart(LAB_24, patch=30), Scanner(bits=bits, noise=0.003))), PATCHES_24)
        for bits in (8, 16)
    ]
    assert found[0].left_out.mean < 0.5
    assert found[1].left_out.mean < 0.5


# Patches that are no good.


def dust(scan: np.ndarray, patch: np.ndarray) -> None:
    speckled = patch & (np.random.Generator(np.random.PCG64(2)).random(patch.shape) < 0.15)
    scan[speckled] = 6000


def glare(scan: np.ndarray, patch: np.ndarray) -> None:
    y, _ = np.nonzero(patch)
    share = (y - y.min()) / np.ptp(y)
    scan[patch] = np.minimum(scan[patch] + (9000 * share)[:, None], 65000).astype(np.uint16)


def half_covered(scan: np.ndarray, patch: np.ndarray) -> None:
    _, x = np.nonzero(patch)
    inside = patch.copy()
    inside[:, : int(np.median(x))] = False
    scan[inside] = 50000


def clipped(scan: np.ndarray, patch: np.ndarray) -> None:
    scan[patch] = 65535


@pytest.mark.parametrize(
    ("change", "says"), [(dust, "dust"), (glare, "glare"), (half_covered, "partly covered"), (clipped, "clipped")]
)
def test_a_spoilt_patch_is_named_and_left_out(change: Callable[[np.ndarray, np.ndarray], None], says: str) -> None:
    found = characterise(image_of(spoilt(MIDDLE, change)), PATCHES_24)
    assert list(found.left_aside) == ["C2"]
    assert says in found.left_aside["C2"]
    assert found.left_out.mean < 1.5


def test_a_few_specks_do_no_harm() -> None:
    def few(scan: np.ndarray, patch: np.ndarray) -> None:
        scan[patch & (np.random.Generator(np.random.PCG64(2)).random(patch.shape) < 0.02)] = 6000

    found = characterise(image_of(spoilt(MIDDLE, few)), PATCHES_24)
    assert found.left_aside == {}
    assert found.left_out.mean < 0.5


def test_a_covered_patch_is_named_and_nothing_is_made() -> None:
    def covered(scan: np.ndarray, patch: np.ndarray) -> None:
        scan[patch] = scan[patch] // 3 + 30000

    with pytest.raises(ChartError, match="the colour of C2") as caught:
        characterise(image_of(spoilt(MIDDLE, covered)), PATCHES_24)
    assert "uncover" in str(caught.value)


def test_a_scan_that_is_clipped_all_over_is_refused() -> None:
    scan = scanned(Chart(LAB_24, patch=40), replace(Scanner(), gain=4.0))
    with pytest.raises(ChartError, match=r"clipped|not those of|run from L"):
        characterise(image_of(scan), PATCHES_24)


def test_a_reference_of_another_make_with_the_same_patches_in_order_is_refused_or_said_to_be_poor() -> None:
    # The same arrangement, all colours of middling agreement: 10 CIEDE2000 off here and there.
    random = np.random.Generator(np.random.PCG64(3))
    other = Reference("other", PATCHES_24.patches, PATCHES_24.lab + random.normal(0, 14, (24, 3)))
    with pytest.raises(ChartError) as caught:
        characterise(image_of(plain_scan()), other)
    assert caught.value.remedy


# Signs of automatic correction.


def stretched(scan: np.ndarray) -> np.ndarray:
    """What auto levels make of 8 bits: 20 to 235 become 0 to 255. More noise, so that codes are filled."""
    return np.clip(np.rint((scan.astype(float) - 20) * 255 / 215), 1, 254).astype(np.uint8)


def test_comb_gaps_are_noticed_and_an_honest_scan_is_not_blamed() -> None:
    honest = scanned(Chart(LAB_24, patch=40), Scanner(bits=8, noise=0.012, gain=0.8))
    assert characterise(image_of(honest), PATCHES_24).warnings == ()
    warned = characterise(image_of(stretched(honest)), PATCHES_24).warnings
    assert any("comb gaps" in warning for warning in warned)


def test_clipped_ends_are_noticed() -> None:
    scan = scanned(Chart(LAB_24, patch=40, bed=(100.0, 0.0, 0.0)), Scanner(gain=1.06))
    assert any("clipped at the lightest" in warning for warning in characterise(image_of(scan), PATCHES_24).warnings)

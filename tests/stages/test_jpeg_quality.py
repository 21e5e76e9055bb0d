"""The best quality under a size limit, against sizes that were all tried."""

import math
from functools import cache
from typing import Any

import numpy as np
import pytest
from PIL import Image

from platemark_stages.jpeg import quality as quality_search
from platemark_stages.jpeg.encoders import Bytes, Subsampling, encode
from platemark_stages.jpeg.quality import Fit, TooLarge, fit_under
from platemark_stages.jpeg.segments import Metadata, assemble

SAID = Metadata(title="Grey heron", artist="Mara Lindqvist", ppi=300)
LOWEST, HIGHEST = 80, 98


@cache
def painting(rows: int = 528, columns: int = 400, channels: int = 3) -> Bytes:
    """A wash with grain and a dark shape on part of it, within a white border: busy here, empty there."""
    random = np.random.default_rng(7)
    down, across = np.mgrid[0:rows, 0:columns]
    wash = (120 + 60 * (down // 8 % 9) // 8 + 40 * across // columns)[:, :, np.newaxis] + np.arange(channels) * 9
    grain = random.integers(-6, 7, (rows, columns, channels))
    shape = ((down - rows // 3) ** 2 + (across - columns // 2) ** 2 < (columns // 5) ** 2)[:, :, np.newaxis]
    picture: Bytes = np.clip(wash + grain * np.where(shape, 6, 1) - 70 * shape, 0, 255).astype(np.uint8)
    picture[: rows // 10] = picture[-rows // 10 :] = 255
    picture[:, : columns // 10] = picture[:, -columns // 10 :] = 255
    return picture


@cache
def size(quality: int, subsampling: Subsampling = "4:4:4", channels: int = 3) -> int:
    return len(assemble(encode(painting(channels=channels), quality, subsampling), SAID))


def best_of_all(cap: int, subsampling: Subsampling = "4:4:4", channels: int = 3) -> int:
    return max(q for q in range(LOWEST, HIGHEST + 1) if size(q, subsampling, channels) <= cap)


def fit(cap: int, pixels: Bytes | None = None, **options: Any) -> Fit | TooLarge:
    pixels = painting() if pixels is None else pixels
    return fit_under(pixels, SAID, **{"cap": cap, "min_quality": LOWEST, "max_quality": HIGHEST, **options})


def fitted(cap: int, pixels: Bytes | None = None, **options: Any) -> Fit:
    found = fit(cap, pixels, **options)
    assert isinstance(found, Fit)
    return found


@pytest.mark.parametrize("quality", [80, 85, 88, 91, 94, 96, 97])
@pytest.mark.parametrize("spare", [0, 1, -1, 2500], ids=["exact", "a byte to spare", "a byte short", "some to spare"])
def test_the_chosen_quality_is_the_best_that_fits(quality: int, spare: int) -> None:
    cap = max(size(quality) + spare, size(LOWEST))
    found = fitted(cap)
    assert (found.quality, found.subsampling) == (best_of_all(cap), "4:4:4")
    assert len(found.file) <= cap


def test_the_file_is_the_one_that_quality_and_subsampling_make() -> None:
    found = fitted(size(90))
    assert found.file == assemble(encode(painting(), found.quality, found.subsampling), SAID)


def test_the_best_quality_is_taken_at_once_where_it_fits() -> None:
    found = fitted(10**9)
    assert (found.quality, found.encodes_done) == (HIGHEST, 1)


def test_few_full_encodes_are_needed_where_the_picture_is_sampled(monkeypatch: pytest.MonkeyPatch) -> None:
    # A fifth of the painting, much like a thirteenth of a whole sheet.
    monkeypatch.setattr(quality_search, "SAMPLED", painting().size // 3 // 5)
    whole: list[bool] = []

    def counting(pixels: Bytes, quality: int, subsampling: Subsampling) -> bytes:
        whole.append(pixels.shape == painting().shape)
        return encode(pixels, quality, subsampling)

    # Limits spread evenly over the sizes, so that some lie close above a quality and some close below.
    caps = [size(82) + (size(97) - size(82)) * step // 13 for step in range(1, 13)]
    found = [fitted(cap, encoder=counting) for cap in caps]
    assert [each.quality for each in found] == [best_of_all(cap) for cap in caps]
    assert sum(whole) == sum(each.encodes_done for each in found)
    assert sum(whole) / len(found) <= 2


def test_colour_is_thinned_out_only_where_full_colour_falls_under_the_lowest_quality() -> None:
    assert fitted(size(LOWEST)).subsampling == "4:4:4"
    cap = size(LOWEST) - 1
    found = fitted(cap)
    assert (found.quality, found.subsampling) == (best_of_all(cap, "4:2:0"), "4:2:0")


def test_a_limit_that_cannot_be_met_says_what_would_be_enough() -> None:
    found = fit(size(LOWEST, "4:2:0") - 1)
    assert isinstance(found, TooLarge)
    assert (found.smallest, found.quality, found.subsampling) == (size(LOWEST, "4:2:0"), LOWEST, "4:2:0")
    assert isinstance(fit(found.smallest), Fit)


def test_a_limit_that_cannot_be_met_names_a_resolution_that_fits() -> None:
    cap = size(LOWEST, "4:2:0") * 6 // 10
    found = fit(cap)
    assert isinstance(found, TooLarge)
    rows, columns, _ = painting().shape
    scale = found.fitting_ppi / SAID.ppi
    smaller = Image.fromarray(painting()).resize((math.ceil(columns * scale), math.ceil(rows * scale)))
    assert 0.4 < scale < 1
    assert isinstance(fit(cap, np.asarray(smaller)), Fit)


def test_no_resolution_fits_under_a_limit_of_one_byte() -> None:
    found = fit(1)
    assert isinstance(found, TooLarge)
    assert (found.smallest, found.fitting_ppi) == (size(LOWEST, "4:2:0"), 0)


@pytest.mark.parametrize("channels", [1, 4], ids=["grey", "CMYK"])
def test_grey_and_cmyk_have_no_colour_to_thin_out(channels: int) -> None:
    cap = size(92, channels=channels) + 10
    found = fitted(cap, painting(channels=channels))
    assert (found.quality, found.subsampling) == (best_of_all(cap, channels=channels), "4:4:4")
    assert isinstance(fit(size(LOWEST, channels=channels) - 1, painting(channels=channels)), TooLarge)


@pytest.mark.parametrize("sides", [(1, 1), (5, 7), (16, 300), (300, 15), (33, 2000)])
def test_pictures_smaller_than_a_tile_are_no_special_case(sides: tuple[int, int]) -> None:
    picture = np.random.default_rng(3).integers(0, 256, (*sides, 3), dtype=np.uint8)
    sizes = {q: len(assemble(encode(picture, q), SAID)) for q in range(LOWEST, HIGHEST + 1)}
    cap = sizes[90] + 3
    found = fitted(cap, picture)
    assert found.quality == max(q for q, bytes_ in sizes.items() if bytes_ <= cap)


def test_a_sample_that_misleads_costs_encodes_but_not_the_result() -> None:
    # All but the whole picture is coded as if it were posterised, a good deal smaller than its share.
    def misleading(pixels: Bytes, quality: int, subsampling: Subsampling) -> bytes:
        honest = pixels.shape == painting().shape
        return encode(pixels if honest else pixels // 64 * 64, quality, subsampling)

    assert fitted(size(88) + 5, encoder=misleading).quality == 88


@pytest.mark.parametrize("qualities", [(0, 90), (91, 90), (90, 101)])
def test_qualities_out_of_order_are_refused(qualities: tuple[int, int]) -> None:
    with pytest.raises(ValueError, match="lowest"):
        fit(10**6, min_quality=qualities[0], max_quality=qualities[1])

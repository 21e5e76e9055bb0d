"""Colour difference, against the table that everyone who builds CIEDE2000 is held to."""

import csv
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from platemark import colour_difference

TABLE = Path(__file__).parents[1] / "data" / "reference" / "ciede2000_pairs.csv"


def pairs() -> list[dict[str, str]]:
    with TABLE.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def lab(pair: dict[str, str], which: int) -> NDArray[np.float32]:
    return np.array([[[float(pair[f"{axis}{which}"]) for axis in "Lab"]]], np.float32)


def test_the_table_is_whole() -> None:
    assert [int(pair["pair"]) for pair in pairs()] == list(range(1, 35))


@pytest.mark.parametrize("swapped", [False, True], ids=["as printed", "swapped"])
@pytest.mark.parametrize("pair", pairs(), ids=lambda pair: f"pair {pair['pair']}")
def test_a_published_pair_is_as_far_apart_as_published(pair: dict[str, str], *, swapped: bool) -> None:
    one, other = (lab(pair, 2), lab(pair, 1)) if swapped else (lab(pair, 1), lab(pair, 2))
    # Four decimals are printed. The hues of pairs 10 and 14 are exactly opposite: which way round their mean is taken
    # must not hang on the last bit of an arctangent (pair 14 would come out as 4.7461).
    assert colour_difference(one, other)[0, 0] == pytest.approx(float(pair["de2000"]), abs=1e-4)


@pytest.mark.filterwarnings('ignore:"Matplotlib" related')  # which it only needs for drawing
def test_colours_of_all_hues_are_as_far_apart_as_another_library_finds() -> None:
    colour = pytest.importorskip("colour", reason="the package colour-science")
    random = np.random.Generator(np.random.PCG64(0))
    one = (random.random((50, 80, 3)) * (100, 200, 200) - (0, 100, 100)).astype(np.float32)
    other = (one + random.normal(0, 8, one.shape)).astype(np.float32)
    reference = colour.difference.delta_E_CIE2000(one.astype(float), other.astype(float))
    assert np.abs(colour_difference(one, other) - reference).max() < 1e-4

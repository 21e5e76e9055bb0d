"""Whatever is dropped in ends as a print, left as it is, or held with a sentence: never as a fault of the program."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import pyvips
import tifffile
from numpy.typing import NDArray

from conftest import CONFIG, Bench, write_scan
from platemark.config.model import Scanner
from platemark.contract.plugins import load_plugins
from platemark.flow.looking import look_at

Pixels = NDArray[np.uint8]


def nothing() -> Pixels:
    """An empty bed: even lid and noise."""
    noise = np.random.default_rng(3).normal(0, 0.6, (900, 640, 3))
    return np.clip(np.rint(244 + noise), 0, 255).astype(np.uint8)


ODD: dict[str, Callable[[], Pixels]] = {
    "an empty bed": nothing,
    "black": lambda: np.zeros((900, 640, 3), np.uint8),
    "white": lambda: np.full((900, 640, 3), 255, np.uint8),
    "a single colour": lambda: np.full((900, 640, 3), (200, 40, 90), np.uint8),
    "one pixel high": lambda: np.full((1, 900, 3), 128, np.uint8),
    "one pixel wide": lambda: np.full((900, 1, 3), 128, np.uint8),
    "one pixel": lambda: np.full((1, 1, 3), 128, np.uint8),
    "noise": lambda: np.random.default_rng(4).integers(0, 256, (900, 640, 3), np.uint8),
}


def sentence(text: str) -> None:
    """Something a person can read: words, and no traceback."""
    assert len(text.split()) >= 3
    assert "Traceback" not in text
    assert "Error" not in text


def assert_ends_well(tmp_path: Path, write: Callable[[Path], object], config: str = CONFIG) -> str:
    """Drop a scan in, and look at it; what find says of it."""
    bench = Bench(tmp_path / "studio", config)
    scan = bench.root / "scans" / "odd.tif"
    scan.parent.mkdir(parents=True, exist_ok=True)
    write(scan)
    look = look_at(scan, Scanner(ppi=150), load_plugins(None))
    assert look.division.decision in {"found", "leave", "held"}
    sentence(look.division.reason)
    outcomes = bench.run()
    assert outcomes
    for outcome in outcomes:
        assert outcome.status in {"ready", "held"}
        if outcome.status == "held":
            sentence(outcome.reason)
            sentence(outcome.remedy)
    return look.division.decision


@pytest.mark.parametrize("what", ODD)
def test_an_odd_scan_is_left_or_held_with_a_sentence(tmp_path: Path, what: str) -> None:
    decision = assert_ends_well(tmp_path, lambda path: write_scan(path, ODD[what]()))
    assert decision in {"leave", "held"}, "there is no sheet on it"


def test_a_scan_of_one_bit_is_looked_at_like_any_other(tmp_path: Path) -> None:
    bits = np.zeros((900, 640), bool)
    bits[200:700, 150:500] = True
    assert_ends_well(
        tmp_path,
        lambda path: tifffile.imwrite(
            path, bits, photometric="minisblack", resolution=(150, 150), resolutionunit="INCH"
        ),
    )


def test_a_scan_of_three_hundred_megapixels_is_read_in_strips(tmp_path: Path) -> None:
    # An even bed in a file of a few hundred kilobytes; 1200 ppi are 47.244 pixels a millimetre.
    bed = (pyvips.Image.black(20000, 15000) + 244).cast("uchar")
    options = {"compression": "deflate", "xres": 47.244, "yres": 47.244, "predictor": "none"}
    bench = Bench(tmp_path / "studio")
    bed.tiffsave(str(bench.root / "scans" / "large.tif"), **options)
    assert {outcome.reason for outcome in bench.run()} == {"nothing lies on the bed"}

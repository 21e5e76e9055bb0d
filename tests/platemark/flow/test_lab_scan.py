"""A CIELAB scan from the scans folder to its prints, and the prints again."""

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from conftest import CONFIG, Bench, sheet_scan
from platemark.contract.plugins import load_plugins
from platemark.flow.headers import LabKind
from platemark.flow.lab_scan import meaning
from platemark.flow.reproduce import reproduce
from platemark.pixels.profiles import srgb
from platemark.records.manifest import read_manifest

CONVERTS = CONFIG.replace("[scanner]", '[scanner]\nlab = "convert"')


def lab_sheet(bits: int) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """A light sheet with a disc, as ICCLab: the numbers are taken for L*, and a* and b* are little."""
    numbers = sheet_scan(bits=bits).copy()
    numbers[..., 1:] = 2 ** (bits - 1) + (numbers[..., 1:] >> 4)
    return numbers


@pytest.mark.parametrize("bits", [8, 16])
def test_a_lab_scan_is_printed_and_the_print_made_again_from_what_is_written_down(tmp_path: Path, bits: int) -> None:
    bench = Bench(tmp_path / "studio", CONVERTS)
    bench.drop("heron.tif", lab_sheet(bits), photometric="icclab")
    assert [outcome.status for outcome in bench.run()] == ["ready", "ready"]
    card = bench.root / "ready" / "heron.card.toml"
    source = read_manifest(card).sources[0]
    assert (source.profile_from, source.bits) == ("sRGB, converted from CIELAB", bits)
    assert source.profile == srgb().sha256
    bench.file.unlink()  # no config is asked
    assert reproduce(card, load_plugins()).same


def test_without_the_word_a_lab_scan_is_held_and_nothing_is_printed(bench: Bench) -> None:
    bench.drop("heron.tif", lab_sheet(8), photometric="icclab")
    assert {outcome.status for outcome in bench.run()} == {"held"}
    assert bench.names("ready") == []


# TIFF 6.0, section 23, and libtiff's tif_color.c (CIELab); ICC.1:2001-04, annex A (ICCLab).
@pytest.mark.parametrize(
    ("bits", "kind", "number", "lightness", "chroma"),
    [
        (8, "CIELab", 255, 100, -1), (8, "CIELab", 127, 49.80392, 127), (8, "CIELab", 128, 50.19608, -128),
        (16, "CIELab", 65535, 100, -1 / 256), (16, "CIELab", 32768, 50.00076, -128),
        (8, "ICCLab", 255, 100, 127), (8, "ICCLab", 128, 50.19608, 0), (8, "ICCLab", 0, 0, -128),
        (16, "ICCLab", 65280, 100, 127), (16, "ICCLab", 65535, 100, 127.99609), (16, "ICCLab", 32768, 50.19608, 0),
    ],
)  # fmt: skip
def test_a_number_of_a_lab_file_means_what_its_standard_says(
    bits: int, kind: LabKind, number: int, lightness: float, chroma: float
) -> None:
    # Five decimals are printed above.
    assert meaning(bits, kind)[number] == pytest.approx([lightness, chroma, chroma], abs=1e-5)

"""A scan and its turned one become one picture: under the upright scan's name, made again, and held together."""

from pathlib import Path

import numpy as np
import pytest

from conftest import CONFIG, Bench, sheet_scan
from platemark.contract.plugins import load_plugins
from platemark.flow.reproduce import reproduce
from platemark.records.manifest import read_manifest

NAMES = ["heron.tif", "heron.turned.tif"]


@pytest.fixture
def studio(tmp_path: Path) -> Bench:
    return Bench(tmp_path / "studio", config='stages = ["resample", "border", "jpeg"]\n' + CONFIG)


def pair(seed: int = 3):
    """One sheet with a coarse pattern painted on it, and the same turned by 180 degrees, with other noise."""
    pattern = np.random.Generator(np.random.PCG64(seed)).integers(-30, 30, (59, 48, 1))
    painted = sheet_scan(seed=3) + np.kron(pattern, np.ones((8, 8, 1), int))
    noise = np.random.Generator(np.random.PCG64(8)).normal(0, 1, (2, *painted.shape))
    return [
        np.clip(np.rint(own + painted[::step, ::step]), 0, 255).astype(np.uint8)
        for own, step in zip(noise, (1, -1), strict=True)
    ]


def drop(studio: Bench, scans) -> None:
    for name, scan in zip(NAMES, scans, strict=True):
        studio.drop(name, scan)


def test_a_turned_scan_is_averaged_with_its_upright_one_and_made_again(studio: Bench) -> None:
    drop(studio, pair())
    assert {(outcome.scan, outcome.status, outcome.reason) for outcome in studio.run()} == {("heron.tif", "ready", "")}
    assert studio.names("scans") == []
    manifest = read_manifest(studio.root / "ready" / "heron.card.toml")
    assert len(manifest.sources) == 2
    [turned] = [transform for transform in manifest.transforms if transform.stage == "turned"]
    # Turned by exactly 180 degrees about the middle of 384 x 472 pixels.
    assert turned.parameters["matrix"] == pytest.approx([-1, 0, 384, 0, -1, 472], abs=0.1)
    assert turned.size_out == [384, 472]
    assert reproduce(studio.root / "ready" / "heron.card.toml", load_plugins()).same


def test_a_turned_scan_of_another_sheet_is_held_with_the_upright_one(studio: Bench) -> None:
    drop(studio, [pair()[0], np.random.Generator(np.random.PCG64(1)).integers(0, 255, (472, 384, 3), np.uint8)])
    [outcome] = studio.run()
    assert outcome.status == "held"
    assert "turned scan" in outcome.reason
    assert studio.names("held") == ["heron.held.toml", *NAMES]


def test_a_turned_scan_waits_for_the_upright_one(studio: Bench) -> None:
    studio.drop(NAMES[1], pair()[1])
    assert "ready" not in [outcome.status for outcome in studio.run()]
    assert studio.names("scans") == [NAMES[1]]


def test_a_ticket_tells_of_the_sheet_as_ever(studio: Bench) -> None:
    drop(studio, pair())
    (studio.root / "scans" / "heron.toml").write_text('title = "Heron"\n', "utf-8")
    assert {outcome.status for outcome in studio.run()} == {"ready"}
    assert read_manifest(studio.root / "ready" / "heron.card.toml").work["title"] == "Heron"

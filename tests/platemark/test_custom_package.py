"""A stage of a stranger's package: installed beside platemark, used through the studio, and made again later."""

import importlib
import subprocess
import sys
import tomllib
import zipimport
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from conftest import CONFIG, Bench
from platemark.contract.plugins import load_plugins
from platemark.errors import PlatemarkError
from platemark.flow.delivery import Outcome
from platemark.flow.reproduce import reproduce
from platemark.flow.watch import Watcher
from platemark.records.making import this_engine

pytest.importorskip("hatchling", reason="the package is built with hatchling, which no index is asked for here")

PACKAGE = Path(__file__).parents[1] / "packages" / "platemark_grain"
WITH_GRAIN = (
    'stages = ["deskew", "crop", "resample", "grain", "border", "jpeg"]\n' + CONFIG + "[stage.grain]\nstrength = 8\n"
)


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The package, built and installed by pip into a folder of its own; nothing is fetched."""
    folder = tmp_path_factory.mktemp("site")
    offline = ["--no-deps", "--no-build-isolation", "--no-index", "--disable-pip-version-check", "--quiet"]
    subprocess.run(
        [sys.executable, "-m", "pip", "install", *offline, "--target", str(folder), str(PACKAGE)], check=True
    )
    return folder


@pytest.fixture
def installed(site: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """The package as if it were in the environment, for one test."""
    monkeypatch.syspath_prepend(str(site))
    importlib.invalidate_caches()
    this_engine.cache_clear()  # as in a process that starts now
    yield
    this_engine.cache_clear()
    sys.modules.pop("platemark_grain", None)


def grainy(path: Path) -> float:
    """How much neighbouring pixels differ, on average, on bare paper of the scan."""
    with Image.open(path) as file:
        paper = np.asarray(file).astype(int)[100:140, 60:100]
    return float(np.abs(np.diff(paper, axis=1)).mean())


@pytest.mark.usefixtures("installed")
def test_an_installed_stage_is_found_with_its_package_and_version() -> None:
    stage = load_plugins().stage("grain")
    assert (stage.origin, stage.kind.version) == ("platemark-grain 1.2.0", 3)


@pytest.mark.usefixtures("installed")
def test_the_stage_keeps_the_contract() -> None:
    from platemark.testing import check_stage  # noqa: PLC0415

    check_stage(load_plugins().stage("grain").kind)


@pytest.mark.usefixtures("installed")
def test_a_scan_dropped_in_gets_the_grain_of_its_own_content_and_can_be_made_again(tmp_path: Path) -> None:
    bench = Bench(tmp_path / "studio", WITH_GRAIN)
    bench.drop("heron.tif")
    done: list[str] = []

    def hear(outcome: Outcome) -> None:
        done.append(outcome.status)
        watcher.stop()  # it finishes the scan in hand first: both prints

    watcher = Watcher(bench.studio, on_outcome=hear)
    watcher.run()
    assert done == ["ready", "ready"]

    manifest = tomllib.loads((bench.root / "ready" / "heron.card.toml").read_text())
    (transform,) = [it for it in manifest["transforms"] if it["stage"] == "grain"]
    assert (transform["distribution"], transform["distribution_version"]) == ("platemark-grain", "1.2.0")
    assert transform["parameters"]["seed"] == int(manifest["sources"][0]["sha256"][:8], 16)

    again = reproduce(bench.root / "ready" / "heron.card.toml", load_plugins())
    assert again.same, again.sentence()


@pytest.mark.usefixtures("installed")
def test_the_package_is_archived_beside_the_originals_so_that_no_index_has_to_offer_it(tmp_path: Path) -> None:
    bench = Bench(tmp_path / "studio", WITH_GRAIN)
    bench.drop("heron.tif")
    bench.run()
    made = tomllib.loads((bench.root / "ready" / "heron.card.toml").read_text())["made"]
    (line,) = [line for line in made["wheels"] if line.startswith("platemark-grain==1.2.0 sha256:")]
    wheel = bench.root / "originals" / "wheels" / f"{line.rpartition(':')[2]}.whl"
    # The importer of the standard library is the judge of whether the code is in it.
    finder = zipimport.zipimporter(str(wheel))
    assert "class Grain" in finder.get_source("platemark_grain")


@pytest.mark.usefixtures("installed")
def test_the_grain_is_on_the_print(tmp_path: Path) -> None:
    plain = Bench(tmp_path / "plain", WITH_GRAIN.replace("strength = 8", "strength = 0"))
    bench = Bench(tmp_path / "studio", WITH_GRAIN)
    for studio in (plain, bench):
        studio.drop("heron.tif")
        studio.run()
    with_grain, without = (grainy(it.root / "ready" / "heron.card.jpg") for it in (bench, plain))
    assert with_grain > 2 * without


def test_without_the_package_the_export_says_which_stage_is_missing(
    site: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as there:
        there.syspath_prepend(str(site))
        bench = Bench(tmp_path / "studio", WITH_GRAIN)
        bench.drop("heron.tif")
        assert {outcome.status for outcome in bench.run()} == {"ready"}
    sys.modules.pop("platemark_grain")
    importlib.invalidate_caches()
    with pytest.raises(PlatemarkError, match="no stage named grain"):
        reproduce(bench.root / "ready" / "heron.card.toml", load_plugins())

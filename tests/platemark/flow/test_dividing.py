"""Several sheets on one bed: each becomes prints of its own, made again like any other."""

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from conftest import CONFIG, Bench, sheet_scan
from platemark.contract.plugins import load_plugins
from platemark.flow.inbox import list_scans
from platemark.flow.reproduce import reproduce
from platemark.records.manifest import read_manifest

PLUGIN = """
from pathlib import Path
import numpy as np
from pydantic import Field
from platemark import Division, Item, Parameters, Picture, Settings, Stage, hookimpl

HALVES = {"left": (0, 0), "right": (384, 0)}


class HalfSettings(Settings):
    pass


class HalfParameters(Parameters):
    left: float = Field(description="Pixels from the left edge of the scan.")


class Half(Stage[HalfSettings, HalfParameters]):
    '''Cuts out the half that the item stands in.'''

    name = "half"
    per_print = False
    per_item = True

    def measure(self, picture, settings, job):
        return HalfParameters(left=picture.remember("half", lambda: 0.0))

    def apply(self, picture, parameters):
        return picture.cropped(parameters.left, 0, 384, 472)


@hookimpl
def platemark_stages():
    return [Half]


@hookimpl
def platemark_divide(picture: Picture) -> Division:
    def item(left):
        corners = ((left, 0.0), (left + 384, 0.0), (left + 384, 472.0), (left, 472.0))
        return Item(corners, 0.0, 1.0, {"half": left})
    return Division("found", "two halves", (item(0.0), item(384.0)))
"""
DIVIDING = CONFIG.replace(
    "[scanner]", 'stages_dir = "stages"\nstages = ["half", "resample", "border", "jpeg"]\n\n[scanner]', 1
)


@pytest.fixture
def divided(tmp_path: Path) -> Bench:
    """A studio whose own plugin divides a scan into its halves."""
    stages = tmp_path / "studio" / "stages"
    stages.mkdir(parents=True)
    # Plugins are asked in the order of their names, so this one is asked before the built-in one.
    (stages / "a_half.py").write_text(PLUGIN, encoding="utf-8")
    return Bench(tmp_path / "studio", config=DIVIDING)


def test_each_item_of_a_bed_becomes_prints_of_its_own(divided: Bench) -> None:
    divided.drop("bed.tif", np.concatenate([sheet_scan(seed=1), sheet_scan(seed=120)], axis=1))
    outcomes = divided.run()
    assert [(outcome.scan, outcome.status) for outcome in outcomes] == [
        ("bed.tif, item 1", "ready"),
        ("bed.tif, item 1", "ready"),
        ("bed.tif, item 2", "ready"),
        ("bed.tif, item 2", "ready"),
    ]
    assert divided.names("ready") == [
        f"bed-{number}.{name}.{ending}" for number in (1, 2) for name in ("card", "mini") for ending in ("jpg", "toml")
    ]
    assert divided.names("scans") == []
    assert len([name for name in divided.names("originals") if name.startswith("bed-")]) == 1


def test_the_manifest_says_which_item_and_makes_it_again(divided: Bench) -> None:
    divided.drop("bed.tif", np.concatenate([sheet_scan(seed=1), sheet_scan(seed=120)], axis=1))
    divided.run()
    for number in (1, 2):
        path = divided.root / "ready" / f"bed-{number}.card.toml"
        manifest = read_manifest(path)
        assert (manifest.sources[0].item, manifest.work["name"]) == (number, f"bed-{number}")
        assert reproduce(path, load_plugins()).same


def test_items_are_not_made_twice(divided: Bench) -> None:
    scan = divided.drop("bed.tif", np.concatenate([sheet_scan(seed=1), sheet_scan(seed=120)], axis=1))
    data = scan.read_bytes()
    divided.run()
    scan.write_bytes(data)
    assert {outcome.status for outcome in divided.run()} == {"known"}
    assert len(divided.names("ready")) == 8


def test_a_ticket_that_corrects_the_cut_is_about_the_whole_scan(divided: Bench) -> None:
    scan = divided.drop("bed.tif", np.concatenate([sheet_scan(seed=1), sheet_scan(seed=120)], axis=1))
    scan.with_suffix(".toml").write_text("[corrections.half]\nleft = 100\n", encoding="utf-8")
    divided.run()
    assert divided.names("ready") == ["bed.card.jpg", "bed.card.toml", "bed.mini.jpg", "bed.mini.toml"]


def test_a_plugin_that_fails_to_look_holds_the_scan_and_is_named(divided: Bench) -> None:
    path = divided.root / "stages" / "a_half.py"
    text = path.read_text(encoding="utf-8").replace(
        "    def item(left):", "    raise RuntimeError('no lamp')\n    def item(left):"
    )
    path.write_text(text, encoding="utf-8")
    divided.drop("bed.tif")
    [outcome] = divided.run()
    assert outcome.status == "held"
    assert "a_half" in outcome.reason
    assert "no lamp" in outcome.reason


def test_an_uncertain_sheet_is_held_with_the_best_guess_drawn_beside_the_note(divided: Bench) -> None:
    path = divided.root / "stages" / "a_half.py"
    text = path.read_text(encoding="utf-8").replace('Division("found", "two halves"', 'Division("held", "who knows"')
    unsure = 'raise Held("who knows", remedy="look again")'
    text = text.replace("return HalfParameters(left=picture", f"{unsure}\n        return HalfParameters(left=picture")
    path.write_text(text.replace("import Division,", "import Division, Held,"), encoding="utf-8")
    divided.drop("bed.tif", np.concatenate([sheet_scan(seed=1), sheet_scan(seed=120)], axis=1))
    [outcome] = divided.run()
    assert (outcome.status, outcome.reason) == ("held", "who knows")
    assert divided.names("held") == ["bed.held.jpg", "bed.held.toml", "bed.tif"]
    with Image.open(divided.root / "held" / "bed.held.jpg") as drawn:
        red, green, blue = drawn.convert("RGB").split()
        orange = (np.asarray(red) > 200) & (np.asarray(green) < 170) & (np.asarray(blue) < 90)
        assert orange.sum() > 300, "the outlines of both halves"
    # Moved back with everything that lay beside it, only the scan counts as a scan.
    for beside in (divided.root / "held").iterdir():
        beside.rename(divided.root / "scans" / beside.name)
    assert [scan.name for scan, _stamp in list_scans(divided.root / "scans")] == ["bed.tif"]

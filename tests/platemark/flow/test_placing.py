"""Every export gets a name of its own in `ready/`, and nothing that lies there is overwritten."""

import os
import subprocess
import sys
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import cast

import pytest

from conftest import BOTH, CONFIG, Bench, until
from platemark.errors import StoreError
from platemark.flow.chain import Made
from platemark.flow.delivery import deliver
from platemark.flow.placing import Place, find_place, publish
from platemark.pixels.picture import Picture
from platemark.pixels.profiles import srgb
from platemark.records.names import name_key
from platemark.records.store import Kept

KEPT = Kept(Path("originals/heron-0123456789ab.tif"), "heron", "0123456789ab" + "0" * 52, 100, "heron")
NO_PICTURE = cast("Picture", None)  # placing looks at bytes alone


@pytest.fixture
def plain(tmp_path: Path) -> Bench:
    """A studio whose scans are the sheet itself, so that nothing has to be found on a bed."""
    return Bench(tmp_path / "studio", 'stages = ["resample", "border", "jpeg"]\n' + CONFIG)


def made(data: bytes = b"jpeg", **companions: bytes) -> Made:
    beside = {f"{name}.jpg": proof for name, proof in companions.items()}
    return Made(data, ".jpg", NO_PICTURE, srgb(), (), beside, {})


def place_in(folder: Path, stem: str = "heron") -> Place:
    return find_place(folder, replace(KEPT, stem=stem, first_stem=stem), "card", "recipe")


def content(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_a_free_name_is_taken_as_it_is(tmp_path):
    place = place_in(tmp_path).clear_for(made(proof=b"proof"))
    publish(place, made(proof=b"proof"), b"manifest")
    assert content(tmp_path) == {
        "heron.card.jpg": b"jpeg",
        "heron.card.proof.jpg": b"proof",
        "heron.card.toml": b"manifest",
    }


def test_the_manifest_appears_last(tmp_path, monkeypatch):
    order: list[str] = []
    monkeypatch.setattr("platemark.records.store.reach", order.append)
    publish(place_in(tmp_path), made(proof=b"proof"), b"manifest")
    published = [step for step in order if step.endswith(".publish")]
    assert published == ["out.publish", "companion.publish", "manifest.publish"]


@pytest.mark.parametrize("hers", ["heron.card.jpg", "heron.card.toml", "heron.card.proof.jpg", "HERON.Card.JPG"])
def test_a_file_of_hers_at_any_of_the_names_is_passed_over(tmp_path, hers):
    # One name in other letters is the same file on the disks of macOS and Windows.
    (tmp_path / hers).write_bytes(b"hers")
    place = place_in(tmp_path).clear_for(made(proof=b"proof"))
    publish(place, made(proof=b"proof"), b"manifest")
    assert content(tmp_path)[hers] == b"hers"
    assert place.name == "heron-2.card"


def test_an_accent_composed_or_not_is_one_name(tmp_path):
    (tmp_path / "cafe\u0301.card.jpg").write_bytes(b"hers")
    assert place_in(tmp_path, "caf\u00e9").clear_for(made()).number == 2


def test_an_export_without_manifest_of_the_same_bytes_is_taken_over_after_a_crash(tmp_path):
    (tmp_path / "heron.card.jpg").write_bytes(b"jpeg")
    place = place_in(tmp_path).clear_for(made())
    publish(place, made(), b"manifest")
    assert content(tmp_path) == {"heron.card.jpg": b"jpeg", "heron.card.toml": b"manifest"}


@pytest.mark.parametrize("rival", ["heron.card.jpg", "heron.card.proof.jpg", "heron.card.toml"])
def test_a_name_that_somebody_takes_this_moment_is_left_to_him_and_nothing_of_ours_stays(tmp_path, rival):
    place = place_in(tmp_path).clear_for(made(proof=b"proof"))
    (tmp_path / rival).write_bytes(b"his")
    with pytest.raises(FileExistsError):
        publish(place, made(proof=b"proof"), b"manifest")
    assert content(tmp_path) == {rival: b"his"}
    assert place.clear_for(made(proof=b"proof")).number == 2


@pytest.mark.parametrize("step", ["out.write", "companion.sync", "manifest.write", "manifest.publish"])
def test_a_full_disk_leaves_no_export_without_its_manifest(tmp_path, monkeypatch, step):
    monkeypatch.setenv("PLATEMARK_FAILPOINT", f"{step}:enospc")
    with pytest.raises(StoreError):
        publish(place_in(tmp_path), made(proof=b"proof"), b"manifest")
    assert content(tmp_path) == {}


def test_a_broken_manifest_is_left_and_passed_over(tmp_path):
    (tmp_path / "heron.card.toml").write_bytes(b"format = ")
    assert find_place(tmp_path, KEPT, "card", "recipe").number == 2
    assert content(tmp_path) == {"heron.card.toml": b"format = "}


def test_a_missing_folder_is_told_with_its_path(tmp_path):
    with pytest.raises(StoreError, match="gone"):
        find_place(tmp_path / "gone", KEPT, "card", "recipe")


def test_what_was_made_is_found_again_only_for_the_same_scan_and_recipe(plain):
    plain.drop("heron.tif")
    [first, *_] = plain.run()
    ready = plain.root / "ready"
    manifest = tomllib.loads((ready / "heron.card.toml").read_text())
    recipe, source = manifest["recipe"], manifest["sources"][0]
    kept = Kept(ready / source["archived"], "heron", source["sha256"], source["size"], "heron")
    assert find_place(ready, kept, "card", recipe).made == first.export
    assert find_place(ready, kept, "card", "another").made is None
    assert find_place(ready, KEPT, "card", recipe).made is None
    assert first.export is not None
    first.export.write_bytes(b"edited")  # what was made is not there any more
    assert find_place(ready, kept, "card", recipe).made is None


def test_names_never_meet_however_many_scans_share_one(tmp_path):
    for number in range(20):
        place = place_in(tmp_path).clear_for(made(bytes([number])))
        publish(place, made(bytes([number])), b"manifest")
    assert len({name_key(name) for name in content(tmp_path)}) == 40
    assert {path.read_bytes() for path in tmp_path.glob("*.jpg")} == {bytes([number]) for number in range(20)}


def test_a_worker_that_was_believed_lost_takes_no_export_away_with_it(plain):
    scan = plain.drop("heron.tif")
    program = (
        "import sys; from pathlib import Path; from platemark.flow.delivery import deliver\n"
        "from platemark.flow.studio import open_studio\n"
        "print([one.status for one in deliver(open_studio(Path(sys.argv[1])), Path(sys.argv[2]))])"
    )
    # It has published the export and not yet the manifest when the scan is given to another.
    late = {**os.environ, "PLATEMARK_FAILPOINT": "manifest.write:1:sleep=2"}
    words = [sys.executable, "-c", program, str(plain.file), str(scan)]
    with subprocess.Popen(words, env=late, stdout=subprocess.PIPE, text=True) as believed_lost:
        until((plain.root / "ready" / "heron.card.jpg").exists)
        again = deliver(plain.studio, scan)
        said, _ = believed_lost.communicate()
    assert [outcome.status for outcome in again] == ["ready", "ready"]
    assert said.splitlines()[-1] == "['known', 'known']"
    assert plain.names("ready") == BOTH
    assert plain.names("scans") == plain.names("held") == []

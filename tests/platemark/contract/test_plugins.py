"""Finding plugins: each by itself, the bad ones named and really gone."""

from pathlib import Path

import pytest

from platemark.contract.plugins import load_plugins, load_stage_file
from platemark.errors import PluginError
from plugin_files import BUILT_IN, NOTHING, installed, only_refusal


def test_the_built_in_stages_come_from_the_package_that_brings_them() -> None:
    found = load_plugins()
    assert set(found.stages) == BUILT_IN
    assert {stage.distribution for stage in found.stages.values()} == {"platemark"}
    assert found.refused == {}


def test_a_single_file_in_the_stages_folder_is_enough(folder: Path) -> None:
    (folder / "veil.py").write_text(NOTHING.format(name="veil"))
    stage = load_plugins(folder).stage("veil")
    assert (stage.origin, stage.distribution, stage.source) == ("veil.py", "file", folder / "veil.py")


def test_tests_and_hidden_files_in_the_stages_folder_are_no_stages(folder: Path) -> None:
    for name in ("test_veil.py", "_draft.py", ".veil.py.swp", "notes.txt"):
        (folder / name).write_text("raise RuntimeError")
    found = load_plugins(folder)
    assert set(found.stages) == BUILT_IN
    assert found.refused == {}


def test_a_missing_stages_folder_holds_nothing(tmp_path: Path) -> None:
    assert set(load_plugins(tmp_path / "gone").stages) == BUILT_IN


def test_a_file_that_cannot_be_read_is_named(folder: Path) -> None:
    (folder / "loop.py").symlink_to(folder / "loop.py")
    assert "loop.py cannot be read" in only_refusal(load_plugins(folder))


def test_a_hook_with_arguments_that_nobody_gives_is_refused(folder: Path) -> None:
    text = "from platemark import hookimpl\n@hookimpl\ndef platemark_held(scan, mood): pass\n"
    (folder / "ledger.py").write_text(text)
    found = load_plugins(folder)
    assert "mood" in only_refusal(found)
    assert not found.manager.has_plugin("ledger.py")


def test_a_plugin_whose_stage_is_refused_learns_nothing_either(folder: Path) -> None:
    text = NOTHING.format(name="Bad Name") + "\n@hookimpl\ndef platemark_held(scan, reason): raise RuntimeError\n"
    (folder / "half.py").write_text(text)
    assert load_plugins(folder).manager.hook.platemark_held.get_hookimpls() == []


def test_two_packages_may_call_their_entry_points_alike(site: Path) -> None:
    installed(site, "left_stage", NOTHING.format(name="left"), entry="stages")
    installed(site, "right_stage", NOTHING.format(name="right"), entry="stages")
    found = load_plugins()
    assert {"left", "right"} <= set(found.stages)
    assert found.refused == {}


def test_a_stage_that_is_not_there_is_told_with_what_is_and_what_was_refused(folder: Path) -> None:
    (folder / "veil.py").write_text("import nothing_of_this_name")
    with pytest.raises(PluginError) as told:
        load_plugins(folder).stage("veil")
    assert "nothing_of_this_name" in told.value.what
    assert "jpeg" in (told.value.remedy or "")


def test_what_runs_is_the_text_as_it_is_now(folder: Path) -> None:
    # Compiled Python is taken for fresh when size and second agree; an edit within a second would go unnoticed.
    file = folder / "veil.py"
    file.write_text(NOTHING.format(name="old"))
    first = load_stage_file(file, "old")
    file.write_text(NOTHING.format(name="new"))
    assert load_stage_file(file, "new").code_sha256 != first.code_sha256
    assert [path.name for path in folder.iterdir()] == ["veil.py"], "nothing is left in the artist's folder"


def test_importing_platemark_loads_no_plugin(site: Path) -> None:
    installed(site, "loud_stage", "raise SystemExit('loaded')")
    import platemark  # noqa: F401, PLC0415

    assert "loud_stage" in only_refusal(load_plugins())

"""Finding plugins: each by itself, the bad ones named and really gone."""

from pathlib import Path

import pytest
import structlog

from conftest import Bench
from platemark.contract.plugins import Plugins, load_plugins, load_stage_file
from platemark.errors import PluginError

BUILT_IN = {
    *("adjust", "border", "crop", "deskew", "dust", "join", "jpeg", "paper_white", "path_page", "proof", "resample"),
    *("sharpen", "trial_strip", "turned"),
}

STAGE = """\
from platemark import Parameters, Settings, Stage, hookimpl

class Nothing(Stage[Settings, Parameters]):
    name = "{name}"

    def measure(self, picture, settings, job):
        return Parameters()

    def apply(self, picture, parameters):
        return picture

@hookimpl
def platemark_stages():
    return [Nothing]
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The artist's folder of stages."""
    made = tmp_path / "stages"
    made.mkdir()
    return made


def installed(site: Path, module: str, text: str, *, entry: str | None = None) -> None:
    """A package as an installer leaves it: a module, and metadata with an entry point."""
    (site / f"{module}.py").write_text(text)
    info = site / f"{module}-4.2.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {module}\nVersion: 4.2\n")
    (info / "entry_points.txt").write_text(f"[platemark]\n{entry or module} = {module}\n")


@pytest.fixture
def site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder on the path, where packages are installed."""
    made = tmp_path / "site"
    made.mkdir()
    monkeypatch.syspath_prepend(str(made))
    return made


def only_refusal(found: Plugins) -> str:
    (why,) = found.refused.values()
    return why


def test_the_built_in_stages_come_from_the_package_that_brings_them() -> None:
    found = load_plugins()
    assert set(found.stages) == BUILT_IN
    assert {stage.distribution for stage in found.stages.values()} == {"platemark"}
    assert found.refused == {}


def test_a_single_file_in_the_stages_folder_is_enough(folder: Path) -> None:
    (folder / "veil.py").write_text(STAGE.format(name="veil"))
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


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("import a_package_that_is_not_there", "a_package_that_is_not_there"),
        ("def broken(:", "SyntaxError"),
        ("raise SystemExit(3)", "SystemExit: 3"),
        ("\0\0\0", "null bytes"),
        (STAGE.format(name="Loud Name"), "'Loud Name'"),
        (STAGE.replace("measure", "look").format(name="veil"), "lacks measure"),
        (STAGE.replace('name = "{name}"', "pass"), "lacks name"),
        (STAGE.replace("[Nothing]", "[print]"), "no subclass of Stage"),
        (STAGE.replace("[Nothing]", "7"), "not iterable"),
        (STAGE.replace("return [Nothing]", "raise ValueError('no licence')").format(name="veil"), "no licence"),
    ],
)
def test_a_broken_stage_file_is_named_with_its_reason_and_stops_only_itself(folder: Path, text: str, said: str) -> None:
    (folder / "a_broken.py").write_text(text)
    (folder / "whole.py").write_text(STAGE.format(name="whole"))
    found = load_plugins(folder)
    assert set(found.stages) == {*BUILT_IN, "whole"}
    assert "the stage file a_broken.py cannot be loaded" in only_refusal(found)
    assert said in only_refusal(found)


def test_a_file_that_cannot_be_read_is_named(folder: Path) -> None:
    (folder / "loop.py").symlink_to(folder / "loop.py")
    assert "loop.py cannot be read" in only_refusal(load_plugins(folder))


def test_a_misspelt_hook_is_refused_by_name_and_never_called(folder: Path) -> None:
    text = "from platemark import hookimpl\ncalled = []\n"
    text += "@hookimpl\ndef platemark_delivred(export, manifest): called.append(export)\n"
    text += "@hookimpl\ndef platemark_held(scan, reason): called.append(scan)\n"
    (folder / "ledger.py").write_text(text)
    found = load_plugins(folder)
    assert "ledger.py" in only_refusal(found)
    assert "platemark_delivred" in only_refusal(found)
    assert not found.manager.has_plugin("ledger.py")
    assert found.manager.hook.platemark_held.get_hookimpls() == []


def test_a_hook_with_arguments_that_nobody_gives_is_refused(folder: Path) -> None:
    text = "from platemark import hookimpl\n@hookimpl\ndef platemark_held(scan, mood): pass\n"
    (folder / "ledger.py").write_text(text)
    found = load_plugins(folder)
    assert "mood" in only_refusal(found)
    assert not found.manager.has_plugin("ledger.py")


def test_a_plugin_whose_stage_is_refused_learns_nothing_either(folder: Path) -> None:
    text = STAGE.format(name="Bad Name") + "\n@hookimpl\ndef platemark_held(scan, reason): raise RuntimeError\n"
    (folder / "half.py").write_text(text)
    assert load_plugins(folder).manager.hook.platemark_held.get_hookimpls() == []


def test_two_stages_of_one_name_stop_with_both_origins(folder: Path) -> None:
    (folder / "mine.py").write_text(STAGE.format(name="crop"))
    with pytest.raises(PluginError, match=r"named crop.*platemark .*mine\.py") as stop:
        load_plugins(folder)
    assert stop.value.remedy


def test_the_order_of_files_and_packages_changes_nothing(folder: Path, site: Path) -> None:
    installed(site, "zebra_stage", STAGE.format(name="zebra"), entry="a")
    installed(site, "ant_stage", STAGE.format(name="ant"), entry="z")
    (folder / "b.py").write_text(STAGE.format(name="bee"))
    one, other = load_plugins(folder), load_plugins(folder)
    assert list(one.stages) == list(other.stages)
    assert set(one.stages) == {*BUILT_IN, "ant", "bee", "zebra"}


def test_a_broken_package_stops_only_itself_and_is_named_with_its_version(site: Path) -> None:
    installed(site, "broken_stage", "import nothing_of_this_name", entry="a-first")
    installed(site, "whole_stage", STAGE.format(name="whole"))
    found = load_plugins()
    assert set(found.stages) == {*BUILT_IN, "whole"}
    assert "the plugin a-first of broken_stage 4.2" in only_refusal(found)
    assert "nothing_of_this_name" in only_refusal(found)


def test_two_packages_may_call_their_entry_points_alike(site: Path) -> None:
    installed(site, "left_stage", STAGE.format(name="left"), entry="stages")
    installed(site, "right_stage", STAGE.format(name="right"), entry="stages")
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
    file.write_text(STAGE.format(name="old"))
    first = load_stage_file(file, "old")
    file.write_text(STAGE.format(name="new"))
    assert load_stage_file(file, "new").code_sha256 != first.code_sha256
    assert [path.name for path in folder.iterdir()] == ["veil.py"], "nothing is left in the artist's folder"


def test_importing_platemark_loads_no_plugin(site: Path) -> None:
    installed(site, "loud_stage", "raise SystemExit('loaded')")
    import platemark  # noqa: F401, PLC0415

    assert "loud_stage" in only_refusal(load_plugins())


LEDGER = """\
from pathlib import Path
from platemark import hookimpl

def write(*words):
    with (Path(__file__).parent / "ledger.txt").open("a") as file:
        print(*words, file=file)

@hookimpl
def platemark_delivered(export, manifest):
    write("delivered", export.name, manifest.name, export.is_file(), manifest.is_file())

@hookimpl
def platemark_held(scan, reason):
    write("held", scan.name, scan.is_file(), bool(reason))
"""

FAILING = """\
from platemark import hookimpl

@hookimpl
def platemark_delivered(export, manifest):
    raise ValueError("no ink in the pen")

@hookimpl
def platemark_held(scan, reason):
    raise SystemExit(reason)
"""


def test_plugins_learn_of_every_print_and_one_that_fails_is_named_and_stops_only_itself(tmp_path: Path) -> None:
    bench = Bench(tmp_path / "studio")
    stages = bench.root / "stages"
    stages.mkdir()
    (stages / "a_failing.py").write_text(FAILING)
    (stages / "ledger.py").write_text(LEDGER)
    bench.file.write_text('stages_dir = "stages"\n' + bench.config)
    bench.drop("heron.tif")
    (bench.root / "scans" / "junk.tif").write_bytes(b"not a picture")
    with structlog.testing.capture_logs() as lines:
        statuses = [outcome.status for outcome in bench.run()]
    assert statuses == ["ready", "ready", "held"], "the delivery stands"
    assert (stages / "ledger.txt").read_text().splitlines() == [
        "delivered heron.card.jpg heron.card.toml True True",
        "delivered heron.mini.jpg heron.mini.toml True True",
        "held junk.tif True True",
    ]
    failed = [line for line in lines if line.get("plugin") == "a_failing.py"]
    assert [line["hook"] for line in failed] == ["platemark_delivered", "platemark_delivered", "platemark_held"]
    assert "no ink in the pen" in str(failed[0])

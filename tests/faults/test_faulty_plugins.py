"""Section G of the faults: plugins that fail, hang, lie or leak cost what needs them, and no more; see README.md."""

import ast
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import pyvips
import structlog
from click.testing import CliRunner

import platemark
from conftest import ONE_PRINT, PLAIN, Bench, sheet_scan
from platemark.contract.plugins import load_plugins
from platemark.errors import PluginError
from platemark.face.cli import main
from platemark.flow import delivery
from platemark.flow.delivery import Outcome, deliver
from platemark.flow.prepare import prepare
from platemark.flow.verify import verify
from platemark.flow.workers.processes import Processes
from platemark.records.manifest import read_manifest
from plugin_files import BUILT_IN, NOTHING, installed, only_refusal

STAGE = """
from platemark import Parameters, Settings, Stage, hookimpl

class Faulty(Stage[Settings, Parameters]):
    name = "faulty"
    def measure(self, picture, settings, job):
        if job.print_name == "mini" and job.work.name == "heron":
            {fault}
        return Parameters()
    def apply(self, picture, parameters):
        return picture

@hookimpl
def platemark_stages():
    return [Faulty]
"""


@pytest.fixture
def with_stage(tmp_path: Path) -> Iterator[Callable[[str], Bench]]:
    def make(fault: str) -> Bench:
        folder = tmp_path / "studio" / "stages"
        folder.mkdir(parents=True)
        (folder / "faulty.py").write_text(STAGE.format(fault=fault))
        chain = PLAIN.replace('"border"', '"faulty", "border"')
        return Bench(tmp_path / "studio", 'stages_dir = "stages"\n' + chain)

    yield make
    for name in [name for name in sys.modules if name.startswith("platemark_stage_faulty")]:
        del sys.modules[name]


@pytest.mark.parametrize("fault", ['raise ValueError("no edge")', "raise SystemExit(3)", "raise MemoryError"])
def test_f111_f112_a_stage_that_fails_holds_its_print_by_name_and_all_others_go_on(with_stage, fault):
    bench = with_stage(fault)
    bench.drop("heron.tif")
    bench.drop("wren.tif", sheet_scan(seed=1))
    bench.run()
    assert bench.statuses == [("card", "ready"), ("mini", "held"), ("card", "ready"), ("mini", "ready")]
    assert "faulty" in bench.outcomes[1].reason
    assert bench.names("held") == ["heron.held.toml", "heron.tif"]
    note = (bench.root / "held" / "heron.held.toml").read_text(encoding="utf-8")
    assert 'print = "mini"' in note


def test_f112_a_stage_that_raises_what_ctrl_c_raises_is_only_a_stage_that_fails(with_stage, monkeypatch):
    bench = with_stage("raise KeyboardInterrupt")
    bench.drop("heron.tif")
    # Whoever starts the tests in the background may have switched the signal off.
    monkeypatch.setattr(signal, "getsignal", lambda _number: signal.default_int_handler)
    with pytest.raises(KeyboardInterrupt):  # here it may be the keyboard: the scan stays for the next start
        bench.run()
    assert bench.names("scans") == ["heron.tif"]
    monkeypatch.setattr(delivery, "is_from_the_keyboard", lambda: False)
    bench.run()
    assert bench.statuses == [("card", "known"), ("mini", "held")]
    assert "the stage faulty" in bench.outcomes[1].reason


# What a scan of this name does to the process that works on it.
HARMS = {
    "quit": "os._exit(5)",
    "abort": "os.abort()",
    "exit": "sys.exit(3)",
    "keyboard": "raise KeyboardInterrupt",
    "hungry": "bytearray(1 << 40)",
    "hang": "os.read(os.pipe()[0], 1)",
    "slow": "pyvips.Image.gaussnoise(20000, 20000).gaussblur(40).avg()",
    "unlucky": "once.exists() or (once.touch(), os.kill(os.getpid(), signal.SIGKILL))",
}


def harmful(root: Path) -> Bench:
    """A studio with a stage that does harm to scans that are named for it."""
    (root / "stages").mkdir(parents=True)
    cases = "\n".join(f"        if job.work.name == {name!r}: {does}" for name, does in HARMS.items())
    head = "import os, signal, sys\nfrom pathlib import Path\nimport pyvips\n"
    measure = f'        once = Path(__file__).with_name("once")\n{cases}\n        return Parameters()'
    text = NOTHING.format(name="harmful").replace("        return Parameters()", measure)
    (root / "stages" / "harmful.py").write_text(head + text, encoding="utf-8")
    return Bench(root, 'stages_dir = "stages"\n' + ONE_PRINT.replace('"border"', '"harmful", "border"'))


def made(bench: Bench, workers: int, *names: str, **limits: float) -> list[Outcome]:
    scans = [bench.drop(f"{name}.tif", sheet_scan(seed=seed)) for seed, name in enumerate(names)]
    with Processes(workers, **limits) as executor:
        return [outcome for told in prepare(bench.studio, scans, executor, workers) for outcome in told]


@pytest.mark.skipif(os.name == "nt", reason="signals of POSIX")
def test_f49_f79_f112_a_scan_that_takes_its_worker_down_is_held_and_the_others_are_made(tmp_path: Path) -> None:
    studio = harmful(tmp_path / "studio")
    names = ["quit", "heron", "abort", "unlucky", "exit", "keyboard", "hungry", "wren"]
    outcomes = made(studio, 2, *names, memory=6_000_000_000)
    status = {outcome.scan.removesuffix(".tif"): outcome.status for outcome in outcomes}
    good = {"heron", "unlucky", "wren"}  # a worker may be lost once, for whatever reason
    assert status == {name: "ready" if name in good else "held" for name in names}
    why = {outcome.scan.removesuffix(".tif"): outcome.reason for outcome in outcomes}
    assert "ended by itself (with code 5)" in why["quit"]
    assert f"ended by itself (by signal {int(signal.SIGABRT)})" in why["abort"]
    assert "the stage harmful" in why["exit"]
    assert "tried to end the program" in why["keyboard"]
    assert "the stage harmful (harmful.py) needs more memory than it was given" in why["hungry"]
    assert "6000 MB" in why["abort"]  # what a worker may have; the system may end one that goes there
    assert studio.names("held") == sorted(f"{name}{end}" for name in {*names} - good for end in (".tif", ".held.toml"))
    assert studio.names("scans") == []
    assert list(studio.root.rglob(".platemark-part-*")) == []


def test_f112_a_single_scan_whose_stage_ends_the_process_is_held_and_said(tmp_path: Path) -> None:
    studio = harmful(tmp_path / "studio")
    scan = studio.drop("quit.tif")
    order = [sys.executable, "-m", "platemark", "prepare", "--config", str(studio.file), str(scan)]
    ended = subprocess.run(order, capture_output=True, text=True, encoding="utf-8", check=False, timeout=120)
    assert ended.returncode == 1
    assert "ended by itself (with code 5)" in " ".join(ended.stdout.split())
    assert studio.names("held") == ["quit.held.toml", "quit.tif"]


def test_f78_f113_a_scan_that_hangs_or_is_slow_is_held_when_its_time_is_over(tmp_path: Path) -> None:
    studio = harmful(tmp_path / "studio")
    outcomes = made(studio, 2, "hang", "slow", "heron", time_limit=2.0)
    assert [(outcome.scan, outcome.status) for outcome in outcomes] == [
        ("hang.tif", "held"),
        ("slow.tif", "held"),
        ("heron.tif", "ready"),
    ]
    for outcome in outcomes[:2]:
        assert outcome.reason == "it was not done within 2 seconds"
        assert "time_limit in [work]" in outcome.remedy


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("import a_package_that_is_not_there", "a_package_that_is_not_there"),
        ("def broken(:", "SyntaxError"),
        ("raise SystemExit(3)", "SystemExit: 3"),
        ("\0\0\0", "null bytes"),
        (NOTHING.format(name="Loud Name"), "'Loud Name'"),
        (NOTHING.replace("measure", "look").format(name="veil"), "lacks measure"),
        (NOTHING.replace('name = "{name}"', "pass"), "lacks name"),
        (NOTHING.replace("[Nothing]", "[print]"), "no subclass of Stage"),
        (NOTHING.replace("[Nothing]", "7"), "not iterable"),
        (NOTHING.replace("return [Nothing]", "raise ValueError('no licence')").format(name="veil"), "no licence"),
    ],
)
def test_f114_a_broken_stage_file_is_named_with_its_reason_and_stops_only_itself(
    folder: Path, text: str, said: str
) -> None:
    (folder / "a_broken.py").write_text(text)
    (folder / "whole.py").write_text(NOTHING.format(name="whole"))
    found = load_plugins(folder)
    assert set(found.stages) == {*BUILT_IN, "whole"}
    assert "the stage file a_broken.py cannot be loaded" in only_refusal(found)
    assert said in only_refusal(found)


def test_f114_a_broken_package_stops_only_itself_and_is_named_with_its_version(site: Path) -> None:
    installed(site, "broken_stage", "import nothing_of_this_name", entry="a-first")
    installed(site, "whole_stage", NOTHING.format(name="whole"))
    found = load_plugins()
    assert set(found.stages) == {*BUILT_IN, "whole"}
    assert "the plugin a-first of broken_stage 4.2" in only_refusal(found)
    assert "nothing_of_this_name" in only_refusal(found)


def test_f115_the_order_of_files_and_packages_changes_nothing(folder: Path, site: Path) -> None:
    installed(site, "zebra_stage", NOTHING.format(name="zebra"), entry="a")
    installed(site, "ant_stage", NOTHING.format(name="ant"), entry="z")
    (folder / "b.py").write_text(NOTHING.format(name="bee"))
    one, other = load_plugins(folder), load_plugins(folder)
    assert list(one.stages) == list(other.stages)
    assert set(one.stages) == {*BUILT_IN, "ant", "bee", "zebra"}


def test_f116_two_stages_of_one_name_stop_with_both_origins(folder: Path) -> None:
    (folder / "mine.py").write_text(NOTHING.format(name="crop"))
    with pytest.raises(PluginError, match=r"named crop.*platemark .*mine\.py") as stop:
        load_plugins(folder)
    assert stop.value.remedy


def test_f116_a_misspelt_hook_is_refused_by_name_and_never_called(folder: Path) -> None:
    text = "from platemark import hookimpl\ncalled = []\n"
    text += "@hookimpl\ndef platemark_delivred(export, manifest): called.append(export)\n"
    text += "@hookimpl\ndef platemark_held(scan, reason): called.append(scan)\n"
    (folder / "ledger.py").write_text(text)
    found = load_plugins(folder)
    assert "ledger.py" in only_refusal(found)
    assert "platemark_delivred" in only_refusal(found)
    assert not found.manager.has_plugin("ledger.py")
    assert found.manager.hook.platemark_held.get_hookimpls() == []


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


def test_f111_plugins_learn_of_every_print_and_one_that_fails_is_named_and_stops_only_itself(tmp_path: Path) -> None:
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


def test_f100_a_stage_file_edited_while_the_program_runs_is_not_recorded_as_what_it_was(with_stage):
    bench = with_stage("pass")
    scan, opened = bench.drop("heron.tif"), bench.studio
    with (bench.root / "stages" / "faulty.py").open("a") as file:
        file.write("# edited\n")
    assert {outcome.status for outcome in deliver(opened, scan)} == {"held"}
    assert list((bench.root / "originals" / "stages").glob("*")) == []


def with_own(root: Path, chain: str = '"tint", "border"', config: str = PLAIN, **files: str) -> Bench:
    """A studio whose chain has a stage of its own, and the texts of its stage files."""
    (root / "stages").mkdir(parents=True)
    for name, text in files.items():
        (root / "stages" / f"{name}.py").write_text(text, encoding="utf-8")
    return Bench(root, 'stages_dir = "stages"\n' + config.replace('"border"', chain))


def tint(does: str, head: str = "") -> str:
    """A stage file whose stage applies this."""
    return f"{head}\n{NOTHING.format(name='tint').replace('return picture', does)}"


@pytest.mark.parametrize("broken", ["import a_package_that_is_not_there", "def broken(:"], ids=["import", "syntax"])
def test_f114_a_stage_that_cannot_be_loaded_holds_by_name_only_the_prints_that_need_it(
    tmp_path: Path, broken: str
) -> None:
    config = ONE_PRINT + '[print.plain]\nsheet = "60 x 80 mm"\nborder = "5 mm"\nppi = 150\n'
    config += 'stages = ["resample", "border", "jpeg"]\n[print.card.tint]\ndepth = 3\n'
    bench = with_own(
        tmp_path / "studio", config=config.replace('"border"', '"tint", "border"', 1), chain='"border"', tint=broken
    )
    bench.drop("heron.tif")
    (bench.root / "scans" / "heron.toml").write_text("[corrections.tint]\ndepth = 4\n")
    result = CliRunner().invoke(main, ["prepare", str(bench.root / "scans" / "heron.tif"), "--config", str(bench.file)])
    assert result.exit_code == 1
    assert "Left out: the stage file tint.py cannot be loaded" in result.output
    assert bench.names("ready") == ["heron.plain.jpg", "heron.plain.toml"]
    assert bench.names("held") == ["heron.held.toml", "heron.tif", "heron.toml"]
    note = (bench.root / "held" / "heron.held.toml").read_text(encoding="utf-8")
    assert note.count("[[held]]") == 1
    assert 'print = "card"' in note
    assert "there is no stage named tint (the stage file tint.py cannot be loaded" in note
    # Put right and moved back, only what is missing is made.
    (bench.root / "stages" / "tint.py").write_text(tint("return picture"))
    bench.file.write_text(bench.config.replace("[print.card.tint]\ndepth = 3\n", ""))
    for name in ("heron.tif", "heron.toml"):
        (bench.root / "held" / name).rename(bench.root / "scans" / name)
    (bench.root / "scans" / "heron.toml").unlink()
    assert bench.run()[0].status == "ready"


def test_f114_a_misspelt_stage_still_stops_the_start_where_nothing_is_missing(tmp_path: Path) -> None:
    bench = with_own(tmp_path / "studio", chain='"tint", "border"', tint=tint("return picture"))
    bench.file.write_text(bench.config.replace('"tint"', '"tinte"'))
    result = CliRunner().invoke(main, ["prepare", str(bench.drop("heron.tif")), "--config", str(bench.file)])
    assert result.exit_code == 2
    assert 'no stage is called "tinte"; the nearest is "tint"' in result.output


BREACHES = {
    "gave back NoneType, not a Picture": "return None",
    "3 channels of uchar": "return replace(picture, open=lambda: (picture.pixels() / 257).cast('uchar'))",
    "1 channels of ushort": "return replace(picture, open=lambda: picture.pixels()[0])",
    "dropped the colour profile": "return replace(picture, profile=None)",
    "a resolution of 0 ppi": "return picture.with_ppi(0)",
}


@pytest.mark.parametrize("said", BREACHES)
def test_f117_a_stage_that_breaks_its_contract_is_held_by_name(tmp_path: Path, said: str) -> None:
    text = tint(BREACHES[said], "from dataclasses import replace")
    bench = with_own(tmp_path / "studio", config=ONE_PRINT, tint=text)
    bench.drop("heron.tif")
    [outcome] = bench.run()
    assert outcome.status == "held"
    assert outcome.reason.startswith("the stage tint (tint.py) failed: it ")
    assert said in outcome.reason
    assert bench.names("ready") == []


LEAKY = """\
        os.chdir("/")
        os.umask(0o077)
        locale.setlocale(locale.LC_ALL, "C.UTF-8")
        os.environ.update(TZ="FAR-13:45", LC_ALL="C.UTF-8", TMPDIR="/nowhere")
        random.seed(1), np.random.seed(1)
        threading.Thread(target=threading.Event().wait, daemon=True).start()
        print("a stage talks")
        return picture"""


@pytest.mark.parametrize("where", ["here", "processes"])
def test_f118_what_a_stage_leaks_does_not_reach_the_next_scan(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, where: str
) -> None:
    def run(bench: Bench, *names: str) -> None:
        for seed, name in enumerate(names):
            bench.drop(name, sheet_scan(seed=seed))
        monkeypatch.chdir(bench.root)
        scans = [Path("scans", name) for name in names]
        executor = Processes(1) if where == "processes" else None
        assert {outcome.status for told in prepare(bench.studio, scans, executor) for outcome in told} == {"ready"}
        if executor:
            executor.shutdown()

    head = "import locale, os, random, threading\nimport numpy as np"
    text = tint("pass\n" + LEAKY, head)
    bench = with_own(tmp_path / "leaky", config=ONE_PRINT, tint=text)
    plain = with_own(tmp_path / "clean", config=ONE_PRINT, tint=text.replace(LEAKY, "        return picture"))
    for one in (bench, plain):  # the second scan's print has no such stage
        one.file.write_text(one.config + '[print.mini]\nsheet = "60 x 80 mm"\nborder = "5 mm"\nppi = 150\n'
                            'stages = ["resample", "border", "jpeg"]\n')  # fmt: skip
        (one.root / "scans" / "mini").mkdir()
        (one.root / "scans" / "card").mkdir()
        run(one, "card/first.tif", "mini/second.tif")
    first, second = (one.root / "ready" / "second.mini.jpg" for one in (bench, plain))
    assert first.read_bytes() == second.read_bytes()
    assert first.stat().st_mode == second.stat().st_mode
    assert verify(bench.root).sound


NOISY = """\
seen = picture.array()
        return picture.with_array(seen ^ np.random.default_rng().integers(0, 4, seen.shape, np.uint16))"""


def test_f119_check_names_the_first_stage_that_is_not_reproducible_and_the_manifest_says_so(tmp_path: Path) -> None:
    bench = with_own(tmp_path / "studio", config=ONE_PRINT, tint=tint(NOISY, "import numpy as np"))
    words = ["prepare", "--check", str(bench.drop("heron.tif")), "--config", str(bench.file)]
    result = CliRunner().invoke(main, words)
    assert result.exit_code == 0, result.output
    assert "not reproducible: the stage tint gives another thing each time" in " ".join(result.output.split())
    told = read_manifest(bench.root / "ready" / "heron.card.toml")
    assert told.noticed["tint.not_reproducible"] is True
    assert any("not reproducible: the stage tint" in warning for warning in told.warnings)


def test_f119_check_finds_nothing_in_our_own_stages(bench: Bench) -> None:
    bench.drop("heron.tif", sheet_scan(skew=0.7))
    result = CliRunner().invoke(
        main, ["prepare", "--check", str(bench.root / "scans" / "heron.tif"), "--config", str(bench.file)]
    )
    assert result.exit_code == 0, result.output
    assert "reproducible" not in result.output
    assert not any("not_reproducible" in str(read_manifest(path).noticed) for path in bench.root.glob("ready/*.toml"))


def test_f120_workers_of_a_program_that_has_used_libvips_are_no_forks_of_it(tmp_path: Path) -> None:
    assert pyvips.Image.gaussnoise(400, 400).gaussblur(3).avg()  # libvips has its threads now
    bench = Bench(tmp_path / "studio", ONE_PRINT)
    scan = bench.drop("heron.tif")
    with Processes(1) as executor:
        assert [outcome.status for [outcome] in prepare(bench.studio, [scan], executor)] == ["ready"]
    for path in Path(platemark.__file__).parent.rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        names = {node.attr for node in ast.walk(ast.parse(text)) if isinstance(node, ast.Attribute)}
        assert "import multiprocessing" not in text, path
        assert not names & {"fork", "forkpty", "ProcessPoolExecutor"}, path

"""The shape of the code: floors, the stranger's road for our own stages, and one place that prints."""

import ast
import importlib.util
import sys
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

import platemark
import platemark_stages
from platemark.contract.plugins import load_plugins

ENGINE = Path(platemark.__file__).parent
STAGES = Path(platemark_stages.__file__).parent
# From the ground up; each floor imports from itself and from those before it.
FLOORS = ("errors", "pixels", "characterise", "contract", "config", "records", "flow", "machine", "face")
# The kit, the public API and the way to start gather from the floors what others use.
OUTSIDE = {"testing", "__main__", ""}

Import = tuple[str, int, bool]
"""What is imported, in which line, and whether the module itself does it, not a function when it is called."""


def modules(root: Path) -> dict[str, Path]:
    """Dotted name to file, of all modules of a package."""
    named = {}
    for path in sorted(root.rglob("*.py")):
        parts = (root.name, *path.relative_to(root).with_suffix("").parts)
        named[".".join(part for part in parts if part != "__init__")] = path
    return named


EVERY = {**modules(ENGINE), **modules(STAGES)}


@cache
def tree(module: str) -> ast.Module:
    return ast.parse(EVERY[module].read_text(encoding="utf-8"))


@cache
def imports(module: str) -> list[Import]:
    found: list[Import] = []
    inside = {node for part in ast.walk(tree(module)) if isinstance(part, ast.FunctionDef) for node in ast.walk(part)}
    for node in ast.walk(tree(module)):
        if isinstance(node, ast.Import):
            found += [(alias.name, node.lineno, node not in inside) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            found += [(name, node.lineno, node not in inside) for name in _names(module, node)]
    return found


def _names(module: str, node: ast.ImportFrom) -> Iterator[str]:
    """`from a import b` means the module a.b where there is one, and else a."""
    package = module if EVERY[module].name == "__init__.py" else module.rpartition(".")[0]
    whole = importlib.util.resolve_name("." * node.level + (node.module or ""), package) if node.level else node.module
    for alias in node.names:
        deeper = f"{whole}.{alias.name}"
        yield deeper if deeper in EVERY else str(whole)


def floor(module: str) -> str:
    return [*module.split("."), ""][1]


def ours(name: str) -> bool:
    return name.partition(".")[0] in {"platemark", "platemark_stages"}


@pytest.mark.parametrize("module", [name for name in modules(ENGINE) if floor(name) not in OUTSIDE])
def test_each_floor_imports_from_itself_and_the_floors_below(module: str) -> None:
    allowed = FLOORS[: FLOORS.index(floor(module)) + 1]
    wrong = [(name, line) for name, line, _ in imports(module) if ours(name) and floor(name) not in allowed]
    assert wrong == []


def test_every_module_of_the_engine_lies_on_a_floor() -> None:
    assert {floor(name) for name in modules(ENGINE)} == {*FLOORS, *OUTSIDE}


def test_the_engine_imports_no_stage() -> None:
    wrong = [(module, name) for module in modules(ENGINE) for name, *_ in imports(module) if "platemark_stages" in name]
    assert wrong == []


def _is_prose(node: ast.Constant) -> bool:
    return " " in node.value or "\n" in node.value


def test_the_engine_knows_no_stage_by_name() -> None:
    # The config names the chain that is used where none is written. "border" is a key of a print, too: its geometry
    # stands there beside the settings of the stage of that name. Prose and templates may name what they like.
    stages = {name for name, found in load_plugins().stages.items() if found.distribution == "platemark"}
    named = {
        (EVERY[module].relative_to(ENGINE).as_posix(), node.value)
        for module in modules(ENGINE)
        for node in ast.walk(tree(module))
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and not _is_prose(node)
        if node.value in stages
    }
    # The decisions of `find --json` have the words of the form that it writes; "crop" is one of them.
    others = {(file, name) for file, name in named if file not in {"config/model.py", "face/cli/find.py"}}
    assert others <= {(file, "border") for file in ("config/print_spec.py", "config/reading.py", "testing.py")}


@pytest.mark.parametrize("module", modules(STAGES))
def test_our_own_stages_take_the_strangers_road(module: str) -> None:
    private = [(name, line) for name, line, _ in imports(module) if name.startswith("platemark.")]
    assert private == []


def test_the_package_that_shows_strangers_how_takes_it_too() -> None:
    shown = Path(__file__).parents[1] / "packages" / "platemark_grain" / "src" / "platemark_grain" / "__init__.py"
    nodes = [node for node in ast.walk(ast.parse(shown.read_text())) if isinstance(node, ast.ImportFrom)]
    assert {node.module for node in nodes} == {"numpy.typing", "platemark", "pydantic"}


def test_no_module_imports_itself_through_others() -> None:
    reached: dict[str, set[str]] = {
        module: {name for name, _, at_once in imports(module) if at_once and name in EVERY and name != module}
        for module in EVERY
    }
    settled: set[str] = set()
    while ready := {module for module, others in reached.items() if module not in settled and others <= settled}:
        settled |= ready
    assert sorted(EVERY.keys() - settled) == [], "these import each other"


def test_only_the_commands_speak_to_the_terminal() -> None:
    loud = []
    for module in EVERY.keys() - {name for name in EVERY if name.startswith("platemark.face.cli")}:
        loud += [(module, line) for name, line, _ in imports(module) if name.split(".")[0] in {"click", "rich"}]
        for node in ast.walk(tree(module)):
            if isinstance(node, ast.Call) and ast.unparse(node.func) in {"print", "sys.exit", "exit", "quit", "input"}:
                loud.append((module, node.lineno))
            if isinstance(node, ast.Raise) and "SystemExit" in ast.unparse(node):
                loud.append((module, node.lineno))
    assert loud == []


def test_only_the_store_writes_what_must_last() -> None:
    # A probe whether a folder can be written, who holds a studio, the log, drawings of the demo, temporary profiles and
    # the studio that a worker elsewhere sets up for one scan need not last.
    known = {"platemark.records.store", "platemark.flow.studio", "platemark.flow.holder", "platemark.pixels.colour"}
    known |= {"platemark.flow.workers.parcel"}
    writing = set()
    for module in modules(ENGINE):
        for node in ast.walk(tree(module)):
            if isinstance(node, ast.Attribute) and node.attr in {"write_bytes", "write_text"}:
                writing.add(module)
    assert {name for name in writing - known if not name.startswith("platemark.face.demo")} == set()


@pytest.mark.parametrize("module", EVERY)
def test_every_module_says_what_it_is_for_and_stays_small(module: str) -> None:
    assert ast.get_docstring(tree(module)), "no docstring"
    # 400 lines is where a room gets split.
    assert len(EVERY[module].read_text(encoding="utf-8").splitlines()) <= 400


def test_everything_that_is_imported_is_a_dependency() -> None:
    project = tomllib.loads((Path(__file__).parents[2] / "pyproject.toml").read_text())["project"]
    extras = project["optional-dependencies"]
    wanted = [*project["dependencies"], *extras.get("page", []), *extras.get("cluster", [])]
    names = {"".join(sign if sign.isalnum() else " " for sign in line.lower()).split()[0] for line in wanted}
    imported = {name.split(".")[0] for module in EVERY for name, *_ in imports(module) if not ours(name)}
    called = {"PIL": "pillow", "tomli_w": "tomli", "pydantic_core": "pydantic"}
    strangers = {called.get(name, name) for name in imported if name not in sys.stdlib_module_names}
    assert strangers - names == set()

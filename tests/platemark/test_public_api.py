"""The front door: what stages and scripts may use, all of it and nothing else."""

import ast
import importlib
import inspect
from pathlib import Path

import pytest

import platemark


def typed() -> dict[str, str]:
    """The names that an editor or mypy sees, each with the module it is said to come from."""
    tree = ast.parse(Path(platemark.__file__).read_text(encoding="utf-8"))
    block = next(node for node in tree.body if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING")
    imports = [node for node in block.body if isinstance(node, ast.ImportFrom)]
    return {alias.name: str(node.module) for node in imports for alias in node.names}


def test_the_public_list_is_what_the_package_exposes() -> None:
    assert platemark.__all__ == dir(platemark)


def test_editors_see_what_python_gives() -> None:
    table = {name: f"platemark.{home}" for name, home in platemark._HOMES.items()}
    assert typed() == table
    assert set(platemark.__all__) == table.keys()


@pytest.mark.parametrize("name", platemark.__all__)
def test_a_public_name_is_the_thing_of_its_room(name: str) -> None:
    home = importlib.import_module(typed()[name])
    assert getattr(platemark, name) is getattr(home, name)


def test_a_name_that_is_not_there_is_told_as_python_tells_it() -> None:
    with pytest.raises(AttributeError, match=r"'platemark'.*'Pictures'"):
        _ = platemark.Pictures
    with pytest.raises(ImportError, match="Pictures"):
        exec("from platemark import Pictures")  # noqa: S102 - an import that fails


def test_the_public_list_is_sorted_and_has_no_name_twice() -> None:
    assert platemark.__all__ == sorted(set(platemark.__all__))


@pytest.mark.parametrize("name", platemark.__all__)
def test_everything_public_says_what_it_is(name: str) -> None:
    thing = getattr(platemark, name)
    if not (inspect.isclass(thing) or inspect.isfunction(thing)):
        return  # quantities such as Length are annotated types; the config's documentation tells their units
    assert inspect.getdoc(thing)


@pytest.mark.parametrize("name", ["Picture", "Job", "Profile", "Affine", "Layout", "Stage", "Encoder"])
def test_every_public_method_says_what_it_does(name: str) -> None:
    thing = getattr(platemark, name)
    methods = [
        (attribute, value)
        for attribute, value in vars(thing).items()
        if not attribute.startswith("_") and (inspect.isfunction(value) or isinstance(value, classmethod | property))
    ]
    assert [attribute for attribute, value in methods if not inspect.getdoc(value)] == []

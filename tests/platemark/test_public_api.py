"""The front door: what stages and scripts may use, all of it and nothing else."""

import inspect
import types

import pytest

import platemark


def exposed() -> set[str]:
    """What a reader of the package would take for public: names without underscore that are no rooms of it."""
    return {
        name
        for name, value in vars(platemark).items()
        if not name.startswith("_") and not isinstance(value, types.ModuleType)
    }


def test_the_public_list_is_what_the_package_exposes() -> None:
    assert set(platemark.__all__) == exposed()


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

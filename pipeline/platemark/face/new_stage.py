"""Writing the beginnings of a stage: one that works, and its test."""

import importlib.util
import keyword
import re
from pathlib import Path

from platemark.errors import PlatemarkError
from platemark.records.disk import make_folder
from platemark.records.store import write_whole

_STAGE = '''"""{title}: lightens or darkens the picture a little. Change it into what you need.

`measure` looks and decides; `apply` does it, from the parameters alone, so that the export can be made again.
"""

import numpy as np
from pydantic import Field

from platemark import Job, Parameters, Picture, Settings, Stage, hookimpl


class {title}Settings(Settings):
    """What is asked for in [stage.{name}]."""

    percent: int = Field(2, ge=-20, le=20, description="Per cent of full light to add; below 0 darkens.")


class {title}Parameters(Parameters):
    """What was decided for one picture; it stands in the manifest."""

    add: int = Field(description="16-bit levels added to every channel.")


class {title}(Stage[{title}Settings, {title}Parameters]):
    """Lightens or darkens the picture a little."""

    name = "{name}"
    version = 1  # raise it when `apply` would make other pixels from the same parameters

    def measure(self, picture: Picture, settings: {title}Settings, job: Job) -> {title}Parameters:
        """Decide how many levels to add."""
        return {title}Parameters(add=settings.percent * 65535 // 100)

    def apply(self, picture: Picture, parameters: {title}Parameters) -> Picture:
        """Add them: integers only, so that every computer makes the same pixels."""
        lighter = picture.array().astype(np.int32) + parameters.add
        return picture.with_array(np.clip(lighter, 0, 65535).astype(np.uint16))


@hookimpl
def platemark_stages() -> list[type[Stage]]:
    """Tell platemark of the stage."""
    return [{title}]
'''

_TEST = '''"""The stage {name} keeps the contract, and does what it says."""

import numpy as np
from {name} import {title}

from platemark.testing import check_stage, gradient_picture, measure_and_apply


def test_{name}_keeps_the_contract_of_a_stage():
    check_stage({title})


def test_{name}_adds_light():
    picture = gradient_picture()
    _, after = measure_and_apply({title}, picture, percent=2)
    assert np.mean(after.array()) > np.mean(picture.array())
'''


def write_new_stage(name: str, folder: Path) -> tuple[Path, Path]:
    """Write `NAME.py` and `test_NAME.py` into a folder.

    Raises:
        PlatemarkError: the name will not do, or a file is there already.
    """
    _check_name(name)
    title = "".join(part.capitalize() for part in name.split("_"))
    texts = {folder / f"{name}.py": _STAGE, folder / f"test_{name}.py": _TEST}
    for path in texts:
        if path.exists():
            raise PlatemarkError(f"{path} is there already", remedy="choose another name, or move it away")
    make_folder(folder, remedy="name another with --into")
    for path, text in texts.items():
        write_whole(path, text.format(name=name, title=title).encode(), step="stage")
    stage, test = texts
    return stage, test


def _check_name(name: str) -> None:
    if not re.fullmatch(r"[a-z][a-z0-9_]*", name) or keyword.iskeyword(name) or name.startswith("test_"):
        raise PlatemarkError(
            f'"{name}" is no name for a stage',
            remedy="use small letters, digits and _, starting with a letter, and not with test_",
        )
    if importlib.util.find_spec(name):
        raise PlatemarkError(
            f'a Python module is called "{name}" already, so that the stage\'s test could not find the stage',
            remedy="choose another name",
        )

"""What a table may point at: a stage, a paper, a print, a file. What leads nowhere is found when the file is read.

The checks need to know what there is, so they read `Surroundings` from pydantic's validation context. Without a context
(a model built in code, or read back from a manifest) names are taken on trust and paths stay as they are.
"""

import difflib
import os
import re
from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    PlainSerializer,
    SerializerFunctionWrapHandler,
    ValidationInfo,
    model_serializer,
)

_TIDY = re.compile(r"[a-z0-9][a-z0-9_-]*")


@dataclass(frozen=True)
class Surroundings:
    """What the tables of one file may refer to.

    Attributes:
        folder: where the file lies; relative paths start here.
        stages: names of the stages that are installed.
        papers: names of the papers that are described.
        prints: names of the prints that are described.
        some_lost: stages are missing that could not be loaded, so one that is not known may be among them.
    """

    folder: Path
    stages: Collection[str] = ()
    papers: Collection[str] = ()
    prints: Collection[str] = ()
    some_lost: bool = False


class Table(BaseModel):
    """A TOML table: no unknown keys, no silent conversions, not changed after reading."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, defer_build=True)

    @model_serializer(mode="wrap")
    def _as_toml(self, handler: SerializerFunctionWrapHandler) -> dict[str, Any]:
        """Leave out what is not set: TOML has no word for nothing."""
        return {key: value for key, value in handler(self).items() if value is not None}


def nearest(name: str, known: Iterable[str]) -> str | None:
    """Find the known name that looks most like `name`, if one is close enough to be a typing error."""
    # 0.6 is difflib's own idea of "close": two letters wrong in five.
    return next(iter(difflib.get_close_matches(name.lower(), sorted(known), n=1, cutoff=0.6)), None)


def unknown(kind: str, name: str, known: Collection[str]) -> str:
    """Say that no such thing is known, and which one was probably meant.

    >>> unknown("stage", "jpg", ["crop", "jpeg"])
    'no stage is called "jpg"; the nearest is "jpeg"'
    """
    likely = nearest(name, known)
    if likely:
        return f'no {kind} is called "{name}"; the nearest is "{likely}"'
    there_are = f"there are {', '.join(sorted(known))}" if known else "there is none yet"
    return f'no {kind} is called "{name}"; {there_are}'


def _known(kind: str, of: Callable[[Surroundings], Collection[str]]) -> AfterValidator:
    """Make the check that a name is among those that `of` finds around the file."""

    def check(name: str, info: ValidationInfo) -> str:
        if isinstance(info.context, Surroundings) and name not in of(info.context):
            raise ValueError(unknown(kind, name, of(info.context)))
        return name

    return AfterValidator(check)


def _stage_known(name: str, info: ValidationInfo) -> str:
    """A stage whose plugin cannot be loaded holds the prints that need it, when their turn comes."""
    around = info.context
    if isinstance(around, Surroundings) and name not in around.stages and not around.some_lost:
        raise ValueError(unknown("stage", name, around.stages))
    return name


def _tidy(name: str) -> str:
    """Refuse a name that would make an awkward or ambiguous file name."""
    if _TIDY.fullmatch(name):
        return name
    likely = re.sub(r"[^a-z0-9_]+", "-", name.lower()).strip("-_") or "a4-matte"
    raise ValueError(
        "this name becomes part of file names, so it is made of small letters, digits, - and _, "
        f'and starts with a letter or digit; write "{likely}"'
    )


def _placed(path: object, info: ValidationInfo) -> object:
    """Let a relative path start at the folder of the file it is written in."""
    if not isinstance(path, str | Path):
        return path
    if not str(path).strip():
        raise ValueError("the path is empty; write one, or leave the line out")
    return placed(path, info.context.folder) if isinstance(info.context, Surroundings) else Path(path)


def placed(path: str | Path, folder: Path) -> Path:
    """The path as it is meant in a file that lies in `folder`: `~` is a home, and what is relative starts there.

    Raises:
        ValueError: no system takes it.
    """
    if "\0" in str(path):
        raise ValueError("no file has such a name; take the character with the number 0 out")
    try:
        return folder / Path(path).expanduser()
    except RuntimeError as fault:
        raise ValueError(f"nobody here has the home folder {Path(path).parts[0]}; write the whole path") from fault


def _file_there(path: Path, info: ValidationInfo) -> Path:
    if isinstance(info.context, Surroundings) and not os.path.isfile(path):  # noqa: PTH113 - pathlib raises where a name is too long
        raise ValueError(f"there is no file {path}; put it there, or correct the path")
    return path


def _folder_there(path: Path, info: ValidationInfo) -> Path:
    if isinstance(info.context, Surroundings) and not os.path.isdir(path):  # noqa: PTH112 - as above
        raise ValueError(f"there is no folder {path}; make it, or correct the path")
    return path


StageName = Annotated[str, AfterValidator(_stage_known)]
PaperName = Annotated[str, _known("paper", lambda around: around.papers)]
PrintName = Annotated[str, _known("print", lambda around: around.prints)]

TidyName = Annotated[str, AfterValidator(_tidy)]
"""The name of a print or a paper: it ends up in file names, where a dot would separate."""

PlacedPath = Annotated[Path, BeforeValidator(_placed), PlainSerializer(str, return_type=str)]
"""A path; relative ones start at the folder of the file they are written in."""

ExistingFolder = Annotated[PlacedPath, AfterValidator(_folder_there)]
"""A folder that must be there; relative ones as for `PlacedPath`."""

ProfileFile = Annotated[
    Path,
    BeforeValidator(_placed),
    AfterValidator(_file_there),
    PlainSerializer(lambda path: path.name, return_type=str),
]
"""An ICC profile that must exist. Written back by its bare name: a manifest knows the profile by its content, and
where it lay on one machine must not get into a file that has to come out the same on another."""

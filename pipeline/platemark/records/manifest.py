"""The manifest: the TOML sidecar of one export, from which the export can be made again.

Same export, same bytes: nothing in it depends on the clock or the machine but the table `[made]`,
which is last and says so. `[made]` holds the hash of all that stands above it, so a manifest that
was cut or edited is refused instead of being believed.
"""

import hashlib
import math
import re
import tomllib
from pathlib import Path
from typing import Annotated, Any

import tomli_w
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError

from platemark.errors import ManifestError

FORMAT = "platemark-manifest/1"
_SEAM = "\n# The table below tells of this one making; it is no part of the recipe.\n[made]\n"
_BACKUP = "take it from a backup; a manifest is never guessed or repaired"
_WORDS = {
    "missing": "it is missing",
    "extra_forbidden": "this program knows no such key; a later release may have written it",
}


def _plain(table: dict[str, Any]) -> dict[str, Any]:
    """Refuse what TOML has no word for, and numbers that are none."""
    for key, value in table.items():
        _check(key, value)
    return table


def _check(key: str, value: object) -> None:
    match value:
        case dict():
            for inner, own in value.items():
                _check(f"{key}.{inner}", own)
        case list():
            for number, own in enumerate(value):
                _check(f"{key}.{number}", own)
        case str() if re.search("[\ud800-\udfff]", value):  # as in names that are not UTF-8
            raise ValueError(f"{key} = {value!r} is no text that can be written down")
        case float() if not math.isfinite(value):
            raise ValueError(f"{key} = {value} is no number that can be written down")
        case str() | float() | int():
            pass
        case _:
            raise ValueError(f"{key} is a {type(value).__name__}, which cannot be written down")


Table = Annotated[dict[str, Any], AfterValidator(_plain)]


class _Record(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False, defer_build=True)


class Source(_Record):
    """One scan, and how it was opened.

    `item` counts from 1 where several lay on the bed, 0 is the only one; `name_bytes` is the name of the file in
    hexadecimal, where it is no UTF-8.
    """

    name: str
    name_bytes: str | None = None
    sha256: str
    size: int
    archived: str
    item: int = 0
    page: int = 0
    orientation: int = 1
    ppi: float
    ppi_from: str
    profile: str
    profile_from: str
    alpha: str = "none"
    width: int
    height: int
    bits: int


class Transform(_Record):
    """One stage as it was applied."""

    stage: str
    version: int
    distribution: str
    distribution_version: str = ""
    code_sha256: str
    source_archived: bool = False
    settings: Table = Field(default_factory=dict)
    parameters: Table = Field(default_factory=dict)
    size_in: list[int]
    size_out: list[int]


class Output(_Record):
    """The file that was made."""

    file: str
    sha256: str
    bytes: int
    width: int
    height: int
    ppi: float
    encoding: Table = Field(default_factory=dict)
    companions: dict[str, str] = Field(default_factory=dict)


class ProfileUsed(_Record):
    """A colour profile that took part."""

    role: str
    description: str
    sha256: str


class Manifest(_Record):
    """Everything that a print was made from, by and into."""

    format: str
    recipe: str
    sources: list[Source] = Field(min_length=1)
    print: Table
    work: Table
    transforms: list[Transform]
    profiles: list[ProfileUsed]
    libraries: dict[str, str]
    noticed: Table = Field(default_factory=dict)
    warnings: list[str] = Field(default_factory=list)
    output: Output
    made: Table = Field(default_factory=dict)


def write_manifest(manifest: Manifest) -> bytes:
    """The file's bytes. `[made]` gets the hash of all that stands above it, so an edit shows."""
    body = tomli_w.dumps(manifest.model_dump(exclude={"made"}, exclude_none=True), multiline_strings=False)
    made = tomli_w.dumps({**manifest.made, "body_sha256": _hash(body)})
    return (body + _SEAM + made).encode()


def read_manifest(path: Path) -> Manifest:
    """Read a manifest and hold it to its form and to its own hash.

    Raises:
        ManifestError: it cannot be read, was cut or edited, has an unknown key or another format;
            names the file, and the line or key.
    """
    text = _text(path)
    table = _table(text, path.name)
    if table.get("format") != FORMAT:
        raise _other_format(path.name, table.get("format"))
    try:
        manifest = Manifest.model_validate(table)
    except ValidationError as fault:
        raise ManifestError(f"{path.name}, {first_problem(fault)}", remedy=_BACKUP) from fault
    body = text.rpartition(_SEAM)[0]
    if not text.endswith("\n") or _hash(body) != manifest.made.get("body_sha256"):
        raise ManifestError(
            f"{path.name}, [made], body_sha256: what stands above is not what was written, "
            "so the manifest was edited or cut",
            remedy=_BACKUP,
        )
    return manifest


def first_problem(fault: ValidationError) -> str:
    """The first thing that a model refused: its key, and why."""
    first = fault.errors()[0]
    key = ".".join(map(str, first["loc"]))
    words = _WORDS.get(first["type"]) or first["msg"].removeprefix("Value error, ")
    return f"{key}: {words[:1].lower()}{words[1:]}"


def _hash(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def _text(path: Path) -> str:
    try:
        data = path.read_bytes()  # not as text, which would make every kind of line end the same
    except OSError as fault:
        raise ManifestError(f"{path.name} cannot be read ({fault.strerror})", remedy="see who may read it") from fault
    try:
        return data.decode()
    except UnicodeDecodeError as fault:
        line = data.count(b"\n", 0, fault.start) + 1
        raise ManifestError(f"{path.name}, line {line}: it is not UTF-8 text", remedy=_BACKUP) from fault


def _table(text: str, name: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as fault:  # numbers of thousands of digits are a plain ValueError
        raise ManifestError(f"{name}{_line(str(fault), text)}: no sound TOML ({fault})", remedy=_BACKUP) from fault


def _line(words: str, text: str) -> str:
    """Where the parser stopped, as far as it says."""
    if "(at end of document)" in words:
        return f", line {len(text.splitlines())}"
    place = re.search(r"\(at (line \d+)", words)
    return f", {place[1]}" if place else ""


def _other_format(name: str, found: object) -> ManifestError:
    if not isinstance(found, str):
        return ManifestError(f"{name} is no manifest: it has no line `format`", remedy=_BACKUP)
    return ManifestError(
        f'{name}, format = "{found}": this program reads "{FORMAT}"',
        remedy="use the release of platemark that wrote it, or a later one",
    )

"""The manifest: the TOML sidecar of one export, from which the export can be made again.

Same export, same bytes: nothing in it depends on the clock or the machine but the table `[made]`,
which is last and says so.
"""

import hashlib
import tomllib
from pathlib import Path
from typing import Any

import tomli_w
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from platemark.errors import ManifestError

FORMAT = "platemark-manifest/1"
_MADE = "\n[made]\n"
_MADE_NOTE = "# The table below tells of this one making; it is no part of the recipe.\n"

Value = str | int | float | bool
Table = dict[str, Any]


class _Record(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Source(_Record):
    """One scan, and how it was opened."""

    name: str
    sha256: str
    size: int
    archived: str
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
    sources: list[Source]
    print: Table
    work: Table
    transforms: list[Transform]
    profiles: list[ProfileUsed]
    libraries: dict[str, str]
    noticed: dict[str, Value] = Field(default_factory=dict)
    warnings: list[str] = Field(default_factory=list)
    output: Output
    made: Table = Field(default_factory=dict)


def write_manifest(manifest: Manifest) -> bytes:
    """The file's bytes. `[made]` gets the hash of all that stands above it, so an edit shows."""
    table = manifest.model_dump(exclude={"made"})
    body = tomli_w.dumps(table, multiline_strings=False)
    digest = hashlib.sha256(body.encode()).hexdigest()
    made = tomli_w.dumps({**manifest.made, "body_sha256": digest})
    return (body + "\n" + _MADE_NOTE.rstrip("\n") + _MADE + made).encode()


def read_manifest(path: Path) -> Manifest:
    """Read a manifest and hold it to its form.

    Raises:
        ManifestError: it cannot be read, is cut, has an unknown key or another format; names
            line and key.
    """
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as fault:
        raise ManifestError(
            f"{path.name} cannot be read as a manifest: {fault}",
            remedy="take it from a backup; it is never guessed or repaired",
        ) from fault
    if table.get("format") != FORMAT:
        raise ManifestError(
            f"{path.name}, format = {table.get('format')!r}: this program reads {FORMAT!r}",
            remedy="use the release of platemark that wrote it, or a later one",
        )
    try:
        return Manifest.model_validate(table)
    except ValidationError as fault:
        first = fault.errors()[0]
        key = ".".join(str(part) for part in first["loc"])
        raise ManifestError(
            f"{path.name}, {key}: {first['msg'].lower()}",
            remedy="it was edited or cut; take it from a backup",
        ) from fault


def was_edited(path: Path) -> bool:
    """True when what stands above `[made]` is not what was written.

    Raises:
        ManifestError: as `read_manifest`.
    """
    manifest = read_manifest(path)
    text = path.read_text(encoding="utf-8")
    body = text.rpartition("\n" + _MADE_NOTE.rstrip("\n") + _MADE)[0]
    return hashlib.sha256(body.encode()).hexdigest() != manifest.made.get("body_sha256")

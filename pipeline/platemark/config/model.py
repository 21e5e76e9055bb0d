"""The config, `platemark.toml`, as frozen models: what the artist prints, on what, through which stages.

Attribute names are the keys of the file. How the file is read, and every problem of it told at once: `reading`.
"""

import itertools
import os
from pathlib import Path
from typing import Any, Literal, Self

from pydantic import Field, model_validator

from platemark.config.print_spec import Border, PrintSpec
from platemark.config.references import ExistingFolder, PlacedPath, ProfileFile, StageName, Table, TidyName
from platemark.config.sheet_size import SheetSizeField
from platemark.config.units import Duration, FileSize, Length

__all__ = [
    "Artist",
    "Border",
    "Config",
    "Folders",
    "Log",
    "PaperSpec",
    "PrintSpec",
    "Printer",
    "Scanner",
    "Watch",
    "Work",
]

DEFAULT_STAGES = ("deskew", "crop", "resample", "proof", "sharpen", "border", "jpeg")


class Folders(Table):
    """Where scans come in and prints go out. None may lie inside another, or an export would be taken for a scan."""

    scans: PlacedPath = Field(Path("scans"), validate_default=True)
    ready: PlacedPath = Field(Path("ready"), validate_default=True)
    held: PlacedPath = Field(Path("held"), validate_default=True)
    originals: PlacedPath = Field(Path("originals"), validate_default=True)

    @model_validator(mode="after")
    def _apart(self) -> Self:
        named = {key: Path(os.path.realpath(getattr(self, key))) for key in type(self).model_fields}
        for (outer, around), (inner, within) in itertools.permutations(named.items(), 2):
            if within.is_relative_to(around):
                raise ValueError(
                    f"{inner} ({within}) lies inside {outer} ({around}), so that files written to one would turn up "
                    "in the other; give each a folder of its own"
                )
        return self


class Watch(Table):
    """How new scans are noticed."""

    settle: Duration = Field(2.0, gt=0)
    """How long a file must stand still before it counts as finished."""
    sweep: Duration = Field(60.0, gt=0)
    """How often the folder is listed anew, because no system reports every file."""
    observer: Literal["auto", "native", "polling"] = "auto"
    wait_for_parts: Duration = Field(600.0, gt=0)
    """How long the other scans of a set are waited for before it is said that they are missing."""


class Work(Table):
    """Who does the work, and how much of the machine one scan may take."""

    where: Literal["here", "processes", "dask"] = "processes"
    """In the program itself, in processes beside it, or on other machines."""
    workers: int = Field(2, ge=1, le=64)
    """How many scans are worked on at once, in processes."""
    time_limit: Duration = Field(600.0, gt=0)
    """A scan that takes longer is held."""
    memory: FileSize = Field(6_000_000_000, ge=500_000_000)
    """A worker that needs more is ended, and its scan held (Linux)."""
    check: bool = False
    """Apply every stage twice and compare; says which stage does not come out the same again."""
    scheduler: str = ""
    """Where the Dask scheduler listens, such as tcp://192.168.1.20:8786."""
    folders: Literal["shared", "carried"] = "shared"
    """Whether the other machines see the studio's folders under the same paths, or are sent each scan."""

    @model_validator(mode="after")
    def _scheduler_named(self) -> Self:
        if self.where == "dask" and not self.scheduler:
            raise ValueError('where = "dask" needs scheduler, such as "tcp://192.168.1.20:8786"')
        return self


class Scanner(Table):
    """What is known about the scanner when its files do not say it."""

    # 50 to 12800 ppi is what flatbeds offer, interpolation included (common practice).
    ppi: int | None = Field(None, ge=50, le=12800, json_schema_extra={"remedy": "Write the resolution you scan with"})
    profile: ProfileFile | None = None
    cmyk: Literal["hold", "convert"] = "hold"
    lab: Literal["hold", "convert"] = "hold"
    max_megapixels: int = Field(600, ge=1)
    """A scan of more millions of pixels is held: A4 at 1200 ppi has 139."""
    page: int | None = Field(None, ge=1)
    """Which page of a file with several, counted from 1."""
    sheet: SheetSizeField | None = None
    """The paper most originals are on, such as "A4": helps to tell its edges where they are faint."""


class Artist(Table):
    """Who made it; written into the files."""

    name: str = ""
    copyright: str = ""
    contact: str = ""


class PaperSpec(Table):
    """What it is printed on."""

    profile: ProfileFile | None = None
    surface: Literal["matte", "textured", "gloss", "satin"] = "matte"
    feed: str = ""
    """Which feed of the printer it is loaded in."""
    note: str = ""
    intent: Literal["perceptual", "relative"] = "relative"
    black_point: bool = True


class Printer(Table):
    """The way from the file to the paper: who converts the colours, and what the printed page of `pathtest` showed."""

    colour: Literal["file", "driver"] = "driver"
    """Who brings the colours into the printer's own. The other one must leave them alone."""
    profiles: Literal["honoured", "ignored"] | None = None
    """Whether the way to the printer honours the profile in a file."""
    line: Length | None = Field(None, ge=50, le=150)
    """How long the line of 100 mm came out."""
    grey: Literal["neutral", "tinted"] | None = None
    """Whether greys came out without a tint."""


class Log(Table):
    """Where the log goes and how much it says."""

    file: PlacedPath = Field(Path("platemark.log"), validate_default=True)
    level: Literal["debug", "info", "warning", "error"] = "info"


class Config(Table):
    """Everything in `platemark.toml`. Paths are absolute after `load_config`."""

    stages: list[StageName] = Field(list(DEFAULT_STAGES), min_length=1, validate_default=True)
    """The chain of every print that has none of its own, in order."""
    stages_dir: ExistingFolder | None = None
    """A folder with stages of your own, one Python file each."""
    folders: Folders = Field(default_factory=Folders)
    watch: Watch = Field(default_factory=Watch)
    work: Work = Field(default_factory=Work)
    scanner: Scanner = Field(default_factory=Scanner)
    artist: Artist = Field(default_factory=Artist)
    print: dict[TidyName, PrintSpec] = Field(default_factory=dict)
    paper: dict[TidyName, PaperSpec] = Field(default_factory=dict)
    stage: dict[StageName, dict[str, Any]] = Field(default_factory=dict)
    printer: Printer = Field(default_factory=Printer)
    log: Log = Field(default_factory=Log)

    @model_validator(mode="before")
    @classmethod
    def _absent_tables_are_empty(cls, written: object) -> object:
        # A table that is not there would not be validated, and its default paths not be placed.
        return {"folders": {}, "log": {}, **written} if isinstance(written, dict) else written

    def chain(self, print_name: str) -> list[str]:
        """Name the stages of one print, in order."""
        return list(self.print[print_name].stages or self.stages)

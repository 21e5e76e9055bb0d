"""What is looked at: as much of a config as can be read, even where the rest of it is wrong."""

import contextlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from platemark.config.model import Folders, Log, Watch
from platemark.config.reading import read_toml
from platemark.config.references import Surroundings, Table, placed
from platemark.errors import ConfigError

TableT = TypeVar("TableT", bound=Table)


@dataclass(frozen=True)
class Subject:
    """A studio, taken on trust: a table that is wrong stands here with its defaults, and the check of the config tells.

    Attributes:
        file: the config.
        folders: where everything lies.
        watch: how scans are noticed.
        log: where the log goes.
        prints: how many are made of each scan.
        profiles: the files that the config names, each with who names it.
    """

    file: Path
    folders: Folders
    watch: Watch
    log: Log
    prints: int
    profiles: dict[str, Path]

    @property
    def places(self) -> dict[str, Path]:
        """The four folders by the names that the config gives them."""
        return {name: getattr(self.folders, name) for name in type(self.folders).model_fields}


def subject_of(file: Path) -> Subject:
    """Read what can be read."""
    try:
        written = read_toml(file)
    except ConfigError:
        written = {}
    folder = file.absolute().parent
    return Subject(
        file,
        _table(Folders, written, "folders", folder),
        _table(Watch, written, "watch", folder),
        _table(Log, written, "log", folder),
        max(1, len(_tables(written, "print"))),
        dict(_profiles(written, folder)),
    )


def _table(model: type[TableT], written: dict[str, Any], name: str, folder: Path) -> TableT:
    around = Surroundings(folder)
    try:
        return model.model_validate(written.get(name, {}), context=around)
    except ValidationError:
        return model.model_validate({}, context=around)


def _tables(written: dict[str, Any], name: str) -> dict[str, dict[str, Any]]:
    below = written.get(name)
    return {key: table for key, table in below.items() if isinstance(table, dict)} if isinstance(below, dict) else {}


def _profiles(written: dict[str, Any], folder: Path) -> list[tuple[str, Path]]:
    tables = {f"[paper.{name}]": table for name, table in _tables(written, "paper").items()}
    tables |= {f"[{name}]": table for name, table in _tables({"": written}, "").items() if name == "scanner"}
    found = []
    for who, table in tables.items():
        path = table.get("profile")
        with contextlib.suppress(ValueError):  # told by the check of the config
            if isinstance(path, str) and path:
                found.append((who, placed(path, folder)))
    return found

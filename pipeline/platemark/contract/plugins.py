"""Finding plugins: entry points, and single files in the artist's stages folder.

Each is loaded by itself, so that one bad package stops only itself. Importing platemark loads
nothing: `load_plugins` gives a fresh set each time.
"""

import hashlib
import importlib.metadata
import importlib.util
import inspect
import sys
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from types import ModuleType
from typing import Any

import pluggy

from platemark.contract import hookspecs
from platemark.contract.stage import Stage
from platemark.errors import PluginError

GROUP = "platemark"


@dataclass(frozen=True)
class FoundStage:
    """A stage, and where it came from.

    Attributes:
        kind: the class.
        origin: distribution or file, for people.
        distribution: name of the distribution, or "file" for one of the stages folder.
        distribution_version: its version, or "".
        code_sha256: of the source file that defines the class.
        source: that file, if it is one of the stages folder: archived with each export.
    """

    kind: type[Stage[Any, Any]]
    origin: str
    distribution: str
    distribution_version: str
    code_sha256: str
    source: Path | None = None


@dataclass
class Plugins:
    """What was found, and what could not be loaded (name to reason)."""

    stages: dict[str, FoundStage] = field(default_factory=dict)
    refused: dict[str, str] = field(default_factory=dict)
    manager: pluggy.PluginManager = field(default_factory=lambda: pluggy.PluginManager(GROUP))

    def stage(self, name: str) -> FoundStage:
        """The stage of this name.

        Raises:
            PluginError: there is none; says what is known and what was refused.
        """
        if name in self.stages:
            return self.stages[name]
        because = f" ({'; '.join(self.refused.values())})" if self.refused else ""
        raise PluginError(
            f"there is no stage named {name}{because}",
            remedy=f"known are: {', '.join(sorted(self.stages))}",
        )


def load_plugins(stages_dir: Path | None = None) -> Plugins:
    """Find all plugins.

    Args:
        stages_dir: the artist's folder of single-file stages, if she has one.

    Raises:
        PluginError: two stages share a name.
    """
    found = Plugins()
    found.manager.add_hookspecs(hookspecs)
    for point in sorted(importlib.metadata.entry_points(group=GROUP), key=lambda p: (p.name, p.value)):
        _load_entry_point(found, point)
    for path in _stage_files(stages_dir):
        _load_file(found, path)
    return found


def load_stage_file(path: Path, name: str) -> FoundStage:
    """The stage of this name from a single file, as archived with an export.

    Raises:
        PluginError: the file cannot be loaded or has no such stage.
    """
    alone = Plugins()
    alone.manager.add_hookspecs(hookspecs)
    _load_file(alone, path)
    return alone.stage(name)


def _stage_files(folder: Path | None) -> Iterable[Path]:
    if folder is None or not folder.is_dir():
        return []
    return sorted(p for p in folder.glob("*.py") if not p.name.startswith(("_", ".", "test_")))


def _load_entry_point(found: Plugins, point: importlib.metadata.EntryPoint) -> None:
    distribution = point.dist.name if point.dist else "unknown"
    version = point.dist.version if point.dist else ""
    try:
        module = point.load()
        stages = _register(found, module, point.name)
    except (Exception, SystemExit) as fault:  # noqa: BLE001 - a stranger's import may raise anything
        found.refused[point.name] = f"plugin {point.name} of {distribution} cannot be loaded: {fault}"
        return
    for kind in stages:
        _add(found, FoundStage(kind, f"{distribution} {version}", distribution, version, _code(kind)))


def _load_file(found: Plugins, path: Path) -> None:
    try:
        stages = _register(found, _import_file(path), path.name)
    except (Exception, SystemExit) as fault:  # noqa: BLE001 - as above
        found.refused[path.name] = f"stage file {path.name} cannot be loaded: {type(fault).__name__}: {fault}"
        return
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    for kind in stages:
        _add(found, FoundStage(kind, path.name, "file", "", digest, path))


def _import_file(path: Path) -> ModuleType:
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    # Named by content: a stage that was edited is another module, not a stale copy of the first.
    name = f"platemark_stage_{path.stem}_{digest[:12]}"
    spec = importlib.util.spec_from_file_location(name, path)
    if spec is None or spec.loader is None:
        raise PluginError(f"{path} is no Python file")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


def _register(found: Plugins, module: ModuleType, name: str) -> list[type[Stage[Any, Any]]]:
    """Register with pluggy, check the hooks, and ask this plugin alone for its stages."""
    try:
        found.manager.register(module, name)
        found.manager.check_pending()  # finds the hook name with a typing error
    except pluggy.PluginValidationError as fault:
        found.manager.unregister(name=name)  # pluggy keeps the name of a plugin it has just refused
        raise PluginError(str(fault)) from fault
    others = [p for p in found.manager.get_plugins() if p is not module]
    hook = found.manager.subset_hook_caller("platemark_stages", others)
    stages = [kind for several in hook() for kind in several]
    for kind in stages:
        _check(kind, name)
    return stages


def _check(kind: object, name: str) -> None:
    if not (inspect.isclass(kind) and issubclass(kind, Stage)):
        raise PluginError(f"{name} offers {kind!r}, which is no subclass of Stage")
    missing = [part for part in ("name", "settings_model", "parameters_model") if not hasattr(kind, part)]
    if missing or inspect.isabstract(kind):
        gap = ", ".join(missing) or "measure and apply"
        raise PluginError(f"{name}: the stage {kind.__name__} lacks {gap}")


def _add(found: Plugins, stage: FoundStage) -> None:
    name = stage.kind.name
    if name in found.stages:
        raise PluginError(
            f"two stages are named {name}: one of {found.stages[name].origin}, one of {stage.origin}",
            remedy="rename one of them, or take one away",
        )
    found.stages[name] = stage


def _code(kind: type[Stage[Any, Any]]) -> str:
    """Hash of all Python files of the room that the class lives in, in name order.

    A stage of several modules changes when any of them does.
    """
    home = Path(inspect.getfile(kind))
    files = sorted(home.parent.rglob("*.py")) if home.name == "__init__.py" else [home]
    digest = hashlib.sha256()
    for path in files:
        digest.update(path.name.encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()

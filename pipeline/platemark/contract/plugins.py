"""Finding plugins: entry points, and single files in the artist's stages folder.

Each is loaded by itself, so that one bad package stops only itself. Importing platemark loads
nothing: `load_plugins` gives a fresh set each time.
"""

import hashlib
import importlib.abc
import importlib.metadata
import importlib.util
import inspect
import re
import sys
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from types import ModuleType
from typing import Any

import pluggy

from platemark.contract import hookspecs
from platemark.contract.hookspecs import PROJECT
from platemark.contract.stage import Encoder, Stage
from platemark.errors import PluginError

# A stage's name is a key of the config and of the manifest.
_NAME = re.compile(r"[a-z][a-z0-9_-]*")


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
    manager: pluggy.PluginManager = field(default_factory=lambda: pluggy.PluginManager(PROJECT))

    def __post_init__(self) -> None:
        """Tell pluggy the hooks there are."""
        self.manager.add_hookspecs(hookspecs)

    def implementing(self, hook: str) -> Iterator[tuple[str, Callable[..., list[Any]]]]:
        """Each plugin that has a hook, in the order of their names, with the call that reaches it alone."""
        for name, plugin in sorted(self.manager.list_name_plugin(), key=lambda pair: pair[0]):
            if plugin is not None and hasattr(plugin, hook):
                others = [other for other in self.manager.get_plugins() if other is not plugin]
                yield name, self.manager.subset_hook_caller(hook, others)

    def stage(self, name: str) -> FoundStage:
        """The stage of this name.

        Raises:
            PluginError: there is none; says what is known and what was refused.
        """
        if name in self.stages:
            return self.stages[name]
        because = f" ({'; '.join(self.refused.values())})" if self.refused else ""
        known = f"known are: {', '.join(sorted(self.stages))}"
        raise PluginError(
            f"there is no stage named {name}{because}",
            remedy=f"mend what cannot be loaded, and start again; {known}" if self.refused else known,
        )


def load_plugins(stages_dir: Path | None = None) -> Plugins:
    """Find all plugins.

    Args:
        stages_dir: the artist's folder of single-file stages, if she has one.

    Raises:
        PluginError: two stages share a name.
    """
    found = Plugins()
    for point in sorted(importlib.metadata.entry_points(group=PROJECT), key=lambda p: (p.name, p.value)):
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
    _load_file(alone, path)
    return alone.stage(name)


def _stage_files(folder: Path | None) -> Iterable[Path]:
    if folder is None or not folder.is_dir():
        return []
    return sorted(p for p in folder.glob("*.py") if not p.name.startswith(("_", ".", "test_")))


def _load_entry_point(found: Plugins, point: importlib.metadata.EntryPoint) -> None:
    distribution = point.dist.name if point.dist else "unknown"
    version = point.dist.version if point.dist else ""
    origin = f"{distribution} {version}".strip()

    def describe(kind: type[Stage[Any, Any]]) -> FoundStage:
        return FoundStage(kind, origin, distribution, version, _code(kind))

    # Two packages may well call their entry point alike.
    _load(found, f"{distribution}:{point.name}", point.load, describe, f"the plugin {point.name} of {origin}")


def _load_file(found: Plugins, path: Path) -> None:
    def load() -> ModuleType:
        return _import_text(path, text)

    def describe(kind: type[Stage[Any, Any]]) -> FoundStage:
        return FoundStage(kind, path.name, "file", "", hashlib.sha256(text).hexdigest(), path)

    try:
        text = path.read_bytes()
    except OSError as fault:
        found.refused[path.name] = f"the stage file {path.name} cannot be read: {fault.strerror}"
        return
    _load(found, path.name, load, describe, f"the stage file {path.name}")


def _load(
    found: Plugins,
    name: str,
    load: Callable[[], object],
    describe: Callable[[type[Stage[Any, Any]]], FoundStage],
    called: str,
) -> None:
    """Load one plugin and take its stages; one that cannot be used is named, and is really gone.

    Raises:
        PluginError: a stage of it has the name of one that is there.
    """
    try:
        stages = [describe(kind) for kind in _register(found.manager, load(), name)]
    except (Exception, SystemExit) as fault:  # noqa: BLE001 - a stranger's import may raise anything
        ours = isinstance(fault, PluginError | pluggy.PluginValidationError)
        words = str(fault) if ours else f"{type(fault).__name__}: {fault}"
        found.refused[name] = f"{called} cannot be loaded: {' '.join(words.split())}"
        return
    for stage in stages:
        _add(found, stage)


class _Text(importlib.abc.SourceLoader):
    """Runs exactly the text that was hashed: no older compilation of the file, and none left beside it."""

    def __init__(self, path: Path, text: bytes) -> None:
        self.path = path
        self.text = text

    def get_filename(self, fullname: str) -> str:  # noqa: ARG002
        """The file, for tracebacks."""
        return str(self.path)

    def get_data(self, path: str) -> bytes:  # noqa: ARG002
        """The text as it was read."""
        return self.text


def _import_text(path: Path, text: bytes) -> ModuleType:
    # Named by content: a stage that was edited is another module, not a stale copy of the first.
    name = f"platemark_stage_{path.stem}_{hashlib.sha256(text).hexdigest()[:12]}"
    spec = importlib.util.spec_from_loader(name, _Text(path, text))
    if spec is None or spec.loader is None:
        raise PluginError("it is no Python file")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module  # classes look up their own module, as when pydantic reads annotations
    try:
        spec.loader.exec_module(module)
    except BaseException:
        del sys.modules[name]
        raise
    return module


def _register(manager: pluggy.PluginManager, plugin: object, name: str) -> list[type[Stage[Any, Any]]]:
    """Register with pluggy, check the hooks, and ask this plugin alone for its stages."""
    if manager.is_registered(plugin):
        raise PluginError(f"it is the same module as {manager.get_name(plugin)}")
    try:
        manager.register(plugin, name)
        manager.check_pending()  # finds the hook name with a typing error
        others = [p for p in manager.get_plugins() if p is not plugin]
        stages = [kind for several in manager.subset_hook_caller("platemark_stages", others)() for kind in several]
        for kind in stages:
            _check(kind)
    except BaseException:
        manager.unregister(name=name)  # pluggy keeps the name of a plugin it has just refused
        raise
    return stages


def _check(kind: object) -> None:
    if not (inspect.isclass(kind) and issubclass(kind, Stage)):
        raise PluginError(f"it offers {kind!r}, which is no subclass of Stage")
    wanted = ["name", "settings_model", "parameters_model", *(["suffix"] if issubclass(kind, Encoder) else [])]
    missing = [part for part in wanted if not hasattr(kind, part)] + sorted(kind.__abstractmethods__)
    if missing:
        raise PluginError(f"its stage {kind.__name__} lacks {', '.join(missing)}")
    if not (isinstance(kind.name, str) and _NAME.fullmatch(kind.name)):
        raise PluginError(
            f"its stage {kind.__name__} has the name {kind.name!r}, which is not made of small letters, digits, - and _"
        )


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

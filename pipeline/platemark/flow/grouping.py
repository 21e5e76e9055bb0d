"""Grouping: which files are scans of their own, and which belong together because their names say so.

Which names belong together is told by plugins (`Gathering.announced`); nothing here knows a kind of set.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain
from pathlib import Path

from platemark.contract.gathering import Gathering, ScanSet
from platemark.contract.plugins import FoundStage, Plugins
from platemark.errors import Held
from platemark.records.names import name_key, shown


@dataclass(frozen=True)
class Bundle:
    """Files that become one picture, as far as they are here.

    Attributes:
        scan: how they are called together: the name of the set, with the ending of the first file. No such file is
            needed; its ticket and its note are those of the set.
        files: those that are here, in the order of the set.
        stage: what makes one picture of them.
        missing: names, without endings, that are not here.
        trouble: why they can be no set, whatever may still arrive.
    """

    scan: Path
    files: tuple[Path, ...]
    stage: FoundStage
    missing: tuple[str, ...] = ()
    trouble: Held | None = None

    @property
    def name(self) -> str:
        """The name of the set."""
        return self.scan.stem

    def says_missing(self) -> str:
        """Which scans are missing, in words."""
        one = len(self.missing) == 1
        return f"the {'scan' if one else 'scans'} {_listed(self.missing)} {'is' if one else 'are'} missing"


def grouped(files: Iterable[Path], plugins: Plugins) -> tuple[list[Path], list[Bundle]]:
    """Part files into scans of their own and sets; a set lies in one folder.

    Returns:
        Scans of their own and bundles, whole or not, each in the order in which they were given.
    """
    files = list(files)
    bundles: list[Bundle] = []
    for folder in dict.fromkeys(path.parent for path in files):
        bundles += _apart(_bundles([path for path in files if path.parent == folder], plugins))
    together = set(chain.from_iterable(bundle.files for bundle in bundles))
    return [path for path in files if path not in together], bundles


def names_of(stem: str, plugins: Plugins) -> set[str]:
    """What a scan of this name is about, as `name_key` has it: itself, and the sets that it calls for."""
    found = {name_key(stem)}
    for stage in gatherings(plugins):
        announced = _announced(stage, stem)
        if isinstance(announced, ScanSet):
            found.add(name_key(announced.name))
    return found


def gatherings(plugins: Plugins) -> list[FoundStage]:
    """The stages that make one picture of several scans."""
    return [found for _, found in sorted(plugins.stages.items()) if issubclass(found.kind, Gathering)]


def gathering(stage: FoundStage) -> Gathering:  # type: ignore[type-arg]
    """One of them, ready to be asked."""
    kind = stage.kind()
    assert isinstance(kind, Gathering)  # noqa: S101 - `gatherings` gives no others
    return kind


def _announced(stage: FoundStage, stem: str) -> ScanSet | Held | None:
    try:
        return gathering(stage).announced(stem)
    except Held as held:
        return held
    except Exception as fault:  # noqa: BLE001 - a stranger's code may raise anything
        return Held(f"the stage {stage.kind.name} failed over the name {shown(stem)}: {fault}", remedy="mend the stage")


def _bundles(files: Sequence[Path], plugins: Plugins) -> list[Bundle]:
    """The sets of one folder, as each kind of set sees it."""
    found: list[Bundle] = []
    for stage in gatherings(plugins):
        called: dict[str, list[ScanSet]] = {}
        named: dict[str, list[Path]] = {}
        for path in files:
            named.setdefault(name_key(path.stem), []).append(path)
            announced = _announced(stage, path.stem)
            if isinstance(announced, Held):
                found.append(Bundle(path, (path,), stage, trouble=announced))
            elif announced:
                called.setdefault(name_key(announced.name), []).append(announced)
        found += [_bundle(sets, named, stage) for sets in called.values()]
    return found


def _bundle(sets: Sequence[ScanSet], named: Mapping[str, Sequence[Path]], stage: FoundStage) -> Bundle:
    """All files that sets of one name call for; these should be one and the same set."""
    stems = {name_key(stem): stem for one in sets for stem in one.stems}
    members = [path for stem in stems for path in named.get(stem, ())]
    here = {name_key(path.stem) for path in members}
    scan = members[0].with_name(sets[0].name + members[0].suffix)
    missing = tuple(stem for key, stem in stems.items() if key not in here)
    return Bundle(scan, tuple(members), stage, missing, _trouble(sets, members))


def _trouble(sets: Sequence[ScanSet], members: Sequence[Path]) -> Held | None:
    if len({tuple(map(name_key, one.stems)) for one in sets}) > 1:
        return Held(
            f"the names of {_listed([path.name for path in members])} do not go together: they call for different sets",
            remedy="number all of them alike, such as 1of3, 2of3 and 3of3, then drop all in again",
        )
    stems = [name_key(path.stem) for path in members]
    doubled = [path.name for path in members if stems.count(name_key(path.stem)) > 1]
    if doubled:
        return Held(
            f"{_listed(doubled)} are the same part twice",
            remedy="take one of them away, then drop the others in again",
        )
    return None


def _apart(bundles: Sequence[Bundle]) -> list[Bundle]:
    """A file can be in one set only; where two kinds of set want it, neither is made."""
    out: list[Bundle] = []
    place_of: dict[Path, int] = {}
    for bundle in bundles:
        place = min((place_of[file] for file in bundle.files if file in place_of), default=None)
        place_of |= dict.fromkeys(bundle.files, len(out) if place is None else place)
        if place is None:
            out.append(bundle)
            continue
        other = out[place]
        files = tuple(dict.fromkeys([*other.files, *bundle.files]))
        shared = _listed(sorted(path.name for path in set(other.files) & set(bundle.files)))
        held = Held(f"{shared} belongs to two sets", remedy="make one set at a time: take the files of the other away")
        out[place] = Bundle(other.scan, files, other.stage, trouble=held)
    return out


def _listed(names: Sequence[str]) -> str:
    """Heron, egret and bittern."""
    shown_names = [shown(name) for name in names]
    return " and ".join([*([", ".join(shown_names[:-1])] if shown_names[1:] else []), shown_names[-1]])

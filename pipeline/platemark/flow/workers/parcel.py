"""A parcel: all that a machine needs which does not see the studio, for one scan; and what it answers."""

from dataclasses import dataclass, replace
from pathlib import Path

from platemark.config import CONFIG_NAME
from platemark.config.model import Config
from platemark.errors import PlatemarkError
from platemark.flow.delivery import Outcome
from platemark.flow.studio import Studio, ticket_path
from platemark.flow.workers.order import Order, carry_out, studio_of, work_of
from platemark.flow.workers.own_room import own_room
from platemark.records import store
from platemark.records.making import WHEELS

# Where in the worker's studio that lies which may lie anywhere here: profiles and the artist's own stages.
_BROUGHT = Path(".brought")


@dataclass(frozen=True)
class Parcel:
    """All that is needed for one scan or set.

    Attributes:
        config: with paths as at home.
        home: the studio's folder at home.
        scans: the scans, relative to it.
        brought: profiles and stage files by their path at home, relative to the worker's studio.
        files: contents by path, relative to the studio's folder.
        known: what lies at home by content already, and need not be sent back: profiles, stages, platemark itself.
    """

    config: Config
    home: Path
    scans: tuple[Path, ...]
    brought: dict[Path, Path]
    files: dict[Path, bytes]
    known: frozenset[Path] = frozenset()


@dataclass(frozen=True)
class Answer:
    """What a worker made: outcomes, and contents by path relative to the studio's folder."""

    outcomes: list[Outcome]
    files: dict[Path, bytes]


def check_can_be_carried(studio_file: Path, config: Config) -> None:
    """See that a studio can be set up anywhere: manifests say where the original lies, seen from the export.

    Raises:
        PlatemarkError: its folders are scattered.
    """
    home = studio_file.absolute().parent
    for folder in (config.folders.ready, config.folders.originals, config.folders.held, config.folders.scans):
        if not folder.is_relative_to(home):
            raise PlatemarkError(
                f'folders = "carried" needs all folders beside {studio_file.name}, and {folder} is elsewhere',
                remedy='move it there, or share the folders with all machines and write folders = "shared" in [work]',
            )


def pack(order: Order, studio: Studio) -> Parcel:
    """Read what a worker needs."""
    home = order.studio.parent
    inside = [_place_of(file, studio) for file in order.files]
    files = {place: file.read_bytes() for place, file in zip(inside, order.files, strict=True)}
    work = work_of(order, studio)
    ticket = ticket_path(work if isinstance(work, Path) else work.scan)
    if store.is_file(ticket):
        files[_place_of(ticket, studio)] = ticket.read_bytes()
    brought = _brought(order.config)
    files |= {place: source.read_bytes() for source, place in brought.items()}
    known = frozenset(path.relative_to(home) for path in _kept_by_content(order.config))
    return Parcel(order.config, home, tuple(inside), brought, files, known)


def open_and_deliver(parcel: Parcel) -> Answer | None:
    """Set up the studio, make the prints, and send them back; None where it cannot be decided without the studio."""
    with own_room() as root:
        for place, data in parcel.files.items():
            (root / place).parent.mkdir(parents=True, exist_ok=True)
            (root / place).write_bytes(data)
        order = Order(root / CONFIG_NAME, _moved(parcel, root), tuple(root / place for place in parcel.scans))
        studio_of(order).make_folders()
        outcomes = carry_out(order)
        if any(outcome.status != "ready" for outcome in outcomes):
            return None
        exports = [replace(one, export=one.export and one.export.relative_to(root)) for one in outcomes]
        return Answer(exports, _made(root, order.config, parcel.known))


def _place_of(file: Path, studio: Studio) -> Path:
    """Where a file of the inbox lies in the worker's studio; one from elsewhere lies in scans/ there."""
    home, inbox = studio.file.absolute().parent, studio.scans
    inside = file.relative_to(inbox) if file.is_relative_to(inbox) else Path(file.name)
    return inbox.relative_to(home) / inside


def _brought(config: Config) -> dict[Path, Path]:
    """Profiles and stage files here, and where they lie in the worker's studio."""
    profiles = [paper.profile for paper in config.paper.values()] + [config.scanner.profile]
    found = {path: _BROUGHT / str(n) / path.name for n, path in enumerate(profiles) if path}
    stages = sorted(config.stages_dir.glob("*.py")) if config.stages_dir else []
    return found | {path: _BROUGHT / "stages" / path.name for path in stages}


def _moved(parcel: Parcel, root: Path) -> Config:
    """The config, its paths as they are in the worker's studio."""
    config, brought = parcel.config, parcel.brought

    def of(profile: Path | None) -> dict[str, Path | None]:
        return {"profile": root / brought[profile] if profile else None}

    folders = {
        key: root / getattr(config.folders, key).relative_to(parcel.home) for key in type(config.folders).model_fields
    }
    return config.model_copy(
        update={
            "folders": config.folders.model_copy(update=folders),
            "scanner": config.scanner.model_copy(update=of(config.scanner.profile)),
            "paper": {name: paper.model_copy(update=of(paper.profile)) for name, paper in config.paper.items()},
            "stages_dir": root / _BROUGHT / "stages" if config.stages_dir else None,
        }
    )


def _made(root: Path, config: Config, known: frozenset[Path]) -> dict[Path, bytes]:
    """What came into being there, but for the originals and what is known: those lie at home."""
    made = [*_files_in(config.folders.ready), *_kept_by_content(config)]
    return {place: path.read_bytes() for path in made if (place := path.relative_to(root)) not in known}


def _kept_by_content(config: Config) -> list[Path]:
    kinds = ("profiles", "stages", WHEELS)
    return [path for kind in kinds for path in _files_in(config.folders.originals / kind)]


def _files_in(folder: Path) -> list[Path]:
    return [path for path in folder.iterdir() if not path.name.startswith(".")] if folder.is_dir() else []

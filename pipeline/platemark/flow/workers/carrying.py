"""Carrying: a scan is sent to a worker that does not see the studio, and its prints come back with the answer.

The worker sets up a studio of its own for that one scan. What it made is written here as any delivery writes it:
originals first, exports, manifests last, and only then the scan leaves its folder. A scan whose name or content is
known here already, or that is held there, is worked on here: what becomes of it depends on what lies in the studio.
"""

import contextlib
import hashlib
from collections.abc import Callable
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, ParamSpec, TypeVar, cast

from platemark.config import CONFIG_NAME
from platemark.config.model import Config
from platemark.errors import PlatemarkError
from platemark.flow.delivery import Changing, Outcome
from platemark.flow.grouping import Bundle
from platemark.flow.leaving import leave, leave_together
from platemark.flow.studio import Studio, ticket_path
from platemark.flow.telling import tell
from platemark.flow.workers.order import Order, carry_out, studio_of, work_of
from platemark.flow.workers.own_room import own_room
from platemark.flow.workers.processes import WorkerLost
from platemark.records import store
from platemark.records.making import WHEELS
from platemark.records.names import name_key, readable_stem

Asked = ParamSpec("Asked")
Given = TypeVar("Given")

# Enough for any queue; who dispatches limits how many scans are away at once.
_MOST_AWAY = 256
# A machine that is lost takes with it what was sent there; as often as Dask itself gives a call to another.
_SENDINGS = 4
# Where in the worker's studio that lies which may lie anywhere here: profiles and the artist's own stages.
_BROUGHT = Path(".brought")


class MachineLost(WorkerLost):
    """The machine that worked on a scan is gone."""


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


class Carried(Executor):
    """Sends scans away through one executor, and has what must be done here done by another.

    Args:
        away: whose workers do not see the studio's folders.
        here: whose workers do.
    """

    def __init__(self, away: Executor, here: Executor) -> None:
        self._away, self._here = away, here
        self._waiting = ThreadPoolExecutor(_MOST_AWAY)

    def submit(self, fn: Callable[Asked, Given], /, *args: Asked.args, **kwargs: Asked.kwargs) -> Future[Given]:
        """Have an order carried out; see `carry_out`."""
        if fn is not carry_out:
            return self._here.submit(fn, *args, **kwargs)
        future: Future[Any] = self._waiting.submit(self._carry, cast("Order", args[0]))
        return future

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:  # noqa: FBT001, FBT002 - as in Executor
        """Wait for what is away, then end both."""
        self._waiting.shutdown(wait=wait, cancel_futures=cancel_futures)
        self._away.shutdown(wait=wait)
        self._here.shutdown(wait=wait)

    def _carry(self, order: Order) -> list[Outcome]:
        studio = studio_of(order)
        parcel = pack(order, studio)
        if not _is_known(order, parcel, studio):
            answer = self._answer_to(parcel)
            if answer:
                return unpack(order, parcel, answer, studio)
        return self._here.submit(carry_out, order).result()

    def _answer_to(self, parcel: Parcel) -> Answer | None:
        """What a machine made of it."""
        for _ in range(_SENDINGS - 1):
            with contextlib.suppress(MachineLost):
                return self._away.submit(open_and_deliver, parcel).result()
        return self._away.submit(open_and_deliver, parcel).result()


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


def unpack(order: Order, parcel: Parcel, answer: Answer, studio: Studio) -> list[Outcome]:
    """Write what came back, durably, and let the scan go.

    Raises:
        Changing: the scan is not what was sent; nothing was done.
        StoreError: the disk refuses; the scan is where it was.
    """
    home = order.studio.parent
    kept = [store.keep_original(file, studio.originals) for file in order.files]
    if [one.sha256 for one in kept] != [_sha256(parcel.files[place]) for place in parcel.scans]:
        raise Changing(f"{order.files[0].name} changed while it was away", remedy="it is taken when it stands still")
    # Manifests come last: each makes its export count.
    for place, data in sorted(answer.files.items(), key=lambda one: (one[0].suffix == ".toml", one[0])):
        _write(home / place, data)
    for outcome in answer.outcomes:
        assert outcome.export  # noqa: S101 - all are ready
        export = home / outcome.export
        tell(studio.plugins, "platemark_delivered", export=export, manifest=export.with_suffix(".toml"))
    work = work_of(order, studio)
    whole = replace(kept[0], others=tuple(kept[1:]))
    if isinstance(work, Bundle):
        leave_together(studio, work.scan, work.files, whole)
    else:
        leave(studio, work, whole)
    return [replace(outcome, export=outcome.export and home / outcome.export) for outcome in answer.outcomes]


def _is_known(order: Order, parcel: Parcel, studio: Studio) -> bool:
    """True when something of this name or content lies in the studio already."""
    names = store.names_in(studio.ready) | store.names_in(studio.originals)
    work = work_of(order, studio)
    stems = [file.stem for file in order.files] + ([work.name] if isinstance(work, Bundle) else [])
    roots = tuple(name_key(readable_stem(stem)) for stem in stems)
    short = [_sha256(parcel.files[place])[: store.SHORT] for place in parcel.scans]
    return any(name.startswith(roots) or any(digits in name for digits in short) for name in names)


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


def _write(path: Path, data: bytes) -> None:
    """Write one file; it may be there already, of the same content."""
    path.parent.mkdir(exist_ok=True)
    try:
        store.write_whole(path, data, step="carried")
    except FileExistsError as fault:
        if path.read_bytes() != data:
            raise Changing(f"{path.name} appeared meanwhile", remedy="it is made again") from fault


def _sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()

"""Carrying: a scan is sent to a worker that does not see the studio, and its prints come back with the answer.

The worker sets up a studio of its own for that one scan. What it made is written here as any delivery writes it:
originals first, exports, manifests last, and only then the scan leaves its folder. A scan whose name or content is
known here already, or that is held there, is worked on here: what becomes of it depends on what lies in the studio.
"""

import contextlib
import hashlib
from collections.abc import Callable
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any, ParamSpec, TypeVar, cast

from platemark.flow.delivery import Changing, Outcome
from platemark.flow.grouping import Bundle
from platemark.flow.leaving import leave, leave_together
from platemark.flow.studio import Studio
from platemark.flow.telling import tell
from platemark.flow.workers.cluster_troubles import MachineLost
from platemark.flow.workers.order import Order, carry_out, studio_of, work_of
from platemark.flow.workers.parcel import Answer, Parcel, open_and_deliver, pack
from platemark.records import store
from platemark.records.names import name_key, readable_stem

Asked = ParamSpec("Asked")
Given = TypeVar("Given")

# Enough for any queue; who dispatches limits how many scans are away at once.
_MOST_AWAY = 256
# A machine that is lost takes with it what was sent there; as often as Dask itself gives a call to another.
_SENDINGS = 4


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
    work = work_of(order, studio)
    stems = [file.stem for file in order.files] + ([work.name] if isinstance(work, Bundle) else [])
    roots = tuple(name_key(readable_stem(stem)) for stem in stems)
    short = [_sha256(parcel.files[place])[: store.SHORT] for place in parcel.scans]
    if store.names_in(studio.ready, roots):
        return True
    names = store.names_in(studio.originals)
    return any(name.startswith(roots) or any(digits in name for digits in short) for name in names)


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

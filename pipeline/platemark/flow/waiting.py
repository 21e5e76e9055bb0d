"""Waiting: which scans of the inbox can be worked on, and which lie there until the others of their set come."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import structlog

from platemark.flow.delivery import Outcome
from platemark.flow.grouping import Bundle, grouped
from platemark.flow.inbox import Glance
from platemark.flow.leaving import drop_note
from platemark.flow.notes import tell_waiting
from platemark.flow.studio import Studio
from platemark.records.names import shown

log = structlog.get_logger("platemark")


@dataclass
class Waiting:
    """What is known of sets that are not whole.

    Attributes:
        told: sets of which it was said that they wait: what was missing then.
        overdue: of these, those that have waited too long, which was said too.
    """

    studio: Studio
    told: dict[Path, tuple[str, ...]] = field(default_factory=dict)
    overdue: dict[Path, tuple[str, ...]] = field(default_factory=dict)

    def sort_out(
        self, ready: Sequence[Path], seen: Mapping[Path, Glance], now: float
    ) -> tuple[list[Path | Bundle], list[Outcome]]:
        """Part what stands still into scans and sets to work on.

        Args:
            ready: files that stand still, in the order of their arrival.
            seen: all files that are here.
            now: the time by the clock of `seen`.

        Returns:
            What to work on, in that order; and what to say of sets that have waited too long, once for each.

        Raises:
            StoreError: a note cannot be written.
        """
        _, bundles = grouped(seen, self.studio.plugins)
        waiting = [bundle for bundle in bundles if _waits(bundle)]
        self._forget({bundle.scan for bundle in waiting})
        by_file = {file: bundle for bundle in bundles if not _waits(bundle) for file in bundle.files}
        lying = {file for bundle in waiting for file in bundle.files}
        standing = set(ready)
        work: dict[Path | Bundle, None] = {}
        for path in ready:
            bundle = by_file.get(path)
            if bundle is None and path not in lying:
                work[path] = None
            elif bundle and standing.issuperset(bundle.files):
                work[bundle] = None
        return list(work), [told for bundle in waiting for told in self._say(bundle, seen, now)]

    def _say(self, bundle: Bundle, seen: Mapping[Path, Glance], now: float) -> list[Outcome]:
        """Say once that a set waits, and once that it has waited too long."""
        if self.told.get(bundle.scan) != bundle.missing:
            log.info("waiting for the others of a set", set=shown(bundle.name), missing=list(bundle.missing))
            self.told[bundle.scan] = bundle.missing
        since = max(seen[file].since for file in bundle.files)
        limit = self.studio.config.watch.wait_for_parts
        if now - since < limit or self.overdue.get(bundle.scan) == bundle.missing:
            return []
        reason = f"{bundle.says_missing()}, and the others wait"
        remedy = f"drop what is missing beside them, into {shown(str(bundle.scan.parent))}; then it goes on by itself"
        log.warning("waiting for the others of a set for too long", set=shown(bundle.name), missing=bundle.missing)
        tell_waiting(self.studio, bundle.scan, bundle.files, reason, remedy)
        self.overdue[bundle.scan] = bundle.missing
        return [Outcome(shown(bundle.name), "", "waiting", reason=reason, remedy=remedy)]

    def _forget(self, waiting: set[Path]) -> None:
        """A set that waits no more, because it is whole or was taken away, needs no note."""
        for scan in self.overdue.keys() - waiting:
            drop_note(self.studio, scan)
            del self.overdue[scan]
        for scan in self.told.keys() - waiting:
            del self.told[scan]


def _waits(bundle: Bundle) -> bool:
    """True for a set of which some scans may still come."""
    return bool(bundle.missing) and not bundle.trouble

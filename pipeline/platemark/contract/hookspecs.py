"""The hooks: everything that a plugin can contribute or learn."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pluggy

from platemark.contract.division import Division
from platemark.contract.stage import Stage
from platemark.pixels.picture import Picture

PROJECT = "platemark"
hookspec = pluggy.HookspecMarker(PROJECT)
hookimpl = pluggy.HookimplMarker(PROJECT)


@hookspec
def platemark_stages() -> Sequence[type[Stage[Any, Any]]]:  # type: ignore[empty-body]
    """Contribute stages.

    Called once, when plugins are loaded. Two stages of one name are refused, with both origins.
    The order of a chain comes from the config, never from the order of registration.

    Returns:
        Stage classes.

    Since 0.1.
    """


@hookspec
def platemark_divide(picture: Picture) -> Division | None:
    """Tell what lies on the scanner bed, so that each of several sheets becomes prints of its own.

    Called once per scan for chains with a stage that cuts one item out (`Stage.per_item`), and by `find`. Plugins
    are asked in the order of their names; the first answer that is not None counts. A plugin that raises is
    named and the scan is held.

    Args:
        picture: the whole scan, upright; its `overview()` is small and at hand.

    Returns:
        What was found; each item's `facts` are laid into its picture for stages to `remember`.

    Since 0.1.
    """


@hookspec
def platemark_delivered(export: Path, manifest: Path) -> None:
    """Learn that a print is complete in `ready/`.

    Called once per export after its manifest is on disk, in the process that works, one export
    at a time; after a crash perhaps never, if it fell between the two. An exception is logged
    with the plugin's name and changes nothing: the delivery stands.

    Args:
        export: the finished file.
        manifest: its manifest.

    Since 0.1.
    """


@hookspec
def platemark_held(scan: Path, reason: str) -> None:
    """Learn that a scan, or one of its prints, was put aside for a person.

    Called once for each print that is held (once where all are), after the note is on disk. An exception is logged
    and changes nothing.

    Args:
        scan: where the scan lies now; for a set of scans, where one of the name of the set would lie.
        reason: the sentence shown to the artist.

    Since 0.1.
    """

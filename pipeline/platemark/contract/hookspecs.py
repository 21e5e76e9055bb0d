"""The hooks: everything that a plugin can contribute or learn."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pluggy

from platemark.contract.stage import Stage

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

    Called once per note in `held/`, after it is on disk. An exception is logged and changes nothing.

    Args:
        scan: where the scan lies now.
        reason: the sentence shown to the artist.

    Since 0.1.
    """

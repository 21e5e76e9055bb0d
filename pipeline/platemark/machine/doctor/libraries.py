"""The libraries: which, and whether they can be loaded at all."""

import platform
from collections.abc import Iterator
from importlib import import_module, metadata

from platemark.machine.doctor.check import Check


def libraries() -> Iterator[Check]:
    """Versions of everything that makes files. Loads it here: a library that is broken must break nothing but this."""
    own = f"platemark {metadata.version('platemark')}, Python {platform.python_version()} on {platform.platform()}"
    yield Check("platemark", "good", own)
    try:
        versions: dict[str, str] = import_module("platemark.records.libraries").library_versions()
    except Exception as fault:  # noqa: BLE001  a broken library can raise anything
        yield Check(
            "libraries",
            "bad",
            f"a library cannot be loaded ({type(fault).__name__}: {fault})",
            "install platemark anew: delete the folder .venv beside start.py, and run start.py again",
        )
        return
    yield Check("libraries", "good", ", ".join(f"{name} {version}" for name, version in versions.items()))

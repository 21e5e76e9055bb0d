"""Processes as an artist has them: Python keeps what it compiled, and does not compile platemark at each start."""

import os
from pathlib import Path


def keep_compiled(folder: Path) -> None:
    """For every process started from here on, in a folder that a bench takes away; the first run fills it."""
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    os.environ["PYTHONPYCACHEPREFIX"] = str(folder)

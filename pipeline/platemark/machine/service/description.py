"""What is to be started at login: told once, for every system."""

import getpass
import hashlib
import os
import re
import sys
import unicodedata
from dataclasses import dataclass
from pathlib import Path

from platemark.errors import PlatemarkError

# Control characters and halves of signs; and two that XML 1.0 (clause 2.2) has no way to write.
_UNSPEAKABLE = {"Cc", "Cs"}
_NOT_XML = "\ufffe\uffff"


@dataclass(frozen=True)
class Service:
    """The watcher of one studio.

    Attributes:
        name: its own for each studio, of small letters, digits and -.
        command: the interpreter and its words; every path is absolute.
        folder: the studio, where the command runs.
        log: the log file of the config; the watcher writes it by itself.
        user: who logs in, as Windows knows them.
        delay: seconds between a failure and the next try; 60 is the least that Windows knows.
        patience: seconds that the scan in hand may take when the watcher is asked to end.
    """

    name: str
    command: tuple[str, ...]
    folder: Path
    log: Path
    user: str = ""
    delay: int = 60
    patience: int = 300

    @property
    def title(self) -> str:
        """One line for lists of services."""
        return f"platemark, watching the studio {self.folder} for scans"

    @property
    def faults(self) -> Path:
        """What the watcher says before its log begins, such as that the config is broken: a file beside the log."""
        return self.log.with_name(f"{self.log.stem}.service.log")


def service_for(config: Path, log: Path, python: str = sys.executable) -> Service:
    """Describe the watcher of a studio.

    Args:
        config: the studio's config; the service has its name by it, so that each studio has its own.
        log: the log file that the config names.
        python: the interpreter that platemark is installed in.

    Raises:
        PlatemarkError: a path has a character that cannot stand in a line of text.
    """
    config = config.resolve()
    # -P: a file click.py in the studio must not be taken for a library.
    command = (python, "-P", "-m", "platemark", "watch", "--config", str(config))
    for path in (*command, str(log)):
        _check_is_plain(path)
    return Service(name_for(config), command, config.parent, log, _user())


def name_for(config: Path) -> str:
    """The name of the service: the studio's folder, for people, and a hash of the whole path, for two of that name."""
    config = config.resolve()
    plain = unicodedata.normalize("NFKD", config.parent.name).encode("ascii", "ignore").decode().lower()
    words = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:40]
    own = hashlib.sha256(os.fsencode(config)).hexdigest()[:8]
    return "-".join(["platemark", *filter(None, [words]), own])


def _check_is_plain(path: str) -> None:
    if any(unicodedata.category(sign) in _UNSPEAKABLE or sign in _NOT_XML for sign in path):
        raise PlatemarkError(
            f"the path {path!r} has a line break or another character that cannot be seen, which no service can hold",
            remedy="rename that folder",
        )


def _user() -> str:
    domain = os.environ.get("USERDOMAIN", "")
    try:
        name = getpass.getuser()
    except (OSError, KeyError):  # a number without a name, as in some containers
        return ""
    return f"{domain}\\{name}" if domain else name

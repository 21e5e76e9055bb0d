"""The disk refuses: said in words that name the file and the remedy; waited for where it will pass."""

import contextlib
import errno
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from platemark.errors import StoreError

# Another program has the file open (Windows: access denied, sharing violation, lock violation).
_IN_USE = {5, 32, 33}
_WAITS = (0.05, 0.1, 0.2, 0.4, 0.8)  # seconds: a virus scanner or a preview lets go within a second or two


def patiently(action: Callable[[], object]) -> None:
    """Do it; again, a little later, while another program has the file open.

    Raises:
        OSError: it does not go.
    """
    for wait in _WAITS:
        try:
            action()
        except PermissionError as fault:
            if getattr(fault, "winerror", None) not in _IN_USE:
                raise
        else:
            return
        time.sleep(wait)
    action()


@contextlib.contextmanager
def errors_named(path: Path, done: str = "written") -> Iterator[None]:
    """Say which file, what is wrong and what to do, when the disk refuses.

    Raises:
        StoreError: for any `OSError` but `FileExistsError`, which is an answer.
    """
    try:
        yield
    except FileExistsError:
        raise
    except OSError as fault:
        raise StoreError(
            f"{path} cannot be {done} ({fault.strerror or fault})",
            remedy=f"{_remedy(fault, path.parent)}; nothing was lost",
        ) from fault


def make_folder(folder: Path, remedy: str) -> None:
    """Make a folder that the user named, where it is not there yet.

    Raises:
        StoreError: it cannot be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as fault:
        raise StoreError(f"the folder {folder} cannot be made ({fault.strerror})", remedy=remedy) from fault


def _remedy(fault: OSError, folder: Path) -> str:
    if fault.errno in {errno.ENOSPC, errno.EDQUOT}:
        return f"make room on the disk of {folder}"
    if fault.errno in {errno.EACCES, errno.EPERM, errno.EROFS}:
        return f"allow writing in {folder}"
    if fault.errno in {errno.ENOENT, errno.ENOTDIR}:
        return f"bring the folder {folder} back"
    return f"look after the disk of {folder}"

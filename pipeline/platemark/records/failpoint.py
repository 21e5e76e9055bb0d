"""Named places at which a test can make the program fail for real.

`PLATEMARK_FAILPOINT=step[:nth]:action`, action = kill, raise, eio, enospc, sleep=SECONDS, or note=FILE, which writes
the step down and goes on; `*` is every step, so that a test need not know their names. Unset, a step costs one look
into the environment.
"""

import errno
import os
import signal
import time
from collections import Counter
from pathlib import Path

_reached: Counter[str] = Counter()


def reach(step: str) -> None:
    """Fail here if the environment asks for it.

    Raises:
        OSError: for `eio` and `enospc`.
        RuntimeError: for `raise`.
    """
    wanted = os.environ.get("PLATEMARK_FAILPOINT")
    if not wanted:
        return
    name, *nth, action = wanted.split(":")
    if name not in {step, "*"}:
        return
    _reached[step] += 1
    if nth and _reached[step] != int(nth[0]):
        return
    _fail(action, step)


def _fail(action: str, step: str) -> None:
    if action == "kill":
        os.kill(os.getpid(), getattr(signal, "SIGKILL", signal.SIGTERM))
    elif action == "raise":
        raise RuntimeError("a failure that a test asked for")
    elif action.startswith("sleep="):
        time.sleep(float(action.removeprefix("sleep=")))
    elif action.startswith("note="):
        with Path(action.removeprefix("note=")).open("a", encoding="utf-8") as file:
            file.write(f"{step}\n")
    else:
        code = {"eio": errno.EIO, "enospc": errno.ENOSPC}[action]
        raise OSError(code, os.strerror(code))

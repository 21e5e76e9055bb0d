"""Reasons: why a scan or a print is held, whatever it was that stopped it."""

import signal
import threading
from pathlib import Path

import structlog

from platemark.errors import ConfigError, Held, PlatemarkError

MORE_MEMORY = "scan it again at a lower resolution, or raise memory in [work] if your machine has more"

log = structlog.get_logger("platemark")


def why_held(fault: Exception, scan: Path) -> Held:
    """What stops a scan or one of its prints, in the artist's words."""
    if isinstance(fault, Held):
        return fault
    if isinstance(fault, ConfigError):
        words = " ".join(problem.sentence() for problem in fault.problems)
        return Held(words.rstrip("."), remedy="put the ticket right, then drop both in again")
    if isinstance(fault, PlatemarkError):
        return Held(fault.what, remedy=fault.remedy or "put that right, then drop the scan in again")
    if isinstance(fault, OSError):
        return Held(
            f"{fault.filename or scan.name} cannot be read ({fault.strerror or fault})",
            remedy="make sure it is there and readable for you, then drop the scan in again",
        )
    log.error("a fault of platemark itself", scan=scan.name, exc_info=fault)
    return Held(
        f"a fault of platemark itself ({type(fault).__name__}: {fault})",
        remedy="nothing is lost; the details are in platemark.log, please report them",
    )


def is_from_the_keyboard() -> bool:
    """Ctrl-C reaches only the main thread, and only while Python's own handler is in place."""
    at_main = threading.current_thread() is threading.main_thread()
    return at_main and signal.getsignal(signal.SIGINT) is signal.default_int_handler

"""The log: a line that a person reads on the terminal, JSON lines in the file."""

import logging
import logging.handlers
import sys
from collections.abc import MutableMapping
from datetime import datetime
from pathlib import Path
from typing import Any

import structlog
from structlog.typing import Processor

from platemark.errors import PlatemarkError

_LARGEST = 5_000_000
_KEPT = 3

Event = MutableMapping[str, Any]


def start_log(file: Path | None, level: str = "info", *, quiet: bool = False) -> None:
    """Send the log to the terminal and, if a file is named, as JSON lines to it; it rotates at 5 MB.

    Args:
        file: the log file, or None.
        level: debug, info, warning or error.
        quiet: no line about a scan on the terminal: the command tells itself what becomes of each.

    Raises:
        PlatemarkError: the file cannot be written.
    """
    structlog.configure(
        processors=[*_SHARED, structlog.stdlib.ProcessorFormatter.wrap_for_formatter],
        logger_factory=structlog.stdlib.LoggerFactory(),
        wrapper_class=structlog.make_filtering_bound_logger(logging.getLevelName(level.upper())),
        cache_logger_on_first_use=False,
    )
    root = logging.getLogger("platemark")
    root.setLevel(level.upper())
    root.propagate = False
    for handler in list(root.handlers):
        root.removeHandler(handler)
        handler.close()
    root.addHandler(_terminal())
    if quiet:
        root.handlers[0].addFilter(_about_no_scan)
    if file is not None:
        root.addHandler(_json_lines(file))
    # pyvips tells of broken profiles and the like in its own words; the messages of ours say what to do.
    logging.getLogger("pyvips").setLevel(logging.ERROR)


def log_file() -> Path | None:
    """The file that the log goes to, if there is one."""
    handlers = logging.getLogger("platemark").handlers
    files = [Path(it.baseFilename) for it in handlers if isinstance(it, logging.FileHandler)]
    return files[0] if files else None


def printable(text: str) -> str:
    """Text that neither breaks a terminal nor a file: control characters and names that are not UTF-8 are escaped."""
    text = text.encode("utf-8", "backslashreplace").decode()
    return "".join(sign if sign.isprintable() else sign.encode("unicode_escape").decode() for sign in text)


def _terminal() -> logging.Handler:
    """Started at logon by Windows, there is no terminal, and `sys.stderr` is None."""
    handler = logging.StreamHandler(sys.stderr)
    lines = structlog.dev.ConsoleRenderer(
        colors=bool(sys.stderr and sys.stderr.isatty()), pad_event_to=24, sort_keys=False
    )
    handler.setFormatter(_formatter(_for_a_person, lines))
    return handler


def _about_no_scan(record: logging.LogRecord) -> bool:
    return not (isinstance(record.msg, dict) and "scan" in record.msg)


def _json_lines(file: Path) -> logging.Handler:
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        handler = logging.handlers.RotatingFileHandler(file, maxBytes=_LARGEST, backupCount=_KEPT, encoding="utf-8")
    except OSError as fault:
        raise PlatemarkError(
            f"the log {file} cannot be written ({fault.strerror})",
            remedy="allow writing there, or name another file in [log]",
        ) from fault
    handler.setFormatter(_formatter(structlog.processors.format_exc_info, structlog.processors.JSONRenderer()))
    return handler


def _formatter(*processors: Processor) -> logging.Formatter:
    return structlog.stdlib.ProcessorFormatter(
        foreign_pre_chain=_SHARED,  # stages may well log with the standard library
        processors=[structlog.stdlib.ProcessorFormatter.remove_processors_meta, *processors],
    )


def _for_a_person(_logger: object, _method: str, event: Event) -> Event:
    """A person wants the time of day, and no traceback: that is in the file."""
    event["timestamp"] = datetime.fromisoformat(event["timestamp"]).astimezone().strftime("%H:%M:%S")
    for key in ("exc_info", "stack_info"):
        event.pop(key, None)
    return event


def _only_text(_logger: object, _method: str, event: Event) -> Event:
    """Clean what comes from file names and strangers' faults."""
    return {key: printable(value) if isinstance(value, str) else value for key, value in event.items()}


_SHARED: list[Processor] = [
    structlog.contextvars.merge_contextvars,
    structlog.processors.add_log_level,
    structlog.processors.TimeStamper(fmt="iso", utc=True),
    _only_text,
]

"""The log: a line that a person reads on the terminal, JSON lines in the file."""

import logging
import logging.handlers
import sys
from collections.abc import MutableMapping
from pathlib import Path
from typing import Any

import structlog

_LARGEST = 5_000_000
_KEPT = 3


def start_log(file: Path | None, level: str = "info", *, quiet: bool = False) -> None:
    """Send the log to the terminal and, if a file is named, as JSON lines to it; it rotates at 5 MB.

    Args:
        file: the log file, or None.
        level: debug, info, warning or error.
        quiet: nothing on the terminal, as while a progress bar is there.
    """
    shared = [
        structlog.contextvars.merge_contextvars,
        structlog.processors.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        _only_text,
    ]
    structlog.configure(
        processors=[*shared, structlog.stdlib.ProcessorFormatter.wrap_for_formatter],
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
    if not quiet:
        root.addHandler(_terminal())
    if file is not None:
        root.addHandler(_json_lines(file))
    if not root.handlers:
        root.addHandler(logging.NullHandler())
    # pyvips tells of broken profiles and the like in its own words; they belong in the file, not on the screen.
    logging.getLogger("pyvips").setLevel(logging.ERROR)


def _terminal() -> logging.Handler:
    handler = logging.StreamHandler(sys.stderr)
    lines = structlog.dev.ConsoleRenderer(colors=sys.stderr.isatty(), pad_event_to=24, sort_keys=False)
    handler.setFormatter(_formatter(_short_time, lines))
    return handler


def _json_lines(file: Path) -> logging.Handler:
    handler = logging.handlers.RotatingFileHandler(
        file, maxBytes=_LARGEST, backupCount=_KEPT, encoding="utf-8", delay=True
    )
    handler.setFormatter(_formatter(structlog.processors.format_exc_info, structlog.processors.JSONRenderer()))
    return handler


def _formatter(*processors: Any) -> logging.Formatter:
    return structlog.stdlib.ProcessorFormatter(
        processors=[structlog.stdlib.ProcessorFormatter.remove_processors_meta, *processors]
    )


def _short_time(_logger: object, _method: str, event: MutableMapping[str, Any]) -> MutableMapping[str, Any]:
    """A person wants the time of day."""
    if "timestamp" in event:
        event["timestamp"] = str(event["timestamp"])[11:19]
    return event


def _only_text(_logger: object, _method: str, event: MutableMapping[str, Any]) -> MutableMapping[str, Any]:
    """Names that are not UTF-8 and control characters would break the terminal or the file."""
    return {key: _clean(value) if isinstance(value, str) else value for key, value in event.items()}


def _clean(text: str) -> str:
    text = text.encode("utf-8", "backslashreplace").decode()
    return "".join(sign if sign.isprintable() else sign.encode("unicode_escape").decode() for sign in text)

"""What runs in a worker process: it does what it is told, one thing after the other, and tells how it goes.

It lives no longer than the program that started it: when the pipe from there ends, it ends at once, so that it
does not work on in a studio that somebody else may hold by then.
"""

import contextlib
import gc
import logging
import os
import queue
import signal
import sys
import threading
from typing import Any, BinaryIO

import structlog

from platemark.contract.plugins import load_plugins
from platemark.flow.workers import order
from platemark.flow.workers.messages import receive, send

Call = tuple[Any, tuple[Any, ...], dict[str, Any]]
"""A function, and what to call it with."""


def main() -> None:
    """Work until there is nobody to work for."""
    for name in ("SIGINT", "SIGTERM"):  # whoever ends the program lets the scan in hand be finished
        signal.signal(getattr(signal, name), signal.SIG_IGN)
    teller = _Teller(_own_output())
    _log_through(teller)
    order.listen(lambda *step: teller.tell("progress", step))
    calls: queue.SimpleQueue[Call] = queue.SimpleQueue()
    threading.Thread(target=_take_calls, args=(calls,), daemon=True).start()
    limit_memory(int(os.environ.get("PLATEMARK_WORKER_MEMORY", "0")))
    load_plugins(None)  # so that the first scan need not wait for it
    gc.freeze()
    gc.enable()
    teller.tell("there", None)
    while True:
        _answer(calls.get(), teller)


def limit_memory(limit: int) -> None:
    """Let this process have so much memory of its own; more is refused to it. 0, or another system: no limit.

    RLIMIT_DATA counts what a process writes to, and not what it maps to read (setrlimit(2), Linux 4.7 and later).
    """
    if limit and sys.platform == "linux":
        import resource  # noqa: PLC0415 - there is none elsewhere

        _, most = resource.getrlimit(resource.RLIMIT_DATA)
        limit = limit if most == resource.RLIM_INFINITY else min(limit, most)
        resource.setrlimit(resource.RLIMIT_DATA, (limit, most))


class _Teller:
    """Tells the program, from whichever thread."""

    def __init__(self, stream: BinaryIO) -> None:
        self._stream = stream
        self._one_at_a_time = threading.Lock()

    def tell(self, kind: str, what: object) -> None:
        with self._one_at_a_time:
            send(self._stream, (kind, what))


class _ToTheProgram(logging.Handler):
    """Lines that a stage logs with the standard library go where ours go."""

    def __init__(self, teller: _Teller) -> None:
        super().__init__()
        self._teller = teller

    def emit(self, record: logging.LogRecord) -> None:
        """Send it there."""
        self._teller.tell("log", (record.levelname.lower(), {"event": record.getMessage()}))


def _own_output() -> BinaryIO:
    """The pipe to the program; what a stage prints goes to the terminal beside it, not into the pipe."""
    pipe = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())
    return pipe


def _log_through(teller: _Teller) -> None:
    """One program writes the log; we tell it what to write."""

    def tell(_logger: object, method: str, event: Any) -> Any:  # noqa: ANN401 - structlog's own terms
        teller.tell("log", (method, dict(event)))
        raise structlog.DropEvent

    level = logging.getLevelName(os.environ.get("PLATEMARK_WORKER_LOG", "info").upper())
    structlog.configure(
        processors=[structlog.contextvars.merge_contextvars, structlog.processors.format_exc_info, tell],
        wrapper_class=structlog.make_filtering_bound_logger(level),
        cache_logger_on_first_use=False,
    )
    logging.basicConfig(level=level, handlers=[_ToTheProgram(teller)])
    logging.getLogger("pyvips").setLevel(logging.ERROR)


def _take_calls(calls: "queue.SimpleQueue[Call]") -> None:
    with contextlib.suppress(EOFError, OSError):
        while True:
            calls.put(receive(sys.stdin.buffer))
    os._exit(0)  # nobody to work for: not a moment longer, whatever is in hand


def _answer(call: Call, teller: _Teller) -> None:
    function, args, kwargs = call
    try:
        answer: tuple[str, object] = ("done", function(*args, **kwargs))
    except Exception as fault:  # noqa: BLE001 - whoever asked gets it
        answer = ("failed", fault)
    except BaseException as fault:  # noqa: BLE001 - a stage may try anything, and must not end who asked
        answer = ("failed", RuntimeError(f"a stage tried to end the program ({type(fault).__name__})"))
    try:
        teller.tell(*answer)
    except OSError:  # nobody is there any more
        os._exit(0)
    except Exception as fault:  # noqa: BLE001 - what cannot be pickled is told in words
        teller.tell("failed", RuntimeError(f"{answer[1]!r} cannot be sent: {fault}"))

"""Here: an executor that works at once, in the thread that asks."""

from collections.abc import Callable
from concurrent.futures import Executor, Future
from typing import Any, ParamSpec, TypeVar

Asked = ParamSpec("Asked")
Given = TypeVar("Given")


class Here(Executor):
    """Nothing waits and nothing runs beside: what `submit` returns is done."""

    def submit(self, fn: Callable[Asked, Given], /, *args: Asked.args, **kwargs: Asked.kwargs) -> Future[Given]:
        """Call it now."""
        future: Future[Any] = Future()
        try:
            future.set_result(fn(*args, **kwargs))
        except Exception as fault:  # noqa: BLE001 - whoever asks for the result gets it
            future.set_exception(fault)
        return future

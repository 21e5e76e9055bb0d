"""Loading: what a command needs is brought in at once, and stays until it ends."""

import contextlib
import gc
from collections.abc import Iterator


@contextlib.contextmanager
def loading() -> Iterator[None]:
    """Keep the garbage collector out of what is loaded in the block, then and later.

    Modules and classes are no garbage, and there are a hundred thousand objects of them: looking through them again
    and again took 70 ms of a short command.
    """
    gc.disable()
    try:
        yield
    finally:
        gc.freeze()
        gc.enable()

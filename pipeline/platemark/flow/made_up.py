"""Pixels that a decoder made up: libjpeg fills what is missing with grey, and no more than warns of it.

libvips passes such warnings on as log lines when it lets go of the picture; `fail_on` sees all but those about the last
rows.
"""

import contextlib
import logging
from collections.abc import Iterator

# libjpeg's words (jerror.h) where pixels are missing or wrong. It warns of harmless things as well.
_WORDS = ("premature end of data segment", "bad Huffman code", "bad arithmetic code", "instead of RST")


class _Keeping(logging.Handler):
    """Keeps what is said."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.said: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        """Keep it."""
        self.said.append(record.getMessage())


@contextlib.contextmanager
def decoders_heard() -> Iterator[list[str]]:
    """What libvips warns of while the block runs, instead of in the log."""
    logger, keeping = logging.getLogger("pyvips"), _Keeping()
    level, propagate = logger.level, logger.propagate
    logger.addHandler(keeping)
    logger.setLevel(logging.WARNING)
    logger.propagate = False
    try:
        yield keeping.said
    finally:
        logger.propagate = propagate
        logger.setLevel(level)
        logger.removeHandler(keeping)


def tell_of_made_up_pixels(said: list[str]) -> bool:
    """True when decoders said that they made pixels up."""
    return any(words in line for line in said for words in _WORDS)

"""Messages between a program and its worker: pickles with their length before them, through two pipes.

A pipe that ends tells either side that the other is gone, on every system.
"""

import pickle
import struct
from typing import IO, Any

_LENGTH = struct.Struct(">Q")


def send(stream: IO[bytes], message: object) -> None:
    """Send one message.

    Raises:
        OSError: the other side is gone.
        Exception: the message cannot be pickled; nothing was sent.
    """
    data = pickle.dumps(message)
    stream.write(_LENGTH.pack(len(data)) + data)
    stream.flush()


def receive(stream: IO[bytes]) -> Any:  # noqa: ANN401 - whatever was sent
    """The next message.

    Raises:
        EOFError: the other side is gone.
    """
    (length,) = _LENGTH.unpack(_exactly(stream, _LENGTH.size))
    return pickle.loads(_exactly(stream, length))  # noqa: S301 - from our own process, through our own pipe


def _exactly(stream: IO[bytes], count: int) -> bytes:
    data = stream.read(count)
    if len(data) < count:
        raise EOFError
    return data

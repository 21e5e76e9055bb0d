"""The engine's own code as a wheel, to lie beside the originals: years later it is there, whoever offers it then.

It holds what really ran, whether platemark was installed from a wheel or works from a folder of sources.
"""

import base64
import hashlib
import importlib.util
import io
import re
import zipfile
from collections.abc import Iterator
from importlib.metadata import Distribution
from pathlib import Path

# The zip format counts years from 1980; a wheel of the same code has the same bytes whenever it is packed.
_WHEN = (1980, 1, 1, 0, 0, 0)
_METADATA = ("METADATA", "WHEEL", "entry_points.txt")


def packed(distribution: Distribution) -> bytes:
    """A wheel of the packages that a distribution's entry points name.

    Not compressed: compressors change from release to release, and with them the hash.

    Source: packaging.python.org, "Binary distribution format".

    Raises:
        OSError: a file of it cannot be read.
    """
    folder = f"{_part(distribution.name)}-{_part(distribution.version)}.dist-info"
    files = dict(_code(distribution))
    for name in _METADATA:
        text = distribution.read_text(name)
        if text is not None:
            files[f"{folder}/{name}"] = text.encode()
    rows = [f"{name},sha256={_hash(data)},{len(data)}\n" for name, data in files.items()]
    files[f"{folder}/RECORD"] = "".join([*rows, f"{folder}/RECORD,,\n"]).encode()
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w", zipfile.ZIP_STORED) as archive:
        for name, data in files.items():
            archive.writestr(zipfile.ZipInfo(name, _WHEN), data)
    return target.getvalue()


def file_name(wheel: bytes) -> str:
    """The name that pip wants it to have, from what it says of itself.

    Raises:
        ValueError: it is no wheel.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(wheel)) as archive:
            (told,) = (name for name in archive.namelist() if re.fullmatch(r"[^/]+\.dist-info/WHEEL", name))
            tag = re.search(r"^Tag: (\S+)$", archive.read(told).decode(), re.MULTILINE)
    except (zipfile.BadZipFile, UnicodeDecodeError) as fault:
        raise ValueError(str(fault)) from fault
    if tag is None:
        raise ValueError("it does not say for which Python it is")
    return f"{told.partition('.dist-info')[0]}-{tag[1]}.whl"


def _code(distribution: Distribution) -> Iterator[tuple[str, bytes]]:
    """Path in the wheel and content, in name order."""
    for name in sorted({re.split(r"[.:]", point.value)[0] for point in distribution.entry_points}):
        spec = importlib.util.find_spec(name)
        for root in (spec.submodule_search_locations or []) if spec else []:
            for path in sorted(Path(root).rglob("*")):
                if path.is_file() and path.suffix != ".pyc":
                    yield f"{name}/{path.relative_to(root).as_posix()}", path.read_bytes()
        if spec and spec.origin and spec.submodule_search_locations is None:
            yield Path(spec.origin).name, Path(spec.origin).read_bytes()


def _part(name: str) -> str:
    return re.sub(r"[^A-Za-z0-9.!+]+", "_", name)


def _hash(data: bytes) -> str:
    return base64.urlsafe_b64encode(hashlib.sha256(data).digest()).rstrip(b"=").decode()

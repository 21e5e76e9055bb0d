"""Which distributions a making stood on: what brings the same ones together again, years later.

An installed distribution no longer knows the hash of the wheel that it came from, and one release has several wheels.
What counts is the code that ran: the hash of the rows of its RECORD, which hold the hash of each file. Left out is what
installing adds or words otherwise: compiled files, start scripts, all of `*.dist-info`.
"""

import base64
import csv
import email.parser
import hashlib
import importlib.metadata
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from email.message import Message
from importlib.metadata import Distribution
from pathlib import Path

from platemark.contract.hookspecs import PROJECT

# Name and version as pip takes them and nothing else: no address, path or option comes through.
# Source: packaging.python.org, "Names and normalization" and "Version specifiers".
_LINE = re.compile(r"([A-Za-z0-9](?:[A-Za-z0-9._-]*[A-Za-z0-9])?)==([0-9][A-Za-z0-9.!+_-]*) sha256:([0-9a-f]{64}|none)")
_REQUIREMENT = re.compile(r"\s*([A-Za-z0-9._-]+)\s*(?:\[([^\]]*)\])?")
_EXTRA = re.compile(r"""\bextra\s*==\s*['"]([^'"]+)['"]""")


@dataclass(frozen=True, order=True)
class Pinned:
    """One distribution.

    Attributes:
        name: in the normal form: small letters and single hyphens.
        version: exact.
        sha256: of its content, or of its archived wheel; "none" where nothing tells what was installed.
    """

    name: str
    version: str
    sha256: str

    def line(self) -> str:
        """As it stands in the manifest.

        >>> Pinned("numpy", "2.4.6", "none").line()
        'numpy==2.4.6 sha256:none'
        """
        return f"{self.name}=={self.version} sha256:{self.sha256}"


def pinned_of(line: str) -> Pinned | None:
    """What a line of a manifest names; None where it is no such line.

    >>> pinned_of("numpy==2.4.6 sha256:none")
    Pinned(name='numpy', version='2.4.6', sha256='none')
    >>> pinned_of("numpy @ https://example.org/numpy.whl")
    """
    found = _LINE.fullmatch(line)
    return Pinned(normal_name(found[1]), found[2], found[3]) if found else None


def offering_stages() -> list[Distribution]:
    """The one of platemark, and every installed distribution with plugins; in name order, each once."""
    found = {normal_name(PROJECT): importlib.metadata.distribution(PROJECT)}
    for point in importlib.metadata.entry_points(group=PROJECT):
        if point.dist:
            found.setdefault(normal_name(point.dist.name), point.dist)
    return [found[name] for name in sorted(found)]


def needed_by(roots: Iterable[Distribution]) -> list[Pinned]:
    """Every distribution that these need, and those need in turn; in name order, without the roots.

    Whether a condition such as a kind of system holds is not worked out: what is installed is taken. At worst that is
    one too many.
    """
    found = {normal_name(root.name): root for root in roots}
    own = set(found)
    waiting = [(root, frozenset[str]()) for root in found.values()]
    done = set[tuple[str, frozenset[str]]]()
    while waiting:
        distribution, extras = waiting.pop()
        for name, asked in _requirements(distribution, extras):
            if (name, asked) in done:
                continue
            done.add((name, asked))
            needed = found.get(name) or installed(name)
            if needed:
                found[name] = needed
                waiting.append((needed, asked))
    return sorted(pinned(found[name]) for name in found.keys() - own)


def installed(name: str) -> Distribution | None:
    """The installed distribution of this name, if there is one."""
    try:
        return importlib.metadata.distribution(name)
    except importlib.metadata.PackageNotFoundError:
        return None


def installed_in(folder: Path) -> dict[str, Distribution]:
    """What is installed in a folder of packages, by normal name."""
    return {normal_name(found.name): found for found in importlib.metadata.distributions(path=[str(folder)])}


def pinned(distribution: Distribution) -> Pinned:
    """Name, version and content of an installed distribution."""
    rows = sorted(",".join(row) for row in _content(distribution))
    digest = hashlib.sha256("\n".join(rows).encode()).hexdigest() if rows else "none"
    told = _head(distribution)
    return Pinned(normal_name(told["Name"]), told["Version"], digest)


def damaged_files(distribution: Distribution) -> Iterator[str]:
    """Files that are missing or not what was installed, by the distribution's own RECORD."""
    for name, told, _size in _content(distribution):
        path = Path(str(distribution.locate_file(name)))
        mode, _, digest = told.partition("=")
        if not path.is_file() or _record_hash(path, mode) != digest:
            yield name


def _content(distribution: Distribution) -> Iterator[list[str]]:
    """The rows of its RECORD that count: name, hash, size. Read here, as the library takes its time over each path."""
    for row in csv.reader((distribution.read_text("RECORD") or "").splitlines()):
        name, told = row[0], row[1]
        added = name.endswith(".pyc") or name.startswith("../") or name.split("/")[0].endswith(".dist-info")
        if told and not added:
            yield row


def _head(distribution: Distribution) -> Message:
    """Its metadata without the description below, which is often a whole manual and takes most of the time to read."""
    text = distribution.read_text("METADATA") or distribution.read_text("PKG-INFO") or ""
    return email.parser.HeaderParser().parsestr(text.partition("\n\n")[0])


def _record_hash(path: Path, mode: str) -> str:
    """As RECORD writes it. Source: packaging.python.org, "Recording installed projects": urlsafe base64, no padding."""
    with path.open("rb") as file:
        digest = hashlib.file_digest(file, mode).digest()
    return base64.urlsafe_b64encode(digest).rstrip(b"=").decode()


def _requirements(distribution: Distribution, extras: frozenset[str]) -> Iterator[tuple[str, frozenset[str]]]:
    for words in _head(distribution).get_all("Requires-Dist") or []:
        requirement, _, condition = words.partition(";")
        only_for = {normal_name(extra) for extra in _EXTRA.findall(condition)}
        found = _REQUIREMENT.match(requirement)
        if found and (not only_for or only_for & extras):
            asked = frozenset(normal_name(extra.strip()) for extra in (found[2] or "").split(",") if extra.strip())
            yield normal_name(found[1]), asked


def normal_name(name: str) -> str:
    """Small letters, single hyphens.

    Source: packaging.python.org, "Names and normalization".
    """
    return re.sub(r"[-_.]+", "-", name).lower()

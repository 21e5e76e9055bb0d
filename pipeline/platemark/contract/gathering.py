"""Gathering: several scans that become one picture before its chain begins, such as the parts of a large original."""

from abc import abstractmethod
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from platemark.contract.job import Job
from platemark.contract.stage import P, S, Stage
from platemark.errors import PluginError
from platemark.pixels.affine import Affine
from platemark.pixels.picture import Picture


@dataclass(frozen=True)
class ScanSet:
    """Which scans belong together.

    Attributes:
        name: of the picture they become.
        stems: the names of all scans without their endings, in order; each begins with `name`.
    """

    name: str
    stems: tuple[str, ...]


class Gathering(Stage[S, P]):
    """The first step of a set of scans: it makes one picture of them.

    It works by the names of files, never in `stages`. As with every stage, what `measure_all` decides is recorded, can
    be corrected in the ticket of the set, and is all that `apply_all` needs to make the same picture again.
    """

    @abstractmethod
    def announced(self, stem: str) -> ScanSet | None:
        """The set that a scan of this name calls for, or None for most names. Case does not count.

        Raises:
            Held: the name is of this kind, yet there can be no such set.
        """

    @abstractmethod
    def measure_all(self, pictures: Sequence[Picture], settings: S, known: Mapping[str, Any]) -> P:
        """Look and decide how the scans become one.

        Args:
            pictures: the scans in the order of their set, upright, of one colour profile.
            settings: what the artist asks for.
            known: parameters that stand in her ticket, not checked yet: what is measured must go with them.

        Raises:
            Held: they cannot be one picture; says which of them, and where.
        """

    @abstractmethod
    def apply_all(self, pictures: Sequence[Picture], parameters: P) -> Picture:
        """Do it: a pure function of the pictures and the parameters."""

    @abstractmethod
    def placements(self, parameters: P) -> Sequence[Affine]:
        """Where each scan lies in the picture, as nearly as a map of straight lines can tell."""

    def measure(self, picture: Picture, settings: S, job: Job) -> P:  # noqa: ARG002
        """There is nothing to measure on one scan alone.

        Raises:
            PluginError: always.
        """
        raise PluginError(f"{self.name} makes one picture of several scans and has no place in `stages`")

    def apply(self, picture: Picture, parameters: P) -> Picture:  # noqa: ARG002
        """The gathered picture is done already."""
        return picture

"""A stage: one step of a chain, in two halves. It measures, then it applies."""

from abc import ABC, abstractmethod
from collections.abc import Mapping
from typing import ClassVar, Generic, TypeVar, get_args

from pydantic import BaseModel, ConfigDict

from platemark.contract.job import Job, Paper
from platemark.pixels.picture import Picture
from platemark.pixels.profiles import Profile


class Settings(BaseModel):
    """What the artist asks of a stage, in `[stage.NAME]`.

    Subclass it; give every field a default, bounds and a description with its unit.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, defer_build=True)


class Parameters(BaseModel):
    """What a stage decided for one picture.

    Subclass it; numbers, text, lists of them: what TOML can hold. They reach the manifest, and from
    them alone the export can be made again.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, defer_build=True)


S = TypeVar("S", bound=Settings)
P = TypeVar("P", bound=Parameters)


class Stage(ABC, Generic[S, P]):
    """One step. Subclass as `class Deskew(Stage[DeskewSettings, DeskewParameters])`.

    Attributes:
        name: lower-case word that stands in the config and the manifest.
        version: raise it when `apply` would make other pixels from the same parameters.
        per_print: False when `measure` looks at the scan alone, so that one measurement serves
            all its prints.
        per_item: True when it cuts one item out of the bed, so that a bed of several is divided.
        mends: True when it mends what the scanner saw, so that a test strip of the picture shows it too.
    """

    name: ClassVar[str]
    version: ClassVar[int] = 1
    per_print: ClassVar[bool] = True
    per_item: ClassVar[bool] = False
    mends: ClassVar[bool] = False
    settings_model: ClassVar[type[Settings]]
    parameters_model: ClassVar[type[Parameters]]

    def __init_subclass__(cls) -> None:
        """Learn the two models from the square brackets."""
        super().__init_subclass__()
        for base in getattr(cls, "__orig_bases__", ()):
            models = [arg for arg in get_args(base) if isinstance(arg, type)]
            if len(models) == 2:
                cls.settings_model, cls.parameters_model = models

    def check(self, settings: S, paper: Paper) -> None:
        """Object to settings that cannot be right on this paper; asked before any scan is touched.

        Raises:
            Held: what would come of it, and what to change.
        """

    @abstractmethod
    def measure(self, picture: Picture, settings: S, job: Job) -> P:
        """Look and decide. May read pixels, never changes them.

        Raises:
            Held: a person must decide; the reason and the remedy are shown to her.
        """

    @abstractmethod
    def apply(self, picture: Picture, parameters: P) -> Picture:
        """Do it: a pure function of the picture and the parameters."""

    def companions(self, before: Picture, after: Picture, parameters: P) -> Mapping[str, bytes]:  # noqa: ARG002
        """Further files beside the export, by ending (`proof.jpg`); as pure as `apply`."""
        return {}


class Encoder(Stage[S, P]):
    """The last stage of a chain: it makes the bytes of the file."""

    suffix: ClassVar[str]

    def apply(self, picture: Picture, parameters: P) -> Picture:  # noqa: ARG002
        """An encoder leaves the picture as it is."""
        return picture

    @abstractmethod
    def encode(self, picture: Picture, parameters: P) -> bytes:
        """The whole file: a pure function of the picture and the parameters."""

    def embedded(self, picture: Picture, parameters: P) -> Profile:  # noqa: ARG002
        """The profile of the file's pixels, where it is not the picture's."""
        return picture.profile

    @abstractmethod
    def about(self, parameters: P) -> dict[str, str | int | float]:
        """What a reader of the manifest should know of the file: quality, subsampling ..."""

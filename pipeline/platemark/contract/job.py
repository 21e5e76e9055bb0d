"""What a stage may know beside the picture: the job it works on."""

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

from platemark.contract.layout import Layout
from platemark.pixels.profiles import Profile

Told = str | int | float | bool
"""What a stage can notice: what TOML can hold."""


@dataclass(frozen=True)
class Paper:
    """The paper of a print. `profile` is None where none is configured.

    `converter` says who brings the colours into the printer's own: exactly one of the "file", as it is made, and the
    "driver", as it is printed.
    """

    name: str
    surface: str = "matte"
    profile: Profile | None = None
    intent: str = "relative"
    black_point: bool = True
    converter: Literal["file", "driver"] = "driver"


@dataclass(frozen=True)
class Work:
    """What the artist says of the artwork, from its ticket and the config; empty when unknown."""

    name: str
    sha256: str = ""
    title: str = ""
    artist: str = ""
    copyright: str = ""
    contact: str = ""
    year: str = ""
    medium: str = ""
    edition: str = ""


@dataclass(frozen=True)
class Notice:
    """Something worth knowing about an export. `warning` says what to look at, or is empty."""

    stage: str
    name: str
    value: Told
    warning: str = ""


@dataclass
class Job:
    """One scan on its way to one print.

    Attributes:
        print_name: as in `[print.NAME]`.
        work: the artwork.
        paper: the paper of this print.
        lay_out: the print's geometry in pixels, for a picture of this width and height.
        fit: "inside" keeps the whole picture; "fill" cuts it to the image area.
        fill_limit: largest share of a side that "fill" may cut away in all.
        notices: what stages noticed so far, in order.
        stage: the stage whose turn it is.
    """

    print_name: str
    work: Work
    paper: Paper
    lay_out: Callable[[float, float], Layout]
    fit: str = "inside"
    fill_limit: float = 0.05
    notices: list[Notice] = field(default_factory=list)
    stage: str = ""

    def notice(self, name: str, value: Told, warning: str = "") -> None:
        """Tell what was noticed: kept in the manifest, a warning is shown as well.

        Raises:
            TypeError: the value is nothing that a manifest can hold; numbers of numpy want `int()` or `float()`.
        """
        if not isinstance(value, Told) or (isinstance(value, float) and not math.isfinite(value)):
            raise TypeError(f"the notice {name} is {value!r}, not a text, a number, true or false")
        self.notices.append(Notice(self.stage, name, value, warning))

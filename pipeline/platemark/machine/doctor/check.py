"""What a check says."""

from dataclasses import dataclass
from typing import Literal

State = Literal["good", "note", "bad"]
"""note: worth knowing, but everything works."""


@dataclass(frozen=True)
class Check:
    """One thing that was looked at.

    Attributes:
        name: what.
        state: how it stands.
        sentence: what was found.
        remedy: what to do; empty where all is well.
    """

    name: str
    state: State
    sentence: str
    remedy: str = ""

"""The ticket: `heron.toml` beside `heron.tif`, with what the artist knows about one scan.

Corrections overrule what a stage would have measured; they are the stage's own parameters and are checked by it.
"""

from typing import Any

from pydantic import Field

from platemark.config.references import PrintName, StageName, Table
from platemark.config.sheet_size import SheetSizeField


class Ticket(Table):
    """What is known about one scan. Every line may be missing."""

    title: str | None = None
    artist: str | None = None
    """When it is not the one named in the config."""
    year: int | None = None
    medium: str | None = None
    edition: str | None = None
    """As it is written under the print, such as "edition of 30"."""
    prints: list[PrintName] | None = None
    """Which prints to make; without this line all of them."""
    ppi: int | None = Field(None, ge=50, le=12800, json_schema_extra={"remedy": "Write the resolution of this scan"})
    """The resolution this scan was made with, when the file is wrong about it."""
    sheet: SheetSizeField | None = None
    """The paper of this original, such as "A4": helps to tell its edges where they are faint."""
    corrections: dict[StageName, dict[str, Any]] = Field(default_factory=dict)
    """A table a stage: the parameters to use instead of the measured ones."""

"""The built-in stages, one room each. They use the public API of platemark and nothing else."""

from collections.abc import Sequence
from typing import Any

from platemark import Division, Picture, Stage, hookimpl
from platemark_stages.adjust import Adjust
from platemark_stages.border import Border
from platemark_stages.crop import Crop
from platemark_stages.deskew import Deskew
from platemark_stages.dust import Dust
from platemark_stages.joining import Join
from platemark_stages.jpeg import Jpeg
from platemark_stages.paper_white import PaperWhite
from platemark_stages.path_page import PathPage
from platemark_stages.proof import Proof
from platemark_stages.resample import Resample
from platemark_stages.sharpen import Sharpen
from platemark_stages.sheet.looking import divided
from platemark_stages.trial_strip import TrialStrip
from platemark_stages.turned import Turned


@hookimpl
def platemark_divide(picture: Picture) -> Division:
    """Look for sheets on the bed."""
    return divided(picture)


@hookimpl
def platemark_stages() -> Sequence[type[Stage[Any, Any]]]:
    """All stages that come with platemark."""
    of_prints: list[type[Stage[Any, Any]]] = [
        Join,
        Turned,
        Deskew,
        Crop,
        Dust,
        Resample,
        PaperWhite,
        Adjust,
        Proof,
        Sharpen,
        Border,
        Jpeg,
    ]
    return [*of_prints, TrialStrip, PathPage]

"""Joining: overlapping scans of one original laid together to one picture."""

from .compose import compose
from .exposure import Exposure, match_exposure
from .look import register_pictures
from .placed import Overlap, Placed, Registration
from .register import register
from .seam import Seam, find_seam
from .surround import covered

__all__ = [
    "Exposure",
    "Overlap",
    "Placed",
    "Registration",
    "Seam",
    "compose",
    "covered",
    "find_seam",
    "match_exposure",
    "register",
    "register_pictures",
]

"""Two scans of one sheet, the second upside down, averaged: the grain that the lamp throws on the paper grows faint."""

from .average import average
from .laid import Laid
from .register import register

__all__ = ["Laid", "average", "register"]

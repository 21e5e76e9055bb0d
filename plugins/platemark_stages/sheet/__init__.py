"""Where the sheet of paper lies on the scanner bed."""

from .finder import find_sheet
from .finding import Decision, Finding, Side

__all__ = ["Decision", "Finding", "Side", "find_sheet"]

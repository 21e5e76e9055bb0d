"""Where the sheets of paper lie on the scanner bed."""

from .finder import find_items, find_sheet
from .finding import Decision, Division, Finding, Side

__all__ = ["Decision", "Division", "Finding", "Side", "find_items", "find_sheet"]

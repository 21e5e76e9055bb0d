"""Characterising a scanner: from the scan of a colour chart to a profile, and how good that is, in numbers."""

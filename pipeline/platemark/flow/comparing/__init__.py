"""Comparing two scans of one picture: found, laid on each other, measured, judged."""

"""The report page of a comparison: one file, with its pictures in it."""

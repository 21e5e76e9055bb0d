"""Pixels in flight: the picture, its pending geometry, its colour profile."""

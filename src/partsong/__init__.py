"""Partsong: the film in which one musician plays every part, from the plan to the checked master."""

__version__ = "0.1.0"

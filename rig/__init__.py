"""Acquisition: everything that touches the bench."""

__version__ = "0.1.0"

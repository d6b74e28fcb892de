"""Contracts of both sides: files, plans, limits and the run folder. No device is touched here."""

"""Custody, time out of controlled storage, mass and loans of scarce physical samples."""

__version__ = "0.1.0"

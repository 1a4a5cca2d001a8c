"""Hotchpot: one safe, lasting battery bank from a pile of unlike batteries."""

__version__ = "0.1.0"

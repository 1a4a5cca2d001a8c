"""The pile: units as facts, read from and written to a CSV file."""

from hotchpot.pile.unit import FLAGS, Unit

__all__ = ["FLAGS", "Unit"]

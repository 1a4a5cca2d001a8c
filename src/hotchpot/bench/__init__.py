"""From what was read on a unit to what it is: capacity, resistance, charge, each with its doubt."""

from hotchpot.bench.state import State, state_of

__all__ = ["State", "state_of"]

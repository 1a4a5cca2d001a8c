"""
Which units may be drawn on: those fit to be joined to anything, sorted by family and by the cell count wanted.

A bank never mixes families, so each family is a search of its own, and each cell count that suits the voltage is one.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

from hotchpot.bank.arrangement import natural
from hotchpot.bank.judge import judge
from hotchpot.bank.plan import Plan
from hotchpot.bank.rules import Case
from hotchpot.bank.verdict import Verdict
from hotchpot.bench.state import State
from hotchpot.chemistry import Chemistry

NOMINAL_FRAC = 0.06  # lead and nickel: a system is named after their nominal voltage
LITHIUM_FRAC = 0.10  # lithium: 16 cells of 3.2 V are sold for 48 V
SHORT_FRAC = 0.05  # lithium below this is taken only where no higher count fits
COMMON_V = (6.0, 12.0, 24.0, 36.0, 48.0)


@dataclass(frozen=True, eq=False)
class Pool:
    """The units of one family that one search for `cells` cells in series may draw on, in order of their ids."""

    family: str
    cells: int
    states: tuple[State, ...]

    @cached_property
    def bit(self) -> dict[str, int]:
        """The bit that stands for each unit in a set of units."""
        return {state.unit.id: 1 << i for i, state in enumerate(self.states)}

    @cached_property
    def likeness(self) -> dict[str, str]:
        """One word for each unit, the same for units that are alike in all that matters."""
        words: dict[State, str] = {}
        return {state.unit.id: words.setdefault(anonymous(state), str(len(words))) for state in self.states}

    def chosen(self, mask: int) -> tuple[State, ...]:
        """Return the states of a set of units."""
        return tuple(state for i, state in enumerate(self.states) if mask >> i & 1)

    def without(self, ids: Iterable[str]) -> Pool:
        """Return the pool without some of its units."""
        gone = set(ids)
        return Pool(self.family, self.cells, tuple(s for s in self.states if s.unit.id not in gone))


def anonymous(state: State) -> State:
    """Return a state without what only tells the unit from its twins: its id, its note and its date."""
    return replace(state, unit=replace(state.unit, id="-", note="", made=None))


def in_order(states: Iterable[State]) -> tuple[State, ...]:
    """Return states by id, A2 before A10, so that the order of the pile changes nothing."""
    return tuple(sorted(states, key=lambda state: natural(state.unit.id)))


def fit(states: Sequence[State]) -> tuple[tuple[State, ...], dict[str, str]]:
    """Return the units that may be joined to anything, and why each of the others may not."""
    good, rejected = [], {}
    for state in states:
        decisive = judge(Case(Plan(question=("accept",)), (state,))).decisive
        if decisive is not None and decisive.verdict is Verdict.FORBID:
            rejected[state.unit.id] = decisive.says
        else:
            good.append(state)
    return tuple(good), rejected


def cell_counts(chem: Chemistry, system_v: float) -> tuple[int, ...]:
    """
    Return the numbers of cells in series that make a bank for `system_v`.

    Lead and nickel: the nearest count, within 6 % (24 V is 12 lead cells or 20 nickel-cadmium). Lithium: every count
    within 10 %, as its equipment spans a wider window; one that falls more than 5 % short (7 lithium iron phosphate
    cells on 24 V) only where no higher one fits. Common practice, no source.

    Examples
    --------
    >>> from hotchpot.chemistry import chemistry
    >>> cell_counts(chemistry("lead_agm"), 24), cell_counts(chemistry("lfp"), 48), cell_counts(chemistry("nmc"), 12)
    ((12,), (15, 16), (3,))
    """
    nominal = chem.num("nominal_v")
    tolerance = LITHIUM_FRAC if chem.kind == "lithium" else NOMINAL_FRAC
    low = max(1, math.ceil(system_v * (1 - tolerance) / nominal - 1e-9))
    high = math.floor(system_v * (1 + tolerance) / nominal + 1e-9)
    near = range(low, high + 1)
    if chem.kind != "lithium":
        return (min(near, key=lambda n: abs(n * nominal - system_v)),) if near else ()
    full = tuple(n for n in near if n * nominal >= system_v * (1 - SHORT_FRAC) - 1e-9)
    return full or tuple(near)


def pools(states: Sequence[State], system_v: float) -> tuple[Pool, ...]:
    """Return one pool for each family and cell count that could make `system_v`, widest first within a family."""
    members: dict[tuple[str, int], list[State]] = {}
    for state in in_order(states):
        for count in cell_counts(state.chem, system_v):
            if state.unit.cells <= count:
                members.setdefault((state.chem.family, count), []).append(state)
    keys = sorted(members, key=lambda key: (key[0], -key[1]))
    return tuple(pool for key in keys if reaches(pool := Pool(*key, tuple(members[key]))))


def reaches(pool: Pool) -> bool:
    """Tell whether units of one chemistry can be put in series to the pool's cell count."""
    return any(pool.cells in sums for sums in _sums(pool.states, pool.cells))


def makeable_v(states: Sequence[State]) -> tuple[float, ...]:
    """Return the common system voltages that units of one chemistry could reach by cell count alone. [V]"""
    return tuple(volts for volts in COMMON_V if pools(states, volts))


def _sums(states: Sequence[State], most: int) -> list[set[int]]:
    """The cell counts up to `most` that a string can have, for each chemistry."""
    found: dict[str, set[int]] = {}
    for state in states:
        sums = found.setdefault(state.chem.key, {0})
        sums |= {total for done in sums if (total := done + state.unit.cells) <= most}
    return list(found.values())

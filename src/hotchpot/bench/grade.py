"""
The grade of a unit, A to C or reject, with the reason in words; untested where its capacity was never measured.

A from 90 % of the rated capacity and up to 1.3 times a good unit's resistance, B from 80 % and up to 1.5 times, C from
the chemistry's reject line and up to 2 times; what is seen, felt or read at rest can reject a unit by itself (common
practice, no source; 80 % is the replacement line of IEEE 450 and 1188).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from hotchpot.pile.unit import Unit

if TYPE_CHECKING:
    from hotchpot.bench.state import State

A_FRAC, B_FRAC = 0.90, 0.80
A_RATIO, B_RATIO, C_RATIO = 1.3, 1.5, 2.0
WARM_K = 1.0
HARMLESS = frozenset({"dented", "unknown_history"})
_SLACK = 1e-9


def grade_of(state: State) -> tuple[str, str]:
    """Return the grade of a unit and the reason for it."""
    unit = state.unit
    seen = rejection(unit)
    if unit.capacity_ah is None:
        tested = "its capacity was never measured"
        return "untested", f"{tested}; {seen}" if seen else tested
    ratio = None if unit.resistance_mohm is None else state.resistance_ratio
    told = f"{100 * state.health_frac:.0f} % of its rated capacity"
    if ratio is not None:
        told += f", {ratio:.1f} times a good unit's resistance"
    if seen:
        return "reject", seen
    return _by_figures(state.health_frac, ratio or 1.0, state.chem.num("reject_capacity_frac")), told


def _by_figures(health: float, ratio: float, reject: float) -> str:
    """Return the grade that capacity and resistance give."""
    if health < reject or ratio > C_RATIO + _SLACK:
        return "reject"
    if health >= A_FRAC and ratio <= A_RATIO:
        return "A"
    return "B" if health >= B_FRAC and ratio <= B_RATIO else "C"


def rejection(unit: Unit) -> str:
    """Return why a look, a touch or the rest voltage alone rejects the unit; empty where they do not."""
    bad = [flag for flag in unit.flags if flag not in HARMLESS]
    if bad:
        return " and ".join(flag.replace("_", " ") for flag in bad)
    if (unit.rest_rise_k or 0.0) > WARM_K:
        return f"{unit.rest_rise_k:.1f} K warmer than its surroundings at rest"
    floor = unit.chem.num("reject_rest_v")
    if unit.rest_v is not None and unit.rest_v / unit.cells < floor:
        return f"rests at {unit.rest_v / unit.cells:.2f} V a cell, under {floor:g} V"
    return ""


def rejected_on_sight(unit: Unit) -> bool:
    """Tell whether a look, a touch or the rest voltage alone rejects the unit."""
    return bool(rejection(unit))

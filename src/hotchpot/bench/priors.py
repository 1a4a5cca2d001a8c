"""
What a unit is taken for where nothing was read, and what a bare figure in the pile file is worth.

Priors by age are engineering guesses (docs/methods/judge.md), to be replaced by a reading. A bare capacity carries the
doubt of a careful hand test: 1.7 % from clamp meter and temperature, joined with 3 % repeatability; a bare resistance
that of two loads with a millivolt meter, 10 % (both computed from JCGM 100 budgets).
"""

from __future__ import annotations

import math
import re

from hotchpot.bench.estimate import Estimate, Line, Quantity
from hotchpot.measure import Basis, Measure
from hotchpot.pile.unit import Unit

CAPACITY_SD_FRAC = math.hypot(0.017, 0.03)
RESISTANCE_SD_FRAC = 0.10
LEAKAGE_SD_FRAC = 0.2

# fraction of rated left: (loss per year, sd, value at unknown age, sd at unknown age); engineering guesses
_AGE_PRIOR = {
    "lead": (0.05, 0.15, 0.65, 0.20),
    "lithium": (0.025, 0.10, 0.75, 0.15),
    "nickel": (0.03, 0.15, 0.70, 0.20),
}
_PRIOR_RESISTANCE_SD_FRAC = 0.30
_LEAST_LEFT_FRAC = 0.1


def made_year(unit: Unit) -> int | None:
    """Return the year in the unit's `made` column, whatever its date format."""
    found = re.search(r"(?:19|20)\d\d", unit.made or "")
    return int(found.group()) if found else None


def fade_frac_per_year(unit: Unit) -> float:
    """Return how much of its rated capacity such a unit loses in a year: how fast a reading grows old. [1/year]"""
    return _AGE_PRIOR[unit.chem.kind][0]


def capacity_prior(unit: Unit, year: int | None) -> Measure:
    """Return the capacity a unit that was never tested is taken for, by chemistry and age. [Ah]"""
    per_year, sd, unknown, unknown_sd = _AGE_PRIOR[unit.chem.kind]
    made = made_year(unit)
    if made is None or year is None:
        return Measure(unknown * unit.rated_ah, unknown_sd * unit.rated_ah, Basis.ASSUMED)
    left = max(_LEAST_LEFT_FRAC, 1.0 - per_year * max(0, year - made))
    return Measure(left * unit.rated_ah, sd * unit.rated_ah, Basis.ASSUMED)


def resistance_prior(unit: Unit, capacity: Measure) -> Measure:
    """Return the resistance a unit that was never loaded is taken for: typical over the square of its health. [mΩ]"""
    health = max(_LEAST_LEFT_FRAC, capacity.value / unit.rated_ah)
    value = unit.chem.typical_mohm(unit.cells, unit.rated_ah) / health**2
    return Measure(value, _PRIOR_RESISTANCE_SD_FRAC * value, Basis.ASSUMED)


def leakage_prior(unit: Unit) -> Measure:
    """Return the self-discharge a unit that never stood under watch is taken for. [1/month]"""
    typical = unit.chem.num("self_discharge") / 100.0
    return Measure(typical, typical, Basis.ASSUMED)


def entries(unit: Unit) -> tuple[Estimate, ...]:
    """Return what the pile file itself says of a unit, as estimates without a date."""
    told = (
        (Quantity.CAPACITY, unit.capacity_ah, CAPACITY_SD_FRAC),
        (Quantity.RESISTANCE, unit.resistance_mohm, RESISTANCE_SD_FRAC),
        (Quantity.LEAKAGE, unit.self_discharge_frac_month, LEAKAGE_SD_FRAC),
    )
    return tuple(
        Estimate(quantity=quantity, value=value, budget=(Line("a bare figure in the pile file", frac * value),))
        for quantity, value, frac in told
        if value is not None
    )

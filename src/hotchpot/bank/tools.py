"""The readings that a person could take next on a unit: which make sense, what they would show, how well, how long."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from hotchpot.bank.truths import Truths, is_rested
from hotchpot.bench.state import State, meter_sd_v
from hotchpot.measure import Basis, Measure

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

WELL_MEASURED = 1.25  # times the tool's own error: reading it again with the same tool tells little
FLAT_FRAC = 0.10  # a voltage that tells the charge no better is not read for it; the limit of the judge's test-plateau
LEAKAGE_DAYS = 28.0
SHORT_HOURS = 0.5
FULL_CHARGE_OVER_LIMIT = 1.5  # hours of a full charge times the largest charge rate in C; common practice, no source


class Procedure(StrEnum):
    """The readings that a person can take on a unit, by the name of their procedure."""

    CAPACITY = "capacity"
    RESISTANCE = "resistance"
    REST = "rest"
    LEAKAGE = "leakage"
    GRAVITY = "gravity"


@dataclass(frozen=True, slots=True, kw_only=True)
class Tools:
    """
    How well usual tools read, as standard deviations: the constants of this method.

    Capacity, resistance and leakage as parts of the value; `rest_v` in volts (None: a hand meter of 10 mV); `gravity_v`
    in volts a cell, a hydrometer's 0.005 joined with as much for the 0.845 V rule.
    """

    capacity_frac: float = 0.035
    resistance_frac: float = 0.10
    leakage_frac: float = 0.20
    rest_v: float | None = None
    gravity_v: float = 0.007


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """
    One reading that might be taken: the unit's id, the procedure, and its hours by the clock.

    `true` is what it would show on each draw but for its error, whose standard deviation is `sd`; logarithms where the
    error is a part of the value.
    """

    unit: str
    procedure: Procedure
    hours: float
    true: NDArray[np.float64]
    sd: float


def candidates(drawn: Truths, tools: Tools, samples: int) -> Iterator[Candidate]:
    """Yield the readings that make sense on a unit: none that was read well, no voltage that would tell nothing."""
    import numpy as np

    state, chem = drawn.state, drawn.state.chem
    name, first = state.unit.id, slice(0, samples)
    if not _well(state.capacity_ah, tools.capacity_frac):
        ah = np.log(drawn.capacity_ah[first])
        yield Candidate(name, Procedure.CAPACITY, _capacity_hours(state), ah, tools.capacity_frac)
    if not _well(state.resistance_mohm, tools.resistance_frac):
        mohm = np.log(drawn.resistance_mohm[first])
        yield Candidate(name, Procedure.RESISTANCE, SHORT_HOURS, mohm, tools.resistance_frac)
    if not _voltage_known(state):
        volts = drawn.rest_v[first]
        sd = meter_sd_v(float(volts.mean())) if tools.rest_v is None else tools.rest_v
        yield Candidate(name, Procedure.REST, chem.num("rest_h_good"), volts, sd)
    if not _well(state.self_discharge_frac_month, tools.leakage_frac):
        leaked = np.log(drawn.self_discharge_frac_month[first])
        yield Candidate(name, Procedure.LEAKAGE, 24.0 * LEAKAGE_DAYS, leaked, tools.leakage_frac)
    if chem.key == "lead_flooded" and not _charge_known(state, tools):
        acid_v = np.interp(drawn.soc_frac[first], chem.ocv.soc, chem.ocv.volt)
        yield Candidate(name, Procedure.GRAVITY, SHORT_HOURS, acid_v, tools.gravity_v)


def _well(known: Measure, frac: float) -> bool:
    """Tell whether a quantity was read about as well as the tool reads it."""
    return known.basis is not Basis.ASSUMED and known.sd <= WELL_MEASURED * frac * abs(known.value)


def _voltage_known(state: State) -> bool:
    """Tell whether a voltage was read in rest, or could tell nothing more of a charge on a flat part of the curve."""
    if state.unit.rest_v is not None:
        return is_rested(state)
    if state.soc_frac is None:
        return False
    curve, doubt = state.ocv_curve, state.ocv_sd_at(state.soc_frac.value)
    volts = curve.volts(state.soc_frac.value)
    return (curve.soc_at(volts + doubt) - curve.soc_at(volts - doubt)) / 2 > FLAT_FRAC


def _charge_known(state: State, tools: Tools) -> bool:
    """Tell whether the charge is known about as well as a hydrometer tells it, or one was used."""
    if state.unit.gravity:
        return True
    if state.soc_frac is None:
        return False
    slope = state.chem.ocv.slope(state.soc_frac.value)
    return state.soc_frac.sd <= WELL_MEASURED * tools.gravity_v / slope


def _capacity_hours(state: State) -> float:
    """Return what a capacity run takes: full charge, rest, and the run at the rated rate. [h]"""
    chem = state.chem
    charging = FULL_CHARGE_OVER_LIMIT / chem.num("charge_c_max")
    return charging + chem.num("rest_h_min") + state.unit.rated_hours * state.health_frac

"""
What a unit is now: what its readings say, else what its pile entry says, else a wide prior marked ``assumed``.

The bench's study of the readings (bench/study.py) comes in where there are readings; without them a unit's pile entry
speaks for itself (bench/priors.py).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from hotchpot.bench.estimate import Quantity
from hotchpot.bench.grade import grade_of, rejected_on_sight
from hotchpot.bench.meter import DEFAULT
from hotchpot.bench.priors import (
    CAPACITY_SD_FRAC,
    LEAKAGE_SD_FRAC,
    RESISTANCE_SD_FRAC,
    capacity_prior,
    leakage_prior,
    made_year,
    resistance_prior,
)
from hotchpot.bench.remark import Remark
from hotchpot.bench.standing.level import NICKEL_SOC_SD, charge_now, curve_of, curve_sd_v, meter_sd_v, voltage_now
from hotchpot.bench.standing.present import STATED_SD
from hotchpot.chemistry import Chemistry, Curve
from hotchpot.measure import Basis, Measure
from hotchpot.pile.unit import Unit

if TYPE_CHECKING:
    from hotchpot.bench.standing.curve import OwnCurve
    from hotchpot.bench.study import Study

__all__ = ["State", "made_year", "meter_sd_v", "rejected_on_sight", "state_of"]

STATED_SOC_SD = STATED_SD
ROOM_TEMPERATURE_C = 20.0
BENCH_C = 25.0  # what the bench brings resistances and capacities to
DERATED_FROM_C, DERATED_TO_C = 45.0, 55.0


@dataclass(frozen=True, slots=True)
class State:
    """
    What one unit is now.

    `unit` holds the facts as the newest readings leave them. `capacity_ah` is at 25 °C and the rated rate,
    `resistance_mohm` the 10 s DC value of the whole unit, `ocv_v` its open-circuit voltage now (None when neither
    voltage nor charge is known), `temperature_known` whether the temperature was read or planned, and `remarks` what
    the bench had to say of the readings. `resistance_25_mohm` is the resistance at 25 °C where the bench brought it
    there. `curve` is the unit's own open-circuit curve, None where no run was slow enough to tell it.
    `soc_bounds` are the bounds of a charge that the readings do not tell as a number; `soc_frac` then is their middle,
    all between them as likely.
    """

    unit: Unit
    capacity_ah: Measure
    resistance_mohm: Measure
    soc_frac: Measure | None
    ocv_v: Measure | None
    self_discharge_frac_month: Measure
    temperature_c: float
    temperature_known: bool
    remarks: tuple[Remark, ...] = ()
    resistance_25_mohm: float | None = None
    curve: OwnCurve | None = field(default=None, hash=False)
    soc_bounds: tuple[float, float] | None = None

    @property
    def chem(self) -> Chemistry:
        """The values of the unit's chemistry."""
        return self.unit.chem

    @property
    def ocv_curve(self) -> Curve:
        """Open-circuit voltage of one of its cells against charge: its own where it was measured, else its kind's."""
        return curve_of(self.unit, self.curve)[0]

    def ocv_sd_at(self, soc: float) -> float:
        """Return the doubt of `ocv_curve` at a charge: its own where it was measured, else its kind's. [V per cell]"""
        return curve_sd_v(self.unit, self.curve, soc)

    @property
    def health_frac(self) -> float:
        """Capacity over rated."""
        return self.capacity_ah.value / self.unit.rated_ah

    @property
    def resistance_ratio(self) -> float:
        """Resistance over that of a good unit of the same rated size, as cold as this one was when it was read."""
        if self.resistance_25_mohm is not None:
            return self.resistance_25_mohm / self.chem.typical_mohm(self.unit.cells, self.unit.rated_ah)
        warmth = ROOM_TEMPERATURE_C if self.unit.temperature_c is None else self.unit.temperature_c
        colder = self.chem.at_temperature("r_temp_mult", warmth)
        room = self.chem.at_temperature("r_temp_mult", ROOM_TEMPERATURE_C)
        typical = self.chem.typical_mohm(self.unit.cells, self.unit.rated_ah) * max(1.0, colder / room)
        return self.resistance_mohm.value / typical

    @property
    def grade(self) -> str:
        """A, B, C or reject by capacity, resistance and a look; untested where the capacity was never measured."""
        return grade_of(self)[0]

    @property
    def grade_reason(self) -> str:
        """Why it has that grade, in words."""
        return grade_of(self)[1]

    @property
    def basis(self) -> Basis:
        """Where the capacity came from."""
        return self.capacity_ah.basis

    @property
    def curve_doubt_v(self) -> float:
        """Doubt of a voltage that was never read but taken from the curve; zero where it was read. [V]"""
        if self.unit.rest_v is not None:
            return 0.0
        if self.soc_frac is None:
            return self.unit.cells * self.chem.num("ocv_curve_sd")
        return self.unit.cells * self.ocv_sd_at(self.soc_frac.value)

    @property
    def soc_doubt_frac(self) -> float:
        """
        Doubt of the charge against that of another unit of the same chemistry.

        The doubt of the chemistry's curve is common to both and cancels, that of a unit's own does not; nor does the
        meter's, nor half the gap between charge and discharge branches: on a flat curve that is much of the charge.
        """
        if self.soc_frac is None:
            return 1.0
        if self.unit.soc_frac is not None or self.unit.rest_v is None or self.soc_bounds is not None:
            return self.soc_frac.sd
        if self.chem.kind == "nickel":  # it follows the last use of each unit, and nothing of that cancels
            return max(self.soc_frac.sd, NICKEL_SOC_SD)
        cell_v = self.unit.rest_v / self.unit.cells
        curve, own_sd_v = curve_of(self.unit, self.curve)
        gap_v = self.chem.num("ocv_hysteresis")
        doubt = math.hypot(gap_v / 2, own_sd_v, meter_sd_v(self.unit.rest_v) / self.unit.cells)
        return (curve.soc_at(cell_v + doubt) - curve.soc_at(cell_v - doubt)) / 2

    def charge_limit_a(self) -> float:
        """Return the largest charge current: the maker's, else by chemistry and capacity. [A]"""
        by_chemistry = self.chem.num("charge_c_max") * self.capacity_ah.value
        return _least(self.unit.max_charge_a, None if self.unit.max_charge_a else by_chemistry, self.unit.bms_max_a)

    def cold_charge_c(self, temperature_c: float) -> float | None:
        """Return the C-rate that the cold allows this chemistry, or None where it is not cold for it."""
        entry = self.chem.values.get("charge_c_cold")
        for low, high, c in entry.value if entry else ():
            if low <= temperature_c < high:
                return float(c)
        return None

    def charge_limit_at(self, temperature_c: float) -> float:
        """
        Return the largest charge current at a temperature. [A]

        Nothing outside the chemistry's charge window; lithium is held lower in the cold and falls to nothing from 45 to
        55 °C (common practice, no source).
        """
        low, high = (float(t) for t in self.chem.row("charge_t"))
        if not low <= temperature_c <= high:
            return 0.0
        limit, cold = self.charge_limit_a(), self.cold_charge_c(temperature_c)
        if cold is not None:
            limit = min(limit, cold * self.capacity_ah.value)
        if self.chem.kind == "lithium" and temperature_c > DERATED_FROM_C:
            limit *= max(0.0, (DERATED_TO_C - temperature_c) / (DERATED_TO_C - DERATED_FROM_C))
        return limit

    def discharge_limit_a(self) -> float:
        """Return the largest lasting discharge current. [A]"""
        by_chemistry = self.chem.num("discharge_c_cont") * self.capacity_ah.value
        return _least(
            self.unit.max_discharge_a, None if self.unit.max_discharge_a else by_chemistry, self.unit.bms_max_a
        )

    def peak_limit_a(self) -> float:
        """Return the current that even a short surge must not pass. [A]"""
        return max(self.chem.num("discharge_c_peak") * self.capacity_ah.value, self.unit.max_discharge_a or 0.0)


def state_of(
    unit: Unit, *, year: int | None = None, ambient_c: float | None = None, study: Study | None = None
) -> State:
    """
    Return what `unit` is now.

    Parameters
    ----------
    unit : Unit
        The pile entry.
    year : int, optional
        The present year, for the prior of a unit that was never measured; None leaves its age unknown.
    ambient_c : float, optional
        Temperature where the bank stands, for a unit whose own was not read; None takes an ordinary room. [°C]
    study : Study, optional
        What the bench made of the unit's readings; None leaves the pile entry to speak for itself.
    """
    if study is not None:
        unit = study.unit
    capacity = _told(study, Quantity.CAPACITY) or _entered(unit.capacity_ah, CAPACITY_SD_FRAC)
    capacity = capacity or capacity_prior(unit, year)
    at_25 = _told(study, Quantity.RESISTANCE)
    resistance = _at_its_temperature(unit, at_25) or _entered(unit.resistance_mohm, RESISTANCE_SD_FRAC)
    leakage = _told(study, Quantity.LEAKAGE) or _entered(unit.self_discharge_frac_month, LEAKAGE_SD_FRAC)
    curve = None if study is None else study.curve
    bounds = None if study is None else study.charge_bounds
    soc = charge_now(unit, _told(study, Quantity.CHARGE), curve, bounds)
    return State(
        unit=unit,
        capacity_ah=capacity,
        resistance_mohm=resistance or resistance_prior(unit, capacity),
        soc_frac=soc,
        ocv_v=voltage_now(unit, soc, None if study is None else study.told.get(Quantity.REST_V), curve),
        self_discharge_frac_month=leakage or leakage_prior(unit),
        temperature_c=next(t for t in (unit.temperature_c, ambient_c, ROOM_TEMPERATURE_C) if t is not None),
        temperature_known=unit.temperature_c is not None or ambient_c is not None,
        remarks=() if study is None else study.remarks,
        resistance_25_mohm=None if at_25 is None else at_25.value,
        curve=curve,
        soc_bounds=bounds,
    )


def by_unlike_meters(states: Mapping[str, State], studies: Mapping[str, Study]) -> dict[str, State]:
    """
    Return states whose voltages carry the whole doubt of their meters, where the units were read with unlike ones.

    With one meter for all, what its readings share cancels between units; the pile file's own voltages count as read
    with the usual one.
    """
    read = {name: studies[name].told[Quantity.REST_V] for name in studies if Quantity.REST_V in studies[name].told}
    meters = {one.instrument for one in read.values()}
    meters |= {DEFAULT for name, state in states.items() if name not in read and state.unit.rest_v is not None}
    if len(meters) < 2:
        return dict(states)
    wide = {
        name: replace(state, ocv_v=Measure(state.ocv_v.value, max(state.ocv_v.sd, read[name].sd), state.ocv_v.basis))
        for name, state in states.items()
        if name in read and state.ocv_v is not None and not read[name].refused
    }
    return {**states, **wide}


def _told(study: Study | None, quantity: Quantity) -> Measure | None:
    estimate = None if study is None else study.told.get(quantity)
    return None if estimate is None or estimate.refused else estimate.measure


def _at_its_temperature(unit: Unit, at_25: Measure | None) -> Measure | None:
    """Return a resistance at the temperature of the unit's pile entry, where those without readings stand too."""
    if at_25 is None or unit.temperature_c is None:
        return at_25
    table = unit.chem.at_temperature
    return at_25 * (table("r_temp_mult", unit.temperature_c) / table("r_temp_mult", BENCH_C))


def _entered(value: float | None, sd_frac: float) -> Measure | None:
    return None if value is None else Measure(value, sd_frac * value, Basis.MEASURED)


def _least(*limits: float | None) -> float:
    return min(limit for limit in limits if limit is not None)

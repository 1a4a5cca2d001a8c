"""
What a unit is now, as far as its pile entry says; what was never measured becomes a wide prior marked ``assumed``.

Sources of the doubts: capacity 1.7 % from clamp meter and temperature, joined with 3 % repeatability; resistance 10 %
for a two-load reading with a millivolt meter (both computed from JCGM 100 budgets); priors by age are engineering
guesses, to be replaced by a measurement. The bench's estimators replace these defaults reading by reading.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from hotchpot.chemistry import Chemistry
from hotchpot.measure import Basis, Measure
from hotchpot.pile.unit import Unit

CAPACITY_SD_FRAC = math.hypot(0.017, 0.03)
RESISTANCE_SD_FRAC = 0.10
STATED_SOC_SD = 0.01
FULL_FRAC = 0.995
STATED_FULL_SD = 0.002  # full is where the charger stops, a defined point; elsewhere a counter has drifted
ROOM_TEMPERATURE_C = 20.0
DERATED_FROM_C, DERATED_TO_C = 45.0, 55.0

# fraction of rated left: (loss per year, sd, value at unknown age, sd at unknown age); engineering guesses
_AGE_PRIOR = {
    "lead": (0.05, 0.15, 0.65, 0.20),
    "lithium": (0.025, 0.10, 0.75, 0.15),
    "nickel": (0.03, 0.15, 0.70, 0.20),
}
_PRIOR_RESISTANCE_SD_FRAC = 0.30


@dataclass(frozen=True, slots=True)
class State:
    """
    What one unit is now.

    `capacity_ah` is at 25 °C and the rated rate, `resistance_mohm` the 10 s DC value of the whole unit, `ocv_v` its
    open-circuit voltage now (None when neither voltage nor charge is known), and `temperature_known` whether the
    temperature was read or planned.
    """

    unit: Unit
    capacity_ah: Measure
    resistance_mohm: Measure
    soc_frac: Measure | None
    ocv_v: Measure | None
    self_discharge_frac_month: Measure
    temperature_c: float
    temperature_known: bool

    @property
    def chem(self) -> Chemistry:
        """The values of the unit's chemistry."""
        return self.unit.chem

    @property
    def health_frac(self) -> float:
        """Capacity over rated."""
        return self.capacity_ah.value / self.unit.rated_ah

    @property
    def resistance_ratio(self) -> float:
        """Resistance over that of a good unit of the same rated size, as cold as this one was."""
        colder = self.chem.at_temperature("r_temp_mult", self.temperature_c)
        room = self.chem.at_temperature("r_temp_mult", ROOM_TEMPERATURE_C)
        typical = self.chem.typical_mohm(self.unit.cells, self.unit.rated_ah) * max(1.0, colder / room)
        return self.resistance_mohm.value / typical

    @property
    def grade(self) -> str:
        """A, B, C or reject by capacity, resistance and a look; untested where the capacity was never measured."""
        return _grade(self)

    @property
    def basis(self) -> Basis:
        """Where the capacity came from."""
        return self.capacity_ah.basis

    @property
    def curve_doubt_v(self) -> float:
        """Doubt of a voltage that was never read but taken from the chemistry's curve; zero where it was read. [V]"""
        return 0.0 if self.unit.rest_v is not None else self.unit.cells * self.chem.num("ocv_curve_sd")

    @property
    def soc_doubt_frac(self) -> float:
        """
        Doubt of the charge against that of another unit of the same chemistry.

        The curve's own doubt is common to both and cancels; the meter's, and half the gap between charge and discharge
        branches, do not: on a flat curve that is much of the charge.
        """
        if self.soc_frac is None:
            return 1.0
        if self.unit.soc_frac is not None or self.unit.rest_v is None:
            return self.soc_frac.sd
        cell_v = self.unit.rest_v / self.unit.cells
        doubt = math.hypot(self.chem.num("ocv_hysteresis") / 2, meter_sd_v(self.unit.rest_v) / self.unit.cells)
        curve = self.chem.ocv
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


def state_of(unit: Unit, *, year: int | None = None, ambient_c: float | None = None) -> State:
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
    """
    capacity = _capacity(unit, year)
    resistance = _resistance(unit, capacity)
    soc = _soc(unit)
    return State(
        unit=unit,
        capacity_ah=capacity,
        resistance_mohm=resistance,
        soc_frac=soc,
        ocv_v=_ocv(unit, soc),
        self_discharge_frac_month=_self_discharge(unit),
        temperature_c=next(t for t in (unit.temperature_c, ambient_c, ROOM_TEMPERATURE_C) if t is not None),
        temperature_known=unit.temperature_c is not None or ambient_c is not None,
    )


def made_year(unit: Unit) -> int | None:
    """Return the year in the unit's `made` column, whatever its date format."""
    found = re.search(r"(?:19|20)\d\d", unit.made or "")
    return int(found.group()) if found else None


def _capacity(unit: Unit, year: int | None) -> Measure:
    if unit.capacity_ah is not None:
        return Measure(unit.capacity_ah, CAPACITY_SD_FRAC * unit.capacity_ah, Basis.MEASURED)
    per_year, sd, unknown, unknown_sd = _AGE_PRIOR[unit.chem.kind]
    made = made_year(unit)
    if made is None or year is None:
        return Measure(unknown * unit.rated_ah, unknown_sd * unit.rated_ah, Basis.ASSUMED)
    left = max(0.1, 1.0 - per_year * max(0, year - made))
    return Measure(left * unit.rated_ah, sd * unit.rated_ah, Basis.ASSUMED)


def _resistance(unit: Unit, capacity: Measure) -> Measure:
    if unit.resistance_mohm is not None:
        return Measure(unit.resistance_mohm, RESISTANCE_SD_FRAC * unit.resistance_mohm, Basis.MEASURED)
    health = max(0.1, capacity.value / unit.rated_ah)
    value = unit.chem.typical_mohm(unit.cells, unit.rated_ah) / health**2
    return Measure(value, _PRIOR_RESISTANCE_SD_FRAC * value, Basis.ASSUMED)


def _soc(unit: Unit) -> Measure | None:
    if unit.soc_frac is not None:
        sd = STATED_FULL_SD if unit.soc_frac >= FULL_FRAC else STATED_SOC_SD
        return Measure(unit.soc_frac, sd, Basis.STATED)
    if unit.rest_v is None:
        return None
    cell_v = unit.rest_v / unit.cells
    curve, doubt = unit.chem.ocv, unit.chem.num("ocv_curve_sd")
    low, high = curve.soc_at(cell_v - doubt), curve.soc_at(cell_v + doubt)
    return Measure(curve.soc_at(cell_v), max(STATED_SOC_SD, (high - low) / 2), Basis.MEASURED)


def _ocv(unit: Unit, soc: Measure | None) -> Measure | None:
    if unit.rest_v is not None:
        return Measure(unit.rest_v, meter_sd_v(unit.rest_v), Basis.MEASURED)
    if soc is None:
        return None
    curve = unit.chem.ocv
    # The curve's own doubt is common to all units of one chemistry and cancels between them; the rules add it where
    # units of unlike chemistry meet.
    volts = unit.cells * curve.volts(soc.value)
    # Full units were all brought to one charge voltage: only the meter stands between them.
    full = soc.value >= FULL_FRAC
    sd = meter_sd_v(volts) if full else unit.cells * curve.slope(soc.value) * soc.sd
    return Measure(volts, sd, Basis.STATED)


def meter_sd_v(volts: float) -> float:
    """Return the doubt between two readings of one hand meter: two counts of 10 mV, or 0.05 %. [V]"""
    return max(0.02 / math.sqrt(12.0), 0.0005 * abs(volts))


def _self_discharge(unit: Unit) -> Measure:
    if unit.self_discharge_frac_month is not None:
        value = unit.self_discharge_frac_month
        return Measure(value, 0.2 * value, Basis.MEASURED)
    typical = unit.chem.num("self_discharge") / 100.0
    return Measure(typical, typical, Basis.ASSUMED)


def _grade(state: State) -> str:
    if state.unit.capacity_ah is None:
        return "untested"
    health, ratio = state.health_frac, state.resistance_ratio if state.unit.resistance_mohm is not None else 1.0
    if health < state.chem.num("reject_capacity_frac") or ratio > 2.0 + 1e-9 or rejected_on_sight(state.unit):
        return "reject"
    if health >= 0.90 and ratio <= 1.3:
        return "A"
    if health >= 0.80 and ratio <= 1.5:
        return "B"
    return "C"


def rejected_on_sight(unit: Unit) -> bool:
    """Tell whether a look, a touch or the rest voltage alone rejects the unit."""
    bad_flags = set(unit.flags) - {"dented", "unknown_history"}
    warm = (unit.rest_rise_k or 0.0) > 1.0
    low = unit.rest_v is not None and unit.rest_v / unit.cells < unit.chem.num("reject_rest_v")
    return bool(bad_flags) or warm or low


def _least(*limits: float | None) -> float:
    return min(limit for limit in limits if limit is not None)

"""
What a unit is to the circuit: its curve, resistance, slow pairs and side currents, from its state or by hand.

`model_of` takes a state of the bench; what the state does not know comes from the chemistry's data, and `marks` says
so for each. `UnitModel` may also be written by hand, from a cell's own tests. All values are those of the whole unit
but the curve, which is of one cell.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from hotchpot.bench.state import State
from hotchpot.chemistry import SOC_GRID, TEMPERATURE_GRID_C, Curve, Grade, interpolate
from hotchpot.errors import InputError

LEAK_HOURS_MONTH = 720.0
CHARGE_RISE = 0.5  # of lead, after Shepherd; engineering guess
LOOP_RATE = 30.0  # how fast hysteresis follows the charge, per unit of charge; engineering guess
OVERCHARGE_V = {
    "lithium": 5.0,
    "lead": 10.0,
    "nickel": 0.5,
}  # per cell and unit of charge beyond full; engineering guess
BEYOND_FULL = 0.01  # a lithium cell is at its highest allowed voltage within this beyond full; engineering guess
GAS_AT_V, GAS_AH = 2.23, 100.0  # the cell voltage and size that the data files' gas current is stated for
WATER_V = 1.48  # thermoneutral voltage of water: what leaves as gas carries this much energy
LITRES_PER_KG, COOLING_W_M2_K = 0.5, 7.0  # density near 2 kg/L and still air; engineering guesses
SHALLOW_WELL = 0.9  # wells larger than this empty with the whole; they are left out


@dataclass(frozen=True, slots=True)
class Pair:
    """A resistor and a capacitor side by side. [Ω], [s]"""

    ohm: float
    tau_s: float


@dataclass(frozen=True, slots=True)
class Wells:
    """
    The kinetic battery model's two wells: `part` of all charge is at hand, the rest follows at `rate_h`.

    `rate_h` is k' = k/(c(1 - c)), the rate at which the levels meet [1/h]. `whole` is all charge over the capacity that
    the unit gives at its rated rate.
    """

    part: float
    rate_h: float
    whole: float


@dataclass(frozen=True, slots=True)
class Gas:
    """A side current that grows e-fold by `per_v` of the unit's voltage and `per_k`: `amps` at `at_v` and 25 °C."""

    amps: float
    at_v: float
    per_v: float
    per_k: float
    kept_v: float


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitModel:
    """
    One unit as the circuit sees it.

    Parameters
    ----------
    id : str
    capacity_ah : float
        At 25 °C and the rated rate. [Ah]
    curve : Curve
        Open-circuit voltage of one cell against charge; `cells` of them in series.
    ohm : float
        Resistance to a step of current at 25 °C. [Ω]
    ohm_by_charge : sequence of (float, float)
        Charge 0..1 and factor of `ohm`, straight between; held at its ends.
    ohm_by_warmth, capacity_by_warmth : sequence of (float, float)
        Temperature [°C] and factor.
    pairs : sequence of Pair
        None, one or two.
    wells : Wells, optional
    hysteresis_v : float
        Half the gap between the charge and discharge branches. [V]
    gas : Gas, optional
    charge_rise : float
        Resistance on charge is ``ohm * (1 + charge_rise / (1.05 - charge))``.
    leak_a : float
        Self-discharge at 25 °C, twice as much each `leak_double_k`. [A]
    empty_drop_v : float
        How far the voltage falls below that of empty when charge is drawn beyond it. [V]
    overcharge_v : float
        How steeply it rises beyond full. [V per unit of charge]
    heat_j_k, cooling_w_k : float
        Heat capacity and cooling to the surroundings; 0 where the temperature is held.
    entropy_v_k : float
        Change of the open-circuit voltage with temperature. [V/K]
    oxygen : bool
        Whether charge near full goes into oxygen instead (nickel).
    soc_frac, temperature_c : float
        Where it begins.
    marks : Mapping[str, str]
        Where each value came from: a basis (measured, stated, assumed) or a grade of the chemistry's data.
    """

    id: str
    capacity_ah: float
    curve: Curve
    cells: int = 1
    ohm: float
    ohm_by_charge: Sequence[tuple[float, float]] = ()
    ohm_by_warmth: Sequence[tuple[float, float]] = ()
    capacity_by_warmth: Sequence[tuple[float, float]] = ()
    pairs: Sequence[Pair] = ()
    wells: Wells | None = None
    hysteresis_v: float = 0.0
    gas: Gas | None = None
    charge_rise: float = 0.0
    leak_a: float = 0.0
    leak_double_k: float = 10.0
    empty_drop_v: float = 5.0
    overcharge_v: float = 5.0
    heat_j_k: float = 0.0
    cooling_w_k: float = 0.0
    entropy_v_k: float = 0.0
    oxygen: bool = False
    soc_frac: float = 1.0
    temperature_c: float = 25.0
    marks: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        positive = {"capacity_ah": self.capacity_ah, "cells": self.cells, "ohm": self.ohm}
        for name, value in positive.items():
            if not (math.isfinite(value) and value > 0.0):
                raise InputError.one(f"unit {self.id} {name}", f"it is {value:g}", "give a number above nought")
        if len(self.pairs) > 2:
            raise InputError.one(f"unit {self.id} pairs", f"there are {len(self.pairs)}", "give two at most")
        if not -0.5 <= self.soc_frac <= 1.1:
            raise InputError.one(f"unit {self.id} soc_frac", f"it is {self.soc_frac:g}", "give a fraction, 0 to 1")


def own_curve(soc: Sequence[float], volts: Sequence[float], source: str = "given") -> Curve:
    """Return a curve from points of charge 0..1 and volts of one cell."""
    return Curve(tuple(map(float, soc)), tuple(map(float, volts)), source, Grade.MEASURED)


def model_of(state: State, *, soc_frac: float | None = None, temperature_c: float | None = None) -> UnitModel:
    r"""
    Return the model of a unit from its state; `soc_frac` and `temperature_c` in place of the state's own where given.

    The state's resistance is the drop ten seconds after a step. What the slow pairs have built up by then is taken off
    it, so that the model's own drop after ten seconds is the state's:

    .. math:: R_0 = R_{10} - \sum_i R_i\,(1 - e^{-10/\tau_i})

    The pairs are those of the chemistry, grown as the unit's resistance has. A unit whose charge is unknown begins
    full.
    """
    chem, unit = state.chem, state.unit
    warmth = state.temperature_c if temperature_c is None else temperature_c
    ah = state.capacity_ah.value
    worn = state.resistance_ratio * unit.cells * 1e-3 / unit.rated_ah
    pairs = tuple(Pair(worn * chem.num(r), chem.num(tau)) for r, tau in (("r1_q", "tau1"), ("r2_q", "tau2")))
    by_warmth = tuple(zip(TEMPERATURE_GRID_C, map(float, chem.row("r_temp_mult")), strict=True))
    ten_s = state.resistance_mohm.value * 1e-3 / _at(by_warmth, state.temperature_c)
    built = sum(pair.ohm * -math.expm1(-10.0 / pair.tau_s) for pair in pairs)
    known = state.soc_frac.value if state.soc_frac is not None else 1.0
    kind = chem.kind
    kg = ah * unit.cells * chem.num("nominal_v") / chem.num("wh_per_kg")
    return UnitModel(
        id=unit.id,
        capacity_ah=ah,
        curve=state.ocv_curve,
        cells=unit.cells,
        ohm=max(ten_s - built, 0.2 * ten_s),
        ohm_by_charge=tuple(zip(SOC_GRID, map(float, chem.row("r_soc_mult")), strict=True)),
        ohm_by_warmth=by_warmth,
        capacity_by_warmth=tuple(zip(TEMPERATURE_GRID_C, map(float, chem.row("capacity_t_slow")), strict=True)),
        pairs=pairs,
        wells=_wells(state),
        hysteresis_v=unit.cells * chem.get("ocv_hysteresis", 0.0) / 2,
        gas=_gas(state),
        charge_rise=CHARGE_RISE if kind == "lead" else 0.0,
        leak_a=state.self_discharge_frac_month.value * ah / LEAK_HOURS_MONTH,
        leak_double_k=chem.get("self_discharge_double_k", 10.0),
        empty_drop_v=unit.cells * (state.ocv_curve.volt[0] - chem.num("reversal_v")),
        overcharge_v=unit.cells * _overcharge_v(state),
        heat_j_k=kg * chem.get("cp", 1000.0),
        cooling_w_k=COOLING_W_M2_K * 6.0 * (kg * LITRES_PER_KG * 1e-3) ** (2 / 3),
        entropy_v_k=unit.cells * chem.get("ocv_temp_coeff", 0.0) * 1e-3,
        oxygen=kind == "nickel",
        soc_frac=known if soc_frac is None else soc_frac,
        temperature_c=warmth,
        marks=_marks(state),
    )


def at_charge(model: UnitModel, soc_frac: float) -> UnitModel:
    """Return the model beginning at another charge."""
    return replace(model, soc_frac=soc_frac)


def _at(points: Sequence[tuple[float, float]], x: float) -> float:
    return interpolate(x, [p for p, _ in points], [f for _, f in points])


def _overcharge_v(state: State) -> float:
    """Return how steeply a cell's voltage rises beyond full: lithium reaches its highest allowed one at once. [V]"""
    kind = state.chem.kind
    if kind != "lithium":
        return OVERCHARGE_V[kind]
    return max(OVERCHARGE_V[kind], (state.chem.num("charge_max_v") - state.ocv_curve.volt[-1]) / BEYOND_FULL)


def _wells(state: State) -> Wells | None:
    r"""
    Return the wells of the chemistry, sized so that the unit gives its capacity at its rated rate.

    .. math:: \frac{q(T)}{q_{max}} = \frac{k' c T}{1 - e^{-k'T} + c\,(k'T - 1 + e^{-k'T})}

    Manwell and McGowan, Solar Energy 50 (1993) 399.
    """
    chem = state.chem
    part, rate = chem.get("kibam_c", 1.0), chem.get("kibam_k", 0.0)
    if part >= SHALLOW_WELL or rate <= 0.0:
        return None
    kt = rate * state.unit.rated_hours
    settled = -math.expm1(-kt)
    return Wells(part, rate, (settled + part * (kt - settled)) / (kt * part))


def _gas(state: State) -> Gas | None:
    chem, cells = state.chem, state.unit.cells
    if "gas_i0" not in chem.values:
        return None
    amps = chem.num("gas_i0") * 1e-3 * state.capacity_ah.value / GAS_AH
    kept_v = 0.0 if chem.sealed else WATER_V * cells  # a sealed unit recombines its gas, and keeps the heat
    return Gas(amps, GAS_AT_V * cells, chem.num("gas_cu") / cells, chem.num("gas_ct"), kept_v)


def _marks(state: State) -> dict[str, str]:
    chem = state.chem
    marks = {
        "capacity_ah": str(state.capacity_ah.basis),
        "ohm": str(state.resistance_mohm.basis),
        "soc_frac": str(state.soc_frac.basis) if state.soc_frac is not None else "assumed full",
        "leak_a": str(state.self_discharge_frac_month.basis),
        "curve": str(state.ocv_curve.grade),
        "pairs": str(chem.grade("r1_q")),
        "ohm_by_charge": str(chem.grade("r_soc_mult")),
        "ohm_by_warmth": str(chem.grade("r_temp_mult")),
        "heat": str(chem.grade("cp")) if "cp" in chem.values else "guess",
        "empty": str(chem.grade("reversal_v")),
    }
    if "gas_i0" in chem.values:
        marks["gas"] = str(chem.grade("gas_cu"))
    if "kibam_k" in chem.values:
        marks["wells"] = str(chem.grade("kibam_k"))
    return marks

r"""
The numbers of a bench test for one unit: currents, resistors, times, limits and what a good one reads.

They come from the unit's label, its chemistry's file, its own limits, and the settings at the head of
``data/procedures.toml``, each with its source. Every expected reading is a typical value and no limit.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

from hotchpot.bench.grade import A_FRAC, A_RATIO
from hotchpot.bench.meter import Meter, meter
from hotchpot.bench.state import State, state_of
from hotchpot.chemistry import Chemistry
from hotchpot.pile.unit import Unit

HOURS_A_DAY = 24.0
_NEARLY_FULL = 0.97
_LEAST_V = 0.01  # under a load, whatever reads less is a lead that has come off
_MOST_C = 50.0  # beyond it a clamp shows no battery of ours but a slip of the finger
_NEW_FRAC = 1.1  # a new unit may hold a tenth more than its label says; common practice, no source


@cache
def book() -> Mapping[str, Any]:
    """Return the data file of the procedures."""
    text = resources.files("hotchpot.bench").joinpath("data", "procedures.toml").read_text("utf-8")
    return tomllib.loads(text)


def setting(name: str) -> float:
    """Return one of the data file's settings, in the file's unit."""
    return float(book()["settings"][name]["value"])


def settings(name: str) -> tuple[float, ...]:
    """Return a setting that is a list of numbers."""
    return tuple(float(value) for value in book()["settings"][name]["value"])


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """
    What a bench test of one unit needs in numbers; volts and ohms of the whole unit.

    `bands` holds, by name, the lowest and highest reading to expect of a sound unit, `ranges` what a reading can be at
    all. `doubt_frac` is the standard deviation that the voltmeter leaves on the resistance with `step_a` between loads.
    """

    cutoff_v: float
    reject_v: float
    full_v: float
    charge_v: float
    charge_a: float
    tail_a: float
    charge_c: tuple[float, float]
    rest_h: float
    settle_h: float
    run_a: float
    run_low_a: float
    run_high_a: float
    run_ohm: float
    run_w: float
    run_h: float
    run_most_h: float
    light_a: float
    heavy_a: float
    step_a: float
    doubt_frac: float
    mohm: float
    mohm_good: float
    ah_good: float
    bands: Mapping[str, tuple[float, float]]
    ranges: Mapping[str, tuple[float, float]]


def figures(unit: Unit, *, instrument: Meter | None = None) -> Figures:
    r"""
    Return the numbers of the bench tests for `unit`.

    Parameters
    ----------
    unit : Unit
        The unit to be tested; its own limits beat its chemistry's.
    instrument : Meter, optional
        What volts and amps will be read with; None takes the usual hand meter.

    Notes
    -----
    The heavy load of a two-load test is what lets the meter tell the resistance to `doubt_frac`,

    .. math:: \Delta I = \sqrt2\,u_V / (0.10\,R)

    with :math:`u_V` the standard deviation of the counts of one reading (JCGM 100:2008, 4.3.7), at least 0.2C, and
    never more than the unit may give. The light load is a fifth of it.

    Examples
    --------
    >>> from hotchpot.pile import Unit
    >>> told = figures(Unit(id="A1", chemistry="lead_agm", cells=6, rated_ah=100, rated_hours=20))
    >>> told.run_a, told.cutoff_v, told.run_ohm
    (5.0, 10.5, 2.4)
    """
    state, chem = state_of(unit), unit.chem
    nominal_v = unit.cells * chem.num("nominal_v")
    full_v = unit.cells * chem.ocv.volts(1.0)
    run_a, run_low_a, run_high_a = _run_amps(unit, state)
    light_a, heavy_a, doubt = _loads(state, instrument or meter())
    charge_low, charge_high = (float(t) for t in chem.row("charge_t"))
    absorb = chem.band("absorb_v") or (0.0, chem.num("charge_max_v"))
    mohm = chem.typical_mohm(unit.cells, unit.rated_ah)
    return Figures(
        cutoff_v=unit.cells * chem.num("discharge_min_v"),
        reject_v=unit.cells * chem.num("reject_rest_v"),
        full_v=full_v,
        charge_v=unit.cells * absorb[1],
        charge_a=state.charge_limit_a(),
        tail_a=chem.num("tail_c") * unit.rated_ah,
        charge_c=(charge_low, charge_high),
        rest_h=chem.num("rest_h_good"),
        settle_h=min(1.0, chem.num("rest_h_min")),
        run_a=run_a,
        run_low_a=run_low_a,
        run_high_a=run_high_a,
        run_ohm=nominal_v / run_a,
        run_w=full_v**2 / (nominal_v / run_a),
        run_h=min(1.0, state.health_frac) * unit.rated_ah / run_a,
        run_most_h=_NEW_FRAC * unit.rated_ah / run_a,
        light_a=light_a,
        heavy_a=heavy_a,
        step_a=heavy_a - light_a,
        doubt_frac=doubt,
        mohm=mohm,
        mohm_good=A_RATIO * mohm,
        ah_good=A_FRAC * unit.rated_ah,
        bands=_bands(unit, mohm, (light_a, heavy_a), (run_low_a, run_high_a)),
        ranges=_ranges(unit, (run_low_a, run_high_a)),
    )


def _run_amps(unit: Unit, state: State) -> tuple[float, float, float]:
    """Return the discharge current to set, and the lowest and highest that will do, within what the unit may give."""
    rated, kind = unit.rated_ah, unit.chem.kind
    if kind == "lead":
        low, fit, high = (rated / hours for hours in settings("run_lead_h"))
    else:
        low, high = (c * rated for c in settings(f"run_{kind}_c"))
        shed = setting("run_w") / (unit.cells * unit.chem.num("nominal_v"))
        fit = min(max(min(rated / unit.rated_hours, shed), low), high)
    most = state.discharge_limit_a()
    return min(fit, most), min(low, most), min(high, most)


def _loads(state: State, instrument: Meter) -> tuple[float, float, float]:
    """Return the light and heavy current of a two-load test, and the doubt that the counts leave on R."""
    counts_v = math.sqrt(2.0) * instrument.volts.own_sd()
    ohm, ratio = state.resistance_mohm.value / 1000.0, setting("load_ratio")
    needed = counts_v / (setting("doubt_frac") * ohm)
    wanted = max(needed * ratio / (ratio - 1.0), setting("heavy_c_least") * state.unit.rated_ah)
    heavy = min(wanted, state.discharge_limit_a())
    step = heavy * (ratio - 1.0) / ratio
    return heavy / ratio, heavy, counts_v / (step * ohm)


def _bands(
    unit: Unit, mohm: float, loads: tuple[float, float], run: tuple[float, float]
) -> Mapping[str, tuple[float, float]]:
    """Return what a sound unit reads: at rest, under each load, on a run, in its acid."""
    chem, n = unit.chem, unit.cells
    doubt = n * chem.num("ocv_curve_sd")
    low, high = (n * chem.ocv.volts(soc) for soc in settings("mid_soc"))
    light, heavy = ((low - doubt - 2 * amps * mohm / 1000, high + doubt) for amps in loads)
    full_v, cutoff_v = n * chem.ocv.volts(1.0), n * chem.num("discharge_min_v")
    nominal_v = n * chem.num("nominal_v")
    return {
        "rest_v": (n * chem.ocv.volts(0.0) - doubt, n * max(chem.num("charge_max_v"), chem.ocv.volts(1.0))),
        "mid_v": (low - doubt, high + doubt),
        "light_v": light,
        "heavy_v": heavy,
        "run_v": (cutoff_v, full_v + doubt),
        "run_a": run,
        "run_ohm": (nominal_v / run[1], nominal_v / run[0]),
        "gravity": _gravity_band(chem),
        "leak_ah": (0.0, _NEW_FRAC * unit.rated_ah),
        "good_c": (settings("good_c")[0], settings("good_c")[1]),
    }


def _gravity_band(chem: Chemistry) -> tuple[float, float]:
    offset, wide = setting("gravity_offset"), setting("gravity_band")
    return chem.ocv.volts(0.0) - offset - wide, chem.ocv.volts(1.0) - offset + wide


def _ranges(unit: Unit, run: tuple[float, float]) -> Mapping[str, tuple[float, float]]:
    """Return what a reading can be at all: beyond it lies a slip of the finger, not a battery."""
    most_v = unit.cells * unit.chem.num("charge_max_v") * 1.25
    nominal_v = unit.cells * unit.chem.num("nominal_v")
    most_a = max(_MOST_C * unit.rated_ah, unit.max_discharge_a or 0.0)
    return {
        "terminal_v": (-most_v, most_v),
        "loaded_v": (_LEAST_V, most_v),
        "amps": (0.0, most_a),
        "drawn_a": (run[0] / 100.0, most_a),
        "run_a": (run[0] / 20.0, most_a),
        "run_ohm": (nominal_v / most_a, 20.0 * nominal_v / run[0]),
        "ah": (0.0, 3.0 * unit.rated_ah),
        "hours": (0.0, 100_000.0),
        "stood_h": (0.0, 100_000.0),
        "days": (0.0, 4_000.0),
        "temperature_c": (settings("temperature_c")[0], settings("temperature_c")[1]),
        "rise_k": (-5.0, 60.0),
        "gravity": (settings("gravity_range")[0], settings("gravity_range")[1]),
    }


def charge_left_open(unit: Unit, *, at: float) -> float:
    """Return how far a rest voltage leaves the charge open around `at`, by the doubt of the curve. [fraction]"""
    curve, doubt = unit.chem.ocv, unit.chem.num("ocv_curve_sd")
    volts = curve.volts(at)
    return (curve.soc_at(volts + doubt) - curve.soc_at(volts - doubt)) / 2.0


def leak_ways(unit: Unit) -> tuple[str, ...]:
    """Return how self-discharge can be told: by the volts only where the curve is steep enough at the top."""
    flat = charge_left_open(unit, at=_NEARLY_FULL) > setting("flat_soc")
    return ("ah",) if flat or unit.chem.kind == "nickel" else ("volts", "ah")

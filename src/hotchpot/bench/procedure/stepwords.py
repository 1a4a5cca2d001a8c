"""The numbers of a bench test in words, as they are filled into the texts of the procedures."""

from __future__ import annotations

import math
from collections.abc import Mapping

from hotchpot.bench.procedure.bulbs import Bulbs, bulbs_for
from hotchpot.bench.procedure.figures import Figures, leak_ways, setting, settings
from hotchpot.pile.unit import Unit

_LEAK_WAYS = {
    True: "ah: its rest voltage hardly moves with the charge; only the amp-hours tell, by two capacity runs.",
    False: "volts: a meter and patience. ah: two capacity runs; more work, and surer.",
}


def words_for(unit: Unit, told: Figures) -> Mapping[str, str]:
    """Return every value that a text of the procedures may ask for, as a person reads it."""
    return {**_limits(unit, told), **_run(unit, told), **_loads(unit, told), **_acid_and_leak(unit, told)}


def _limits(unit: Unit, told: Figures) -> dict[str, str]:
    chem = unit.chem
    low_c, high_c = told.charge_c
    return {
        "cutoff": volts(told.cutoff_v),
        "reject": volts(told.reject_v),
        "too_low": f"Below zero, or below {volts(told.reject_v)}" if told.reject_v > 0 else "Below zero",
        "cell_floor": volts(chem.num("discharge_min_v")),
        "charge_v": volts(told.charge_v),
        "charge_a": amps(told.charge_a),
        "tail_a": amps(told.tail_a),
        "charge_low_c": f"{low_c:g} °C",
        "charge_high_c": f"{high_c:g} °C",
        "touch": f"{setting('touch_v'):g} V d.c.",
        "rest_h": span(told.rest_h),
        "rest_good": volts(told.full_v - unit.cells * chem.num("ocv_curve_sd")),
        "recharge": "lead that stands empty is spoilt within days."
        if chem.kind == "lead"
        else "at least a part, within a day; empty and forgotten it falls below its limit."
        if chem.kind == "lithium"
        else "at least a part if it is sealed; a vented one may stand empty, cool and dry.",
    }


def _run(unit: Unit, told: Figures) -> dict[str, str]:
    low_ohm, high_ohm = told.bands["run_ohm"]
    return {
        "run_a": amps(told.run_a),
        "run_low_a": amps(told.run_low_a),
        "run_high_a": amps(told.run_high_a),
        "run_ohm": ohms(told.run_ohm),
        "run_low_ohm": ohms(low_ohm),
        "run_high_ohm": ohms(high_ohm),
        "run_w": watts(told.run_w),
        "run_w_margin": watts(setting("margin") * told.run_w),
        "run_h": span(told.run_h),
        "run_most_h": span(told.run_most_h),
        "run_bulbs": bulbs(unit, told.run_a, lead=": "),
        "ah_good": f"{told.ah_good:.3g} Ah",
    }


def _loads(unit: Unit, told: Figures) -> dict[str, str]:
    low_v, high_v = told.bands["mid_v"]
    middle_v = (low_v + high_v) / 2
    return {
        "mid_v_low": volts(low_v),
        "mid_v_high": volts(high_v),
        "light_a": amps(told.light_a),
        "heavy_a": amps(told.heavy_a),
        "light_ohm": ohms(middle_v / told.light_a),
        "heavy_ohm": ohms(middle_v / told.heavy_a),
        "light_w": watts(middle_v * told.light_a),
        "heavy_w": watts(middle_v * told.heavy_a),
        "light_bulbs": bulbs(unit, told.light_a, lead=", "),
        "heavy_bulbs": bulbs(unit, told.heavy_a, lead=", "),
        "step_a": amps(told.step_a),
        "doubt": f"± {100 * told.doubt_frac:.0f} %",
        "drop": volts(told.step_a * told.mohm / 1000),
        "mohm_good": f"{told.mohm_good:.3g} mΩ",
        "warm_s": f"{setting('warm_s'):g} s",
    }


def _acid_and_leak(unit: Unit, told: Figures) -> dict[str, str]:
    stand_low, stand_high = settings("stand_days")
    flat = leak_ways(unit) == ("ah",)
    return {
        "gravity_full": f"{told.bands['gravity'][1] - setting('gravity_band'):.3f}",
        "gravity_spread": f"{settings('gravity_spread')[0]:.3f}",
        "cells_words": f"{unit.cells} readings" if unit.cells > 1 else "One reading",
        "leak_typical": f"{unit.chem.num('self_discharge'):g} %",
        "leak_ways_words": _LEAK_WAYS[flat],
        "stand_low": f"{stand_low:g} days",
        "stand_high": f"{stand_high:g} days",
        "drift": f"{setting('drift_mv_day') * unit.cells:g} mV",
        "double_k": f"{unit.chem.num('self_discharge_double_k'):g} K",
    }


def bulbs(unit: Unit, current_a: float, *, lead: str) -> str:
    """Return the bulbs that make up a current in words, or nothing where bulbs do not fit the unit's voltage."""
    found = bulbs_for(unit.cells * unit.chem.num("nominal_v"), current_a)
    return "" if found is None else lead + _bulb_words(found)


def _bulb_words(found: Bulbs) -> str:
    one = f"{setting('bulb_v'):g} V {found.watt:g} W"
    if found.in_series == 1:
        return f"{found.rows} bulb{'s' if found.rows > 1 else ''} of {one}" + (
            " beside one another" if found.rows > 1 else ""
        )
    rows = f"{found.rows} rows" if found.rows > 1 else "one row"
    return f"{rows} of {found.in_series} bulbs of {one} one behind another"


def volts(value: float) -> str:
    """Return a voltage as a hand meter shows it: 10 mV, or 1 mV below a volt."""
    if value == 0.0:
        return "0 V"
    return f"{value:.2f} V" if abs(value) >= 1.0 else f"{value:.3f} V"


def amps(value: float) -> str:
    """Return a current in three figures, never finer than a clamp shows."""
    return f"{value:.2f} A" if value < 1.0 else f"{_figures(value, 3)} A"


def ohms(value: float) -> str:
    """Return a resistance in two figures, in milliohm below one tenth."""
    return f"{_figures(value, 2)} Ω" if value >= 0.1 else f"{_figures(1000 * value, 2)} mΩ"


def watts(value: float) -> str:
    """Return a power in two figures, rounded up: what a part must stand."""
    step = 10.0 ** (math.floor(math.log10(value)) - 1)
    return f"{_figures(math.ceil(value / step - 1e-9) * step, 2)} W"


def span(hours: float) -> str:
    """Return a time in words: minutes below two hours, days above three."""
    if hours < 2.0:
        return f"{60 * hours:.0f} min"
    return f"{hours / 24:.3g} days" if hours > 72.0 else f"{hours:.2g} h"


def _figures(value: float, digits: int) -> str:
    decimals = max(0, digits - 1 - math.floor(math.log10(abs(value)))) if value else 0
    text = f"{value:.{decimals}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text

"""
What a unit's cells stand at: its open-circuit curve with its doubt, and charge and voltage as that curve joins them.

The curve is the unit's own where the bench measured one, else its chemistry's.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from hotchpot.bench.estimate import Estimate
from hotchpot.bench.standing.present import STATED_SD, fits
from hotchpot.chemistry import Curve
from hotchpot.measure import Basis, Measure
from hotchpot.pile.unit import Unit

if TYPE_CHECKING:
    from hotchpot.bench.standing.curve import OwnCurve

NICKEL_SOC_SD = 0.25  # by a rest voltage, at best: nickel's follows its last use; common practice, no source
FULL_FRAC = 0.995
STATED_FULL_SD = 0.002  # full is where the charger stops, a defined point; elsewhere a counter has drifted


def curve_of(unit: Unit, own: OwnCurve | None) -> tuple[Curve, float]:
    """Return a unit's curve of one cell, and what of its doubt it does not share with other units. [V per cell]"""
    return (own.curve, own.sd_v) if own is not None and own.measured else (unit.chem.ocv, 0.0)


def curve_sd_v(unit: Unit, own: OwnCurve | None, soc: float) -> float:
    """Return the whole doubt of a voltage on a unit's curve. [V per cell]"""
    of_kind = unit.chem.num("ocv_curve_sd")
    return own.sd_at(soc, otherwise=of_kind) if own is not None and own.measured else of_kind


def charge_now(
    unit: Unit, told: Measure | None, own: OwnCurve | None, bounds: tuple[float, float] | None
) -> Measure | None:
    """Return the charge: as read, as stated where no reading speaks against it, by its bounds, by the rest voltage."""
    if told is not None:
        return told
    if unit.soc_frac is not None and (bounds is None or fits(unit.soc_frac, bounds)):
        sd = STATED_FULL_SD if unit.soc_frac >= FULL_FRAC else STATED_SD
        return Measure(unit.soc_frac, sd, Basis.STATED)
    if bounds is not None:
        low, high = bounds
        return Measure((low + high) / 2.0, max(STATED_SD, (high - low) / math.sqrt(12.0)), Basis.MEASURED)
    if unit.rest_v is None:
        return None
    cell_v = unit.rest_v / unit.cells
    curve, _ = curve_of(unit, own)
    doubt = curve_sd_v(unit, own, curve.soc_at(cell_v))
    low, high = curve.soc_at(cell_v - doubt), curve.soc_at(cell_v + doubt)
    least = NICKEL_SOC_SD if unit.chem.kind == "nickel" else STATED_SD
    return Measure(curve.soc_at(cell_v), max(least, (high - low) / 2), Basis.MEASURED)


def voltage_now(unit: Unit, soc: Measure | None, read: Estimate | None, own: OwnCurve | None) -> Measure | None:
    """Return the open-circuit voltage: as read, else by the charge; None where neither is known. [V]"""
    if unit.rest_v is not None:
        # A bank is joined by differences between units: what all readings of one meter share does not count there.
        own_sd = 0.0 if read is None or read.refused else read.own_sd
        return Measure(unit.rest_v, max(own_sd, meter_sd_v(unit.rest_v)), Basis.MEASURED)
    if soc is None:
        return None
    curve, own_sd_v = curve_of(unit, own)
    # The doubt of the chemistry's curve is common to all units of that chemistry and cancels between them; the rules
    # add it where units of unlike chemistry meet. That of a unit's own curve is its own.
    volts = unit.cells * curve.volts(soc.value)
    # Full units were all brought to one charge voltage: only the meter stands between them.
    full = soc.value >= FULL_FRAC
    sd = meter_sd_v(volts) if full else unit.cells * math.hypot(curve.slope(soc.value) * soc.sd, own_sd_v)
    return Measure(volts, sd, Basis.STATED)


def meter_sd_v(volts: float) -> float:
    """Return the doubt between two readings of one hand meter: two counts of 10 mV, or 0.05 %. [V]"""
    return max(0.02 / math.sqrt(12.0), 0.0005 * abs(volts))

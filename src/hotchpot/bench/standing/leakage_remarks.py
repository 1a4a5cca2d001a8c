"""What is said of a unit that stood for weeks to see what it loses by itself."""

from __future__ import annotations

from hotchpot.bench.remark import Remark, Weight
from hotchpot.pile.unit import Unit

RULE = "project rule: docs/methods/bench-charge.md"


def drift(unit: Unit, mv_day: float, *, sure: bool, limit: float) -> Remark:
    """Return what a lithium cell says by drifting; `sure` when read past the first week, by more than the counts."""
    return Remark(
        code="drift",
        weight=Weight.DOUBTFUL,
        subject=unit.id,
        says=f"the voltage falls by {mv_day:.1f} mV a day and cell" + (" beyond the first week" if sure else ""),
        why="a lithium cell that drains itself has an inner fault, and it unbalances any string it stands in",
        do="Reject it."
        if sure
        else "Read it twice more, a week apart, after its first week of standing; reject it above 1 mV a day and cell.",
        source="engineering guess: 1 mV a day and cell beyond day 7",
        value=mv_day,
        limit=limit,
        unit="mV/d",
    )


def by_capacity(unit: Unit, code: str, mv_day: float) -> Remark:
    """Return the refusal of a leakage by voltage where the voltage hardly follows the charge."""
    return Remark(
        code=code,
        weight=Weight.REFUSED,
        subject=unit.id,
        says=f"the voltage fell by {mv_day:.2f} mV a day and cell",
        why="the voltage of this chemistry hardly follows its charge there, so the loss cannot be read off it",
        do="Draw what is left after some weeks, and hold it against the full capacity drawn the same way.",
        source=RULE,
        value=mv_day,
        unit="mV/d",
    )


def rising(unit: Unit, volts: float) -> Remark:
    """Return the refusal of a leakage where the voltage rose."""
    return Remark(
        code="voltage-rose",
        weight=Weight.REFUSED,
        subject=unit.id,
        says=f"the voltage rose by {volts:.2f} V",
        why="a unit does not charge itself: it was not rested at first, it was charged, or it got warmer",
        do="Charge it full, let it rest for a day, read it, and read it again after two weeks or more.",
        source="physics",
        value=volts,
        limit=0.0,
        unit="V",
    )


def gained(unit: Unit, full_ah: float, left_ah: float) -> Remark:
    """Return the refusal of a leakage where more was left than was there."""
    return Remark(
        code="capacity-rose",
        weight=Weight.REFUSED,
        subject=unit.id,
        says=f"{left_ah:.1f} Ah after standing, {full_ah:.1f} Ah when full",
        why="a unit does not charge itself: the first run was not from full, or the runs were not alike",
        do="Charge it full and run it down; charge it full, let it stand, and run it down the same way.",
        source="physics",
        value=left_ah - full_ah,
        limit=0.0,
        unit="Ah",
    )


def few_days(unit: Unit, days: float, least: float) -> Remark:
    """Return the doubt of a short stand."""
    return Remark(
        code="too-few-days",
        weight=Weight.DOUBTFUL,
        subject=unit.id,
        says=f"it stood for {days:.3g} days, less than {least:g}",
        why="the loss is hardly larger than the doubt, and the first days still settle",
        do="Let it stand for two to four weeks.",
        source="common practice, no source",
        value=days,
        limit=least,
        unit="d",
    )


def no_temperature(unit: Unit, assumed_c: float, limit_k: float) -> Remark:
    """Return the doubt of a stand at an unknown temperature."""
    return Remark(
        code="temperature-unread",
        weight=Weight.DOUBTFUL,
        subject=unit.id,
        says=f"the temperature while it stood was not noted; {assumed_c:g} °C ± {limit_k:g} K is taken",
        why="leakage doubles with every ten kelvin or so",
        do="Note the mean temperature where it stands.",
        source=unit.chem.cite("self_discharge_double_k"),
    )


def surface(unit: Unit, cell_v: float, full_v: float) -> Remark:
    """Return the doubt of a stand that began with surface charge."""
    return Remark(
        code="surface-charge",
        weight=Weight.DOUBTFUL,
        subject=unit.id,
        says=f"the first reading is {cell_v:.3f} V a cell, above the {full_v:.3f} V of a full rested one",
        why="surface charge that falls off counts as leakage: the true one is less, or the acid is strong",
        do="Let it rest for a day after charging before the first reading.",
        source=unit.chem.cite("rest_h_good"),
        value=cell_v,
        limit=full_v,
        unit="V/cell",
    )

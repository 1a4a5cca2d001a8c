"""What is said of a rest voltage that tells no charge, or one in doubt."""

from __future__ import annotations

from hotchpot.bench.remark import Remark, Weight
from hotchpot.chemistry import Curve
from hotchpot.pile.unit import Unit

RULE = "project rule: docs/methods/bench-charge.md"


def impossible(unit: Unit, volts: float, sd_v: float) -> Remark | None:
    """
    Return why a voltage cannot tell the charge of a rested, whole unit of this kind; None where it can.

    A limit counts as passed where the reading passes it by more than two of its own standard deviations. [V]
    """
    chem, cell_v = unit.chem, volts / unit.cells
    lowest, highest, blur = chem.num("reject_rest_v"), chem.num("charge_max_v"), 2.0 * sd_v / unit.cells
    if volts < 0 and cell_v < -blur:
        says = f"the rest voltage is {volts:.2f} V"
        why = "below zero the leads are crossed, or the unit itself is reversed"
        do = "Read again with red on plus; if it stays below zero, set the unit apart, and do not charge or join it."
        return _refusal(unit, "reversed", says, why, do=do, source="physics", value=cell_v, limit=0.0)
    if cell_v < lowest - blur or volts <= 0:
        says = f"{cell_v:.2f} V a cell at rest, below {lowest:g} V"
        why = "no sound cell of this chemistry rests so low, however empty: one is dead, shorted or over-discharged"
        do = "Set it apart; do not charge it unattended, and do not join it."
        source = chem.cite("reject_rest_v")
        return _refusal(unit, "dead-cell", says, why, do=do, source=source, value=cell_v, limit=lowest)
    if cell_v > highest + blur:
        says = f"{cell_v:.2f} V a cell at rest, above the highest charge voltage of {highest:g} V"
        why = "no unit of this chemistry rests so high: a charger is on, or cells or chemistry are misnoted"
        do = "Take every charger off, check cells and chemistry on the label, let it rest and read again."
        source = chem.cite("charge_max_v")
        return _refusal(unit, "voltage-impossible", says, why, do=do, source=source, value=cell_v, limit=highest)
    if chem.kind == "nickel":
        says = f"{cell_v:.3f} V a cell at rest"
        why = "the rest voltage of nickel cells follows their last use more than their charge: ± 25 % at best"
        do = "Charge it to full as its maker says, and count the amp-hours from there."
        source = chem.cite("ocv_hysteresis")
        return _refusal(unit, "nickel-voltage", says, why, do=do, source=source, value=cell_v, limit=None)
    return None


def plateau(unit: Unit, volts: float, low: float, high: float, *, own_curve: bool, limit: float) -> Remark:
    """Return the refusal of a charge where the curve is too flat for what is known of it."""
    better = "" if own_curve else " One slow run from full to empty gives its own curve, which tells more."
    return _refusal(
        unit,
        "voltage-plateau",
        f"{volts:.2f} V at rest fits any charge from {low:.0%} to {high:.0%}",
        "the curve is too flat there for what is known of it, so the voltage does not tell the charge",
        do="Charge it to full and count the amp-hours from there; the voltage tells the charge again in the knees of "
        "the curve, near empty (for lithium iron below about 10 %) and at full." + better,
        source=RULE,
        value=high - low,
        limit=limit,
        measured_in="1",
    )


def too_doubtful(unit: Unit, volts: float, low: float, high: float, *, sd_v: float, limit: float) -> Remark:
    """Return the refusal of a charge where the reading is less sure than the curve."""
    return _refusal(
        unit,
        "reading-too-doubtful",
        f"{volts:.2f} V ± {1000 * sd_v:.0f} mV a cell fits any charge from {low:.0%} to {high:.0%}",
        "the reading is less sure than the curve: a coarse meter, or the voltage was still moving",
        do="Let it rest longer, and read again with a meter that shows millivolts.",
        source=RULE,
        value=high - low,
        limit=limit,
        measured_in="1",
    )


def notices(unit: Unit, curve: Curve, cell_v: float, reach_v: float) -> tuple[Remark, ...]:
    """Return doubts of a charge that is given all the same."""
    chem, bottom, top = unit.chem, curve.volt[0], curve.volt[-1]
    if chem.kind == "lead" and cell_v > top + reach_v:
        says = f"{cell_v:.3f} V a cell, above the {top:.3f} V of a full rested one"
        why = "surface charge is still on the plates, or the acid is stronger than the label's: it need not be full"
        do = "Draw a twentieth of its capacity in amps for 5 min, let it rest for an hour and read again."
        return (_doubt(unit, "surface-charge", says, why, do=do, cited="rest_h_good", value=cell_v, limit=top),)
    if chem.kind == "lead" and unit.cells > 1 and cell_v < chem.num("live_cells_v"):
        limit = chem.num("live_cells_v")
        says = f"{cell_v:.3f} V a cell, below {limit:g} V"
        why = "an empty unit and one with a dead cell read alike"
        do = "Charge it slowly while you watch it, let it rest and read again: with a dead cell it stays low."
        return (_doubt(unit, "empty-or-dead-cell", says, why, do=do, cited="live_cells_v", value=cell_v, limit=limit),)
    if cell_v < bottom - reach_v:
        says = f"{cell_v:.3f} V a cell, below the {bottom:.3f} V of an empty one"
        do = "Charge it soon, slowly and watched; test capacity and self-discharge before any use."
        why = "it was discharged below empty"
        return (_doubt(unit, "below-empty", says, why, do=do, cited="reject_rest_v", value=cell_v, limit=bottom),)
    return ()


def _refusal(
    unit: Unit,
    code: str,
    says: str,
    why: str,
    *,
    do: str,
    source: str,
    value: float,
    limit: float | None,
    measured_in: str = "V/cell",
) -> Remark:
    return Remark(
        code=code,
        weight=Weight.REFUSED,
        subject=unit.id,
        says=says,
        why=why,
        do=do,
        source=source,
        value=value,
        limit=limit,
        unit=measured_in,
    )


def _doubt(unit: Unit, code: str, says: str, why: str, *, do: str, cited: str, value: float, limit: float) -> Remark:
    return Remark(
        code=code,
        weight=Weight.DOUBTFUL,
        subject=unit.id,
        says=says,
        why=why,
        do=do,
        source=unit.chem.cite(cited),
        value=value,
        limit=limit,
        unit="V/cell",
    )

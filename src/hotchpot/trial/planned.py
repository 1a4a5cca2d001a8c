"""What a plan says of running a bank: cut-offs, the charger and its stages, the temperature around it."""

from __future__ import annotations

import math
from dataclasses import replace

from hotchpot.bank.bank import Bank, Node, sum_over_cells
from hotchpot.bank.plan import Plan
from hotchpot.circuit.drive import ChargePlan

ABSORB_H = 8.0  # where the plan states no time; common practice, no source
AGAIN_SOC = 0.9  # the rest voltage of this charge starts a new charge; engineering guess


def lowest_v(bank: Bank, plan: Plan) -> float:
    """Return the voltage at which the bank is cut off: the plan's, nought for none, else the sum over its cells. [V]"""
    stated = plan.protection.disconnect_v
    return sum_over_cells(bank.root, "discharge_min_v") if stated is None else stated


def until(low_v: float) -> str:
    """Return up to what a load goes on, in words."""
    return f"until {low_v:.4g} V" if low_v > 0.0 else "with no cut-off"


def unit_cut_offs(bank: Bank, plan: Plan) -> dict[str, float]:
    """Return volts per cell of the units that the plan's cell-level protection watches, but those with their own."""
    if not plan.protection.bms:
        return {}
    return {
        state.unit.id: state.chem.num("discharge_min_v")
        for state in bank.units
        if state.chem.kind == "lithium" and not state.unit.bms
    }


def charger_a(bank: Bank, plan: Plan) -> float:
    """Return the plan's charge current; nought where it states none. [A]"""
    charger = plan.charger
    if charger.amps is None and charger.charge_frac_per_hour is not None:
        return charger.charge_frac_per_hour * bank.root.capacity_ah.value
    return charger.amps or 0.0


def charge_plan(bank: Bank, plan: Plan) -> ChargePlan:
    """Return what the plan's charger does, the chemistry's middle where the plan is silent; it ends without a float."""
    charger, root = plan.charger, bank.root
    stated = charger.volts
    if stated is None and charger.volts_per_cell is not None:
        stated = charger.volts_per_cell * root.cells
    steepest = max((state.chem.num("temp_comp") for state in bank.units), key=abs)
    return ChargePlan(
        absorb_v=_middle_v(root, "absorb_v") if stated is None else stated,
        tail_a=min(state.chem.num("tail_c") for state in bank.units) * root.capacity_ah.value,
        absorb_hours=charger.hours or ABSORB_H,
        per_k=root.cells * steepest * 1e-3 if charger.compensated else 0.0,
    )


def daily_plan(bank: Bank, plan: Plan) -> ChargePlan:
    """Return what the charger does from day to day; a chemistry without a float is held at its charge voltage."""
    ceiling = charge_plan(bank, plan)
    if any(state.chem.band("float_v") is None for state in bank.units):
        return replace(ceiling, tail_a=0.0, absorb_hours=math.inf)
    float_v = min(_middle_v(bank.root, "float_v"), ceiling.absorb_v)
    return replace(ceiling, float_v=float_v, again_v=min(rest_v(bank.root, AGAIN_SOC), 0.99 * float_v))


def held_at(bank: Bank, charge: ChargePlan) -> str:
    """Return what the charger does from day to day once it is done, as a sentence; nothing where it never floats."""
    if charge.float_v is None or charge.again_v is None:
        return ""
    soc = _soc_at(bank.root, charge.float_v)
    rests = f", where the bank rests at {100.0 * soc:.0f} %: what is above that is drawn first" if soc < 0.99 else ""
    return f" Once charged it is held at {charge.float_v:.4g} V{rests}; below {charge.again_v:.4g} V it charges again."


def _soc_at(node: Node, volts: float) -> float:
    """Return the charge at which a block rests at a voltage, 0 to 1."""
    low, high = 0.0, 1.0
    for _ in range(30):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if rest_v(node, middle) < volts else (low, middle)
    return 0.5 * (low + high)


def _middle_v(node: Node, name: str) -> float:
    """Return the middle of a chemistry's band of volts per cell over a block; of branches the lowest. [V]"""
    if not node.children:
        chem, cells = node.states[0].chem, node.states[0].unit.cells
        low, high = chem.band(name) or (chem.num("charge_max_v"),) * 2
        return cells * (low + high) / 2.0
    parts = [_middle_v(child, name) for child in node.children]
    return sum(parts) if node.is_series else min(parts)


def rest_v(node: Node, soc: float) -> float:
    """Return the rest voltage of a block at a charge. [V]"""
    if not node.children:
        return node.states[0].unit.cells * node.states[0].ocv_curve.volts(soc)
    parts = [rest_v(child, soc) for child in node.children]
    return sum(parts) if node.is_series else min(parts)


def ambient_c(bank: Bank, plan: Plan) -> float:
    """Return the temperature around the bank: the plan's, else the mean of its units'. [°C]"""
    if plan.duty.ambient_c is not None:
        return plan.duty.ambient_c
    return sum(state.temperature_c for state in bank.units) / len(bank.units)

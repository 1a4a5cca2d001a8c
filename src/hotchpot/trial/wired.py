"""
A bank and its plan as a circuit: units from their states, leads, fuses and electronics from the plan, and its faults.

A lost branch keeps its place, so that rails stay as long as they are: its units' leads are open from the start. A
shorted cell is one cell less of voltage, charge window and slow pairs; the path through it keeps a tenth of a cell's
resistance (engineering guess). A unit of one cell that has shorted is a bare resistor. A dead unit has a hundred times
its resistance.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import replace

from hotchpot.bank.bank import Bank, Node
from hotchpot.bank.plan import Plan, Wiring
from hotchpot.bank.rules.wiring import COPPER_WORKING_C, STRANDING
from hotchpot.bench.state import State
from hotchpot.chemistry import Grade
from hotchpot.circuit.layout import MESH_OPEN_OHM, OPEN_OHM
from hotchpot.circuit.model import Gas, Pair, UnitModel, model_of
from hotchpot.circuit.net import Leads
from hotchpot.circuit.run import Circuit, Electronics, Fuse
from hotchpot.electrics.conductors import cable_resistance_ohm, copper_factor, iec_60228_ohm_per_km
from hotchpot.errors import Fault, InputError, nearest
from hotchpot.trial.scenario import Scenario

SHORT_CELL_FRAC = 0.1  # of a cell's own resistance stays in the path through a short; engineering guess
DEAD_TIMES = 100.0


def circuit_of(bank: Bank, plan: Plan, scenario: Scenario) -> Circuit:
    """
    Return the circuit of a bank as a plan wires and protects it, with a scenario's charges and faults.

    Parameters
    ----------
    bank : Bank
    plan : Plan
        Its wiring and protection are used; a link that it does not state is the bank's own.
    scenario : Scenario
        A scenario with `fine` set is a joining: units begin at the voltages that were read, taps are off, and lead
        takes charge at its plain resistance: what charging adds builds up over minutes, and must not hide the surge.

    Raises
    ------
    InputError
        If the scenario names units that the bank has not, cuts out every branch, or a tap's unit is unknown.
    """
    _hold(bank, scenario)
    models = [_model(state, scenario) for state in bank.units]
    circuit = Circuit(
        bank.arrangement,
        models,
        leads_of(bank, plan, taps=not scenario.fine, lost=scenario.lost),
        fuses=fuses_of(bank, plan),
        electronics=electronics_of(bank, models),
    )
    for name in scenario.lost:
        circuit.net.tree.lead[circuit.net.ids.index(name)] = MESH_OPEN_OHM if circuit.net.is_mesh else OPEN_OHM
    return circuit


def leads_of(bank: Bank, plan: Plan, *, taps: bool = True, lost: Collection[str] = ()) -> Leads:
    """
    Return the links of a bank as the plan states them, else the bank's own link and ideal bars.

    The cable runs out and back, at 40 °C. A tap counts with its mean current over the day; one in a string that is
    `lost` hangs on nothing and is left out.
    """
    wiring = plan.wiring
    link_ohm = bank.link_ohm if wiring.link_mohm is None else wiring.link_mohm * 1e-3
    return Leads(
        link_ohm=link_ohm,
        joint_ohm=(wiring.joint_mohm or 0.0) * 1e-3,
        main_ohm=cable_ohm(wiring),
        takeoff=wiring.takeoff or "busbar",
        tied=bool(wiring.midpoints_tied) and any(_has_midpoints(node) for node in bank.parallels),
        taps=tuple(tap for tap in taps_of(wiring) if not hangs_on_lost(bank.root, tap[0], lost)) if taps else (),
    )


def _has_midpoints(node: Node) -> bool:
    return all(child.is_series for child in node.children)


def taps_of(wiring: Wiring) -> Iterator[tuple[str, float]]:
    """Yield the units whose plus is tapped, each with the tap's mean current over the day. [A]"""
    for tap in wiring.taps:
        if tap.below is not None and tap.amps:
            yield tap.below, tap.amps * (24.0 if tap.hours_per_day is None else tap.hours_per_day) / 24.0


def hangs_on_lost(root: Node, unit: str, lost: Collection[str]) -> bool:
    """Return whether any block that a unit is in carries nothing, once these units are cut out."""
    return any(unit in node.ids and is_out(node, lost) for node in root.walk()) if lost else False


def dropped_taps(bank: Bank, plan: Plan, lost: Collection[str]) -> tuple[str, ...]:
    """Return the units whose taps are left out, as what they hang on is cut out."""
    named = dict.fromkeys(name for name, _ in taps_of(plan.wiring))
    return tuple(name for name in named if hangs_on_lost(bank.root, name, lost))


def cable_ohm(wiring: Wiring) -> float:
    """
    Return the resistance of the cable to the load and back, at 40 °C; nought where the plan states none. [Ω]

    IEC 60228 class 5, its largest value; a size between the standard's counts as solid copper and 13 % more.

    Examples
    --------
    2 m of 35 mm², 0.554 Ω/km at 20 °C:

    >>> round(1000 * cable_ohm(Wiring(cable_mm2=35, run_m=2)), 2)
    2.39
    """
    if not wiring.cable_mm2 or not wiring.run_m:
        return 0.0
    try:
        r20_ohm = iec_60228_ohm_per_km(wiring.cable_mm2) * 1e-3 * wiring.run_m
    except InputError:
        r20_ohm = STRANDING * cable_resistance_ohm(wiring.cable_mm2, wiring.run_m)
    return 2.0 * r20_ohm * copper_factor(COPPER_WORKING_C)


def fuses_of(bank: Bank, plan: Plan) -> list[Fuse]:
    """Return the plan's fuses: one in every branch of each outermost parallel group, and the main fuse."""
    fuses = []
    if plan.protection.unit_fuse_a:
        for node in outermost(bank.root):
            fuses += [Fuse(amps=plan.protection.unit_fuse_a, below=child.ids) for child in node.children]
    if plan.protection.main_fuse_a:
        fuses.append(Fuse(amps=plan.protection.main_fuse_a))
    return fuses


def outermost(root: Node) -> Iterator[Node]:
    """Yield the parallel nodes that lie in no other."""
    waiting = [root]
    while waiting:
        node = waiting.pop()
        if node.is_parallel:
            yield node
        else:
            waiting.extend(reversed(node.children))


def electronics_of(bank: Bank, models: Sequence[UnitModel] = ()) -> dict[str, Electronics]:
    """Return the protection that units have of their own: it opens at the voltages of their live cells' chemistry."""
    live = {model.id: model.cells for model in models}
    found = {}
    for state in bank.units:
        unit, chem = state.unit, state.chem
        if not unit.bms:
            continue
        cells = live.get(unit.id, unit.cells)
        lowest_v = max(chem.num("discharge_min_v"), chem.num("abs_min_v"))
        found[unit.id] = Electronics(
            low_v=cells * lowest_v,
            high_v=cells * chem.num("charge_max_v"),
            most_a=unit.bms_max_a or float("inf"),
            bears_v=unit.bms_max_v,
        )
    return found


def _model(state: State, scenario: Scenario) -> UnitModel:
    name = state.unit.id
    model = model_of(state, soc_frac=scenario.soc_frac.get(name))
    if name in scenario.soc_frac:
        model = replace(model, marks={**model.marks, "soc_frac": "scenario"})
    elif scenario.fine:
        model = _as_read(model, state)
    if scenario.fine:
        model = replace(model, charge_rise=0.0)
    if name in scenario.shorted:
        model = shorted(model)
    if name in scenario.dead:
        model = replace(model, ohm=DEAD_TIMES * model.ohm, marks={**model.marks, "ohm": "scenario: dead"})
    return model


def _as_read(model: UnitModel, state: State) -> UnitModel:
    """Return the model with its curve moved so that it begins at the voltage that was read, also beyond its ends."""
    if state.ocv_v is None:
        return model
    at_rest_v = model.curve.volts(model.soc_frac) + model.entropy_v_k * (model.temperature_c - 25.0) / model.cells
    shift = state.ocv_v.value / model.cells - at_rest_v
    if abs(shift) < 1e-9:
        return model
    curve = replace(model.curve, volt=tuple(volts + shift for volts in model.curve.volt))
    return replace(model, curve=curve)


def shorted(model: UnitModel) -> UnitModel:
    """
    Return a unit of which one cell has shorted: the module says how.

    Examples
    --------
    >>> from hotchpot.circuit.model import own_curve
    >>> whole = UnitModel(id="A", capacity_ah=100, curve=own_curve([0, 1], [1.95, 2.1]), cells=6, ohm=0.012)
    >>> short = shorted(whole)
    >>> short.cells, round(1000 * short.ohm, 2)
    (5, 10.2)
    """
    marks = {**model.marks, "cells": "scenario: one cell shorted"}
    if model.cells == 1:
        flat = replace(model.curve, volt=(0.0,) * len(model.curve.volt), grade=Grade.GUESS)
        return replace(
            model, curve=flat, ohm=SHORT_CELL_FRAC * model.ohm, pairs=(), wells=None, hysteresis_v=0.0, gas=None,
            charge_rise=0.0, leak_a=0.0, empty_drop_v=0.0, overcharge_v=0.0, entropy_v_k=0.0, oxygen=False, marks=marks,
        )  # fmt: skip
    left = (model.cells - 1) / model.cells
    return replace(
        model,
        cells=model.cells - 1,
        ohm=model.ohm * (left + SHORT_CELL_FRAC / model.cells),
        pairs=tuple(Pair(left * pair.ohm, pair.tau_s) for pair in model.pairs),
        hysteresis_v=left * model.hysteresis_v,
        gas=None if model.gas is None else _gas(model.gas, left),
        empty_drop_v=left * model.empty_drop_v,
        overcharge_v=left * model.overcharge_v,
        entropy_v_k=left * model.entropy_v_k,
        marks=marks,
    )


def _gas(gas: Gas, left: float) -> Gas:
    return replace(gas, at_v=left * gas.at_v, per_v=gas.per_v / left, kept_v=left * gas.kept_v)


def is_out(node: Node, lost: Collection[str]) -> bool:
    """Return whether a block carries nothing once these units are cut out of it."""
    if not node.children:
        return node.ids[0] in lost
    parts = (is_out(child, lost) for child in node.children)
    return all(parts) if node.is_parallel else any(parts)


def cut_out(root: Node, lost: Collection[str]) -> frozenset[str]:
    """Return the units of all blocks that carry nothing once these units are cut out."""
    found: set[str] = set()
    waiting = [root] if lost else []
    while waiting:
        node = waiting.pop()
        if is_out(node, lost):
            found.update(node.ids)
        else:
            waiting.extend(node.children)
    return frozenset(found)


def _hold(bank: Bank, scenario: Scenario) -> None:
    """Refuse a scenario that names other units than the bank's, or leaves nothing of it."""
    known = bank.root.ids
    named: Mapping[str, tuple[str, ...]] = {
        "scenario soc_frac": tuple(scenario.soc_frac),
        "scenario unit_low_v": tuple(scenario.stop.unit_low_v),
        "scenario lost": scenario.lost,
        "scenario shorted": scenario.shorted,
        "scenario dead": scenario.dead,
    }
    faults = [
        Fault(where, f"the bank has no unit {name!r}", nearest(name, known))
        for where, names in named.items()
        for name in names
        if name not in known
    ]
    if faults:
        raise InputError(faults)
    if is_out(bank.root, scenario.lost):
        raise InputError.one("scenario lost", "no branch of the bank is left", "leave one from pole to pole")

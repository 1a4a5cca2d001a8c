"""From stillness to work: pre-charge, first load, first charge, trips, and the readings to keep."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from hotchpot.bank.bank import Bank, Node
from hotchpot.bank.rules.protection import HARMLESS_INRUSH_J
from hotchpot.bank.rules.registry import Case, sum_over_cells
from hotchpot.bank.rules.wiring import JOINT_MV
from hotchpot.bank.surge import unit_currents
from hotchpot.bench.state import State
from hotchpot.build.charge import absorb_cell_v
from hotchpot.build.step import Step, amps, between, gathered, names, step, volts
from hotchpot.electrics.fault import precharge

FIRST_LOAD_C, FIRST_LOAD_MIN = 0.1, 10.0
SHARE_TOLERANCE = 0.20
PRECHARGE_OHM, PRECHARGED_FRAC = 47.0, 0.95
UNIT_SPREAD_FRAC = 0.02  # of a unit's volts at absorb; midpoint alarms of battery monitors, common practice
CELL_SPREAD_V = 0.15  # lithium at full; common practice, no source
HOT_LEAD_C, HOT_LITHIUM_C = 50.0, 45.0
MOST_SHARES = 8


def branch_amps(node: Node, parts: Mapping[str, float]) -> float:
    """Return a block's current from those of its units: one path through a string, all branches of a group. [A]"""
    while node.is_series:
        node = node.children[0]
    if not node.children:
        return abs(parts[node.ids[0]])
    return sum(branch_amps(child, parts) for child in node.children)


def precharged(case: Case, rest_v: float) -> Iterator[Step]:
    """Yield the pre-charge of an inverter's capacitors, where a bare closing would weld contacts."""
    capacitance, bank = case.plan.protection.inverter_capacitance_mf, case.bank
    if not capacitance or bank is None:
        return
    bare = precharge(bank.root.resistance_ohm.value, capacitance * 1e-3, rest_v)
    if bare.energy_j < HARMLESS_INRUSH_J:
        return
    ohm = case.plan.protection.precharge_ohm or PRECHARGE_OHM
    filled = precharge(ohm, capacitance * 1e-3, rest_v)
    target = PRECHARGED_FRAC * rest_v
    yield step(
        "Pre-charge the inverter",
        f"Hold the pre-charge contact ({ohm:g} Ω, {filled.peak_w:.0f} W at first) for {max(filled.time_s, 1.0):.3g} s or "
        "more, reading the volts at the inverter; then close the isolator.",
        units=bank.root.ids,
        reads=f"{volts(target)} or more, rising to {volts(rest_v)}",
        expect=rest_v,
        tolerance=rest_v - target,
        unit="V",
        stop_if=f"it stays below {volts(target)} after {max(5 * filled.time_s, 5.0):.3g} s: something draws current; open.",
        why=f"Closed bare, the capacitors draw {bare.peak_a:.0f} A at first and weld the contact.",
        minutes=filled.time_s / 60.0,
    )


def first_load(case: Case) -> Iterator[Step]:
    """Yield the first load and what each branch should carry of it."""
    assert case.bank is not None
    bank = case.bank
    root = bank.root
    load = FIRST_LOAD_C * root.capacity_ah.value
    load = min([load, *(_most_a(bank, state, load) for state in root.states)])
    yield step(
        "First load",
        f"Draw {amps(load)} from the bank for {FIRST_LOAD_MIN:g} min.",
        units=root.ids,
        reads=f"{amps(load)} on the clamp at the main lead",
        expect=load,
        tolerance=0.1 * load,
        unit="A",
        stop_if=f"the bank falls below {volts(sum_over_cells(root, 'lvd_v'))}, or a unit warms or hisses.",
        why="A tenth of the capacity an hour shows bad joints and shares, and harms nothing.",
        minutes=FIRST_LOAD_MIN,
    )
    yield from _shares(case, bank, load)
    yield step(
        "Read the joints",
        "With the load on, read across every joint, lug to post, and feel it.",
        units=root.ids,
        reads=f"less than {JOINT_MV:g} mV, no warmer than the lead",
        expect=0.0,
        tolerance=JOINT_MV,
        unit="mV",
        stop_if=f"a joint shows more than {JOINT_MV:g} mV or warms: load off, clean it, set its torque, read again.",
        why="A bad joint heats, loosens and starts fires.",
    )


def _most_a(bank: Bank, state: State, load_a: float) -> float:
    """The bank current at which this unit is at its lasting limit, by first shares."""
    return load_a * state.discharge_limit_a() / max(_first_shares(bank, load_a)[state.unit.id], 1e-9)


_SHARES: dict[str, float] = {}


def _first_shares(bank: Bank, load_a: float) -> dict[str, float]:
    return unit_currents(bank.root, load_a, bank.branch_ohm)

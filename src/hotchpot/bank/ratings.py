"""What a bank is good for, and which units set each of its limits."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from hotchpot.bank.bank import Bank, Node
from hotchpot.bank.surge import unit_currents
from hotchpot.bench.state import State
from hotchpot.measure import Measure


@dataclass(frozen=True, slots=True, kw_only=True)
class Ratings:
    """
    A bank's ratings at 25 °C and the rated rate.

    `limits` names, for each rating, the units that set it; `limiting_units` are those that set the usable capacity in
    series, or the current in a bank that is parallel only.
    """

    nominal_v: float
    cells: int
    capacity_ah: Measure
    energy_wh: Measure
    resistance_mohm: Measure
    charge_v_max: float
    discharge_v_min: float
    charge_a_max: float
    discharge_a_max: float
    limits: Mapping[str, tuple[str, ...]]

    @property
    def limiting_units(self) -> tuple[str, ...]:
        """The units to replace first for a better bank."""
        return self.limits["capacity_ah"] or self.limits["discharge_a_max"]


def rate(bank: Bank) -> Ratings:
    """Return the ratings of a bank."""
    root = bank.root
    charge_v, charge_v_ids = _volts(root, "charge_max_v", min)
    discharge_v, discharge_v_ids = _volts(root, "discharge_min_v", max)
    shares = _worst_shares(bank)
    charge_a, charge_a_ids = _amps(bank, shares, State.charge_limit_a)
    discharge_a, discharge_a_ids = _amps(bank, shares, State.discharge_limit_a)
    return Ratings(
        nominal_v=root.nominal_v,
        cells=root.cells,
        capacity_ah=root.capacity_ah,
        energy_wh=root.capacity_ah * root.nominal_v,
        resistance_mohm=root.resistance_ohm * 1e3,
        charge_v_max=charge_v,
        discharge_v_min=discharge_v,
        charge_a_max=charge_a,
        discharge_a_max=discharge_a,
        limits={
            "capacity_ah": _weakest(root),
            "charge_v_max": charge_v_ids,
            "discharge_v_min": discharge_v_ids,
            "charge_a_max": charge_a_ids,
            "discharge_a_max": discharge_a_ids,
        },
    )


def capacity_shares(bank: Bank) -> dict[str, float]:
    """Return the part of the bank's current that each unit carries when parallel branches share by capacity."""
    result: dict[str, float] = {}
    stack = [(bank.root, 1.0)]
    while stack:
        node, part = stack.pop()
        if not node.children:
            result[node.ids[0]] = part
        for child in node.children:
            own = child.capacity_ah.value / node.capacity_ah.value if node.is_parallel else 1.0
            stack.append((child, part * own))
    return result


def _worst_shares(bank: Bank) -> dict[str, float]:
    early, late = unit_currents(bank.root, 1.0, bank.branch_ohm), capacity_shares(bank)
    return {name: max(early[name], late[name]) for name in early}


def _amps(bank: Bank, shares: dict[str, float], limit: Callable[[State], float]) -> tuple[float, tuple[str, ...]]:
    rows = [(limit(state) / shares[state.unit.id], state.unit.id) for state in bank.units]
    least = min(rows)[0]
    return least, tuple(name for amps, name in rows if amps <= least * (1 + 1e-9))


def _volts(node: Node, name: str, pick: Callable[[list[float]], float]) -> tuple[float, tuple[str, ...]]:
    """Sum a per-cell limit along strings; among branches the tightest one holds for all."""
    if not node.children:
        return node.states[0].unit.cells * node.states[0].chem.num(name), node.ids
    parts = [_volts(child, name, pick) for child in node.children]
    if node.is_series:
        return sum(v for v, _ in parts), tuple(i for _, ids in parts for i in ids)
    tightest = pick([v for v, _ in parts])
    return tightest, tuple(i for v, ids in parts if abs(v - tightest) < 1e-9 for i in ids)


def _weakest(node: Node) -> tuple[str, ...]:
    """The units of the weakest member of every string that limits; empty where nothing is in series."""
    if node.is_series:
        least = min(child.capacity_ah.value for child in node.children)
        weak = [child for child in node.children if child.capacity_ah.value <= least * (1 + 1e-9)]
        return tuple(name for child in weak for name in (_weakest(child) or child.ids))
    return tuple(name for child in node.children for name in _weakest(child))

"""
An independent referee for the bank's own algebra: netlist, nodal solve and scipy's stiff integrator.

Nothing here is taken from the code under test but the chemistry tables and the tree of an arrangement: no
series-parallel reduction, no charge curves, no implicit step. Every parallel branch gets its links as a resistor.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from hotchpot.bank.arrangement import Block, Parallel, Single
from hotchpot.bank.bank import Bank
from hotchpot.bank.notation import parse
from hotchpot.bench.state import State, state_of
from hotchpot.chemistry import chemistry
from hotchpot.pile.unit import Unit

Array = NDArray[np.float64]
KNEE_SOC = 0.03  # over-discharge law of the methods page: OCV(s<0) = OCV(0) + (V_rev - OCV(0)) (1 - exp(s/0.03))


def unit(name: str, chem: str = "lead_agm", cells: int = 6, ah: float = 100, **known: object) -> Unit:
    """Return an invented unit, full, rested and measured, with a typical resistance unless told otherwise."""
    kind = chemistry(chem)
    facts: dict[str, object] = {
        "rated_hours": kind.num("rated_h"),
        "capacity_ah": ah,
        "resistance_mohm": kind.typical_mohm(cells, ah),
        "rest_hours": 24.0,
        "soc_frac": 1.0,
        "temperature_c": 20.0,
        "bms": True if kind.kind == "lithium" else None,
    }
    facts |= known
    return Unit(id=name, chemistry=chem, cells=cells, rated_ah=facts.pop("rated_ah", ah), **facts)  # type: ignore[arg-type]


def bank(expression: str, *units: Unit, link_mohm: float = 0.5) -> Bank:
    """Return the bank of an expression over units."""
    states = {u.id: state_of(u) for u in units}
    return Bank(parse(expression, known=states), states, link_mohm * 1e-3)


@dataclass
class Netlist:
    """Two-terminal elements between numbered nodes; node 0 is the bank's negative pole, node 1 its positive."""

    units: list[tuple[str, int, int]] = field(default_factory=list)
    links: list[tuple[float, int, int]] = field(default_factory=list)
    nodes: int = 2

    def node(self) -> int:
        """Return a new node."""
        self.nodes += 1
        return self.nodes - 1

    def lay(self, block: Block, plus: int, minus: int, branch_ohm: float) -> None:
        """Lay a block between two nodes."""
        if isinstance(block, Single):
            self.units.append((block.id, plus, minus))
        elif isinstance(block, Parallel):
            for member in block.members:
                inner = self.node() if branch_ohm > 0 else plus
                if branch_ohm > 0:
                    self.links.append((branch_ohm, plus, inner))
                self.lay(member, inner, minus, branch_ohm)
        else:
            points = [plus, *(self.node() for _ in block.members[1:]), minus]
            for member, top, bottom in zip(block.members, points, points[1:], strict=False):
                self.lay(member, top, bottom, branch_ohm)


class Circuit:
    """A bank as a plain nodal network."""

    def __init__(self, made: Bank) -> None:
        self.net = Netlist()
        self.net.lay(made.arrangement, 1, 0, 2 * made.link_ohm)
        self.states: list[State] = [made.states[name] for name, _, _ in self.net.units]
        self.ids = [name for name, _, _ in self.net.units]

    def solve(self, volts: Array, ohms: Array, load_a: float = 0.0) -> tuple[Array, float]:
        """Return the current out of every unit and the bank's voltage; `load_a` leaves at node 1."""
        size = self.net.nodes
        conductance, injected = np.zeros((size, size)), np.zeros(size)
        for ohm, a, b in self.net.links:
            _stamp(conductance, 1 / ohm, a, b)
        for (_, a, b), e, r in zip(self.net.units, volts, ohms, strict=True):
            _stamp(conductance, 1 / r, a, b)
            injected[a] += e / r
            injected[b] -= e / r
        injected[1] -= load_a
        node_v = np.zeros(size)
        node_v[1:] = np.linalg.solve(conductance[1:, 1:], injected[1:])
        across = np.array([node_v[a] - node_v[b] for _, a, b in self.net.units])
        return (volts - across) / ohms, float(node_v[1])


def _stamp(matrix: Array, g: float, a: int, b: int) -> None:
    matrix[a, a] += g
    matrix[b, b] += g
    matrix[a, b] -= g
    matrix[b, a] -= g


def open_volts(states: list[State], soc: Array, start: Array, read: Mapping[int, float]) -> Array:
    """Return each unit's open-circuit voltage, shifted to pass through what was read at `start`."""
    found = []
    for i, (state, s, s0) in enumerate(zip(states, soc, start, strict=True)):
        curve, cells = state.chem.ocv, state.unit.cells
        shift = read[i] - cells * float(np.interp(s0, curve.soc, curve.volt)) if i in read else 0.0
        found.append(cells * float(np.interp(s, curve.soc, curve.volt)) + shift)
    return np.array(found)


@dataclass(frozen=True)
class Settled:
    """What the integrator says of a joining: first currents, charge given by each unit, and the heat made."""

    first_a: dict[str, float]
    charge_ah: dict[str, float]
    heat_j: float


def settle(made: Bank, *, hours: float = 3e4) -> Settled:
    """Close all links of a bank at rest and integrate with Radau until the currents have died away."""
    circuit = Circuit(made)
    start = np.array([s.soc_frac.value for s in circuit.states if s.soc_frac is not None])
    read = {i: s.unit.rest_v for i, s in enumerate(circuit.states) if s.unit.rest_v is not None}
    ohms = np.array([s.resistance_mohm.value * 1e-3 for s in circuit.states])
    size_ah = np.array([s.capacity_ah.value for s in circuit.states])
    names = [(name, a, b) for name, a, b in circuit.net.units]

    def currents(soc: Array) -> Array:
        return circuit.solve(open_volts(circuit.states, soc, start, read), ohms)[0]

    def heat_w(soc: Array) -> float:
        amps = currents(soc)
        into = np.zeros(circuit.net.nodes)
        for (_, a, b), i in zip(names, amps, strict=True):
            into[a] += i
            into[b] -= i
        # A link's own current is what its inner node's units push into it.
        links = sum(ohm * into[b] ** 2 for ohm, _, b in circuit.net.links)
        return float(np.sum(ohms * amps**2) + links)

    def rates(_: float, y: Array) -> Array:
        amps = currents(y[:-1])
        return np.append(-amps / size_ah, heat_w(y[:-1]) * 3600.0)

    run = solve_ivp(rates, (0, hours), np.append(start, 0.0), method="Radau", rtol=1e-6, atol=1e-8, max_step=hours / 20)
    assert run.success, run.message
    first = currents(start)
    return Settled(
        dict(zip(circuit.ids, first.tolist(), strict=True)),
        dict(zip(circuit.ids, ((start - run.y[:-1, -1]) * size_ah).tolist(), strict=True)),
        float(run.y[-1, -1]),
    )


def discharge(made: Bank, load_a: float, hours: float) -> tuple[Callable[[Array], Array], float]:
    """
    Discharge a full bank with Radau: OCV(s), R(s) and both slow pairs of every unit.

    Returns the currents as a function of time (rows of units in the bank's order, columns of hours) and the hour at
    which the bank's voltage falls to its lowest allowed (or `hours`).
    """
    circuit = Circuit(made)
    states, count = circuit.states, len(circuit.states)
    order = [circuit.ids.index(s.unit.id) for s in made.units]
    cells = np.array([float(s.unit.cells) for s in states])
    size_ah = np.array([s.capacity_ah.value for s in states])
    base = np.array([s.resistance_mohm.value * 1e-3 for s in states])
    # The slow pairs of a worn unit have grown as its 10 s resistance has, against a good unit of its label size.
    typical = np.array([1e-3 * c * s.chem.num("r10s_q") / s.unit.rated_ah for s, c in zip(states, cells, strict=True)])
    ohm = [base / typical * 1e-3 * cells * [s.chem.num(n) / s.unit.rated_ah for s in states] for n in ("r1_q", "r2_q")]
    tau_h = [np.array([s.chem.num(name) / 3600 for s in states]) for name in ("tau1", "tau2")]
    stop_v = _lowest_v(made.arrangement, made.states)

    def solved(y: Array) -> tuple[Array, float]:
        soc, v1, v2 = y[:count], y[count : 2 * count], y[2 * count :]
        cell_v = np.array([_cell_v(s, x) for s, x in zip(states, soc, strict=True)])
        factor = np.array(
            [
                np.interp(x, (0.05, 0.1, 0.2, 0.5, 0.8, 1.0), s.chem.row("r_soc_mult"))
                for s, x in zip(states, soc, strict=True)
            ]
        )
        return circuit.solve(cells * cell_v - v1 - v2, base * factor, load_a)

    def rates(_: float, y: Array) -> Array:
        amps, _ = solved(y)
        pairs = [(ohm[k] * amps - y[(k + 1) * count : (k + 2) * count]) / tau_h[k] for k in (0, 1)]
        return np.concatenate([-amps / size_ah, *pairs])

    def empty(_: float, y: Array) -> float:
        return solved(y)[1] - stop_v

    empty.terminal = True  # type: ignore[attr-defined]
    start = np.concatenate([np.ones(count), np.zeros(2 * count)])
    run = solve_ivp(
        rates,
        (0, hours),
        start,
        method="Radau",
        rtol=1e-6,
        atol=1e-8,
        max_step=hours / 200,
        events=empty,
        dense_output=True,
    )
    assert run.success, run.message

    def currents(times_h: Array) -> Array:
        return np.array([solved(run.sol(t))[0][order] for t in times_h]).T

    return currents, float(run.t[-1])


def _cell_v(state: State, soc: float) -> float:
    curve = state.chem.ocv
    if soc >= 0:
        return float(np.interp(soc, curve.soc, curve.volt))
    return float(curve.volt[0] + (state.chem.num("reversal_v") - curve.volt[0]) * (1 - np.exp(soc / KNEE_SOC)))


def _lowest_v(block: Block, states: Mapping[str, State]) -> float:
    if isinstance(block, Single):
        return states[block.id].unit.cells * states[block.id].chem.num("discharge_min_v")
    parts = [_lowest_v(member, states) for member in block.members]
    return max(parts) if isinstance(block, Parallel) else sum(parts)


def relaxing(made: Bank, hours: float) -> dict[str, float]:
    """Return the charge each unit has given `hours` after closing, with both slow pairs of its chemistry. [Ah]"""
    circuit = Circuit(made)
    states, count = circuit.states, len(circuit.states)
    start = np.array([s.soc_frac.value for s in states if s.soc_frac is not None])
    size_ah = np.array([s.capacity_ah.value for s in states])
    ohms = np.array([s.resistance_mohm.value * 1e-3 for s in states])
    pairs = [
        (
            np.array([1e-3 * s.unit.cells * s.chem.num(r) / s.capacity_ah.value for s in states]),
            np.array([s.chem.num(tau) / 3600 for s in states]),
        )
        for r, tau in (("r1_q", "tau1"), ("r2_q", "tau2"))
    ]

    def rates(_: float, y: Array) -> Array:
        soc, *slow = np.split(y, 3)
        amps, _ = circuit.solve(open_volts(states, soc, start, {}) - slow[0] - slow[1], ohms)
        relaxed = [(ohm * amps - v) / tau_h for v, (ohm, tau_h) in zip(slow, pairs, strict=True)]
        return np.concatenate([-amps / size_ah, *relaxed])

    run = solve_ivp(rates, (0, hours), np.append(start, np.zeros(2 * count)), method="Radau", rtol=1e-6, atol=1e-8)
    assert run.success, run.message
    return dict(zip(circuit.ids, ((start - run.y[:count, -1]) * size_ah).tolist(), strict=True))

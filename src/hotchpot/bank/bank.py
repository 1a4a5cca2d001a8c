"""
A bank: an arrangement with its units' states and its links, solved once from the leaves up.

Every node of the arrangement gets what the rules ask for: cells in series, capacity, open-circuit voltage and
resistance as a two-terminal source (Thévenin), each a Measure.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property

from hotchpot.bank.arrangement import Block, Parallel, Series, Single
from hotchpot.bench.state import State
from hotchpot.measure import Measure, least, total

DEFAULT_LINK_OHM = 0.5e-3  # one short battery lead with its two lugs; common practice, no source


ASSUMED_LINK_FRAC = 0.1  # of the smallest unit's resistance: a link nobody measured must not hide a surge


def assumed_link_ohm(states: Iterable[State]) -> float:
    """Return the resistance of a link that the plan does not state: short, and small beside every unit. [Ω]"""
    smallest = min(state.resistance_mohm.value * 1e-3 for state in states)
    return min(DEFAULT_LINK_OHM, ASSUMED_LINK_FRAC * smallest)


@dataclass(frozen=True, slots=True, eq=False)
class Node:
    """
    One block of a bank with what follows from the states below it.

    `resistance_ohm` is the block's own; a branch of a parallel node adds two links (one each side) to it.
    """

    block: Block
    children: tuple[Node, ...]
    states: tuple[State, ...]
    cells: int
    nominal_v: float
    capacity_ah: Measure
    ocv_v: Measure | None
    resistance_ohm: Measure

    @property
    def ids(self) -> tuple[str, ...]:
        """The ids of the units below this node, in order."""
        return tuple(state.unit.id for state in self.states)

    @property
    def is_parallel(self) -> bool:
        """Whether the children share two terminals."""
        return isinstance(self.block, Parallel)

    @property
    def is_series(self) -> bool:
        """Whether the children carry one current."""
        return isinstance(self.block, Series)

    def walk(self) -> Iterator[Node]:
        """Yield this node and all below it, parents first."""
        stack = [self]
        while stack:
            node = stack.pop()
            yield node
            stack.extend(reversed(node.children))


@dataclass(frozen=True, eq=False)
class Bank:
    """An arrangement, the states of its units, and the resistance of one link."""

    arrangement: Block
    states: Mapping[str, State]
    link_ohm: float = DEFAULT_LINK_OHM

    @cached_property
    def root(self) -> Node:
        """The whole bank as one solved node."""
        return _solve(self.arrangement, self.states, self.branch_ohm)

    @property
    def branch_ohm(self) -> float:
        """What the links add to each branch of a parallel node. [Ω]"""
        return 2.0 * self.link_ohm

    @cached_property
    def parallels(self) -> tuple[Node, ...]:
        """Every parallel node, outermost first."""
        return tuple(node for node in self.root.walk() if node.is_parallel)

    @cached_property
    def strings(self) -> tuple[Node, ...]:
        """Every series node, outermost first."""
        return tuple(node for node in self.root.walk() if node.is_series)

    @property
    def units(self) -> tuple[State, ...]:
        """The states of the bank's units, in the order of the arrangement."""
        return self.root.states

    def volts_on(self, terminal_v: float) -> dict[str, float]:
        """
        Return the voltage on each unit when `terminal_v` lies across the bank and every cell of a string takes its
        equal part. [V]
        """
        result: dict[str, float] = {}
        stack = [(self.root, terminal_v)]
        while stack:
            node, volts = stack.pop()
            if isinstance(node.block, Single):
                result[node.block.id] = volts
            for child in node.children:
                stack.append((child, volts * child.cells / node.cells if node.is_series else volts))
        return result


def _solve(block: Block, states: Mapping[str, State], branch_ohm: float) -> Node:
    if isinstance(block, Single):
        return _leaf(block, states[block.id])
    children = tuple(_solve(member, states, branch_ohm) for member in block.members)
    below = tuple(state for child in children for state in child.states)
    if isinstance(block, Series):
        return _series(block, children, below)
    return _parallel(block, children, below, branch_ohm)


def _leaf(block: Single, state: State) -> Node:
    return Node(
        block=block,
        children=(),
        states=(state,),
        cells=state.unit.cells,
        nominal_v=state.unit.cells * state.chem.num("nominal_v"),
        capacity_ah=state.capacity_ah,
        ocv_v=state.ocv_v,
        resistance_ohm=state.resistance_mohm * 1e-3,
    )


def _series(block: Block, children: tuple[Node, ...], below: tuple[State, ...]) -> Node:
    voltages = [child.ocv_v for child in children]
    return Node(
        block=block,
        children=children,
        states=below,
        cells=sum(child.cells for child in children),
        nominal_v=sum(child.nominal_v for child in children),
        capacity_ah=least(child.capacity_ah for child in children),
        ocv_v=None if None in voltages else total(v for v in voltages if v is not None),
        resistance_ohm=total(child.resistance_ohm for child in children),
    )


def _parallel(block: Block, children: tuple[Node, ...], below: tuple[State, ...], branch_ohm: float) -> Node:
    source = combine([(child.ocv_v, child.resistance_ohm + branch_ohm) for child in children])
    return Node(
        block=block,
        children=children,
        states=below,
        cells=max(child.cells for child in children),
        nominal_v=min(child.nominal_v for child in children),
        capacity_ah=total(child.capacity_ah for child in children),
        ocv_v=source[0],
        resistance_ohm=source[1],
    )


def combine(branches: list[tuple[Measure | None, Measure]]) -> tuple[Measure | None, Measure]:
    r"""
    Return the open-circuit voltage and resistance of branches in parallel.

    .. math:: G=\sum 1/R_k \qquad E=\frac{1}{G}\sum E_k/R_k \qquad R=1/G

    Millman's theorem. Doubts of the voltages add weighted by conductance, those of the resistances to first order.
    """
    conductance = sum(1.0 / r.value for _, r in branches)
    weights = [1.0 / (r.value * conductance) for _, r in branches]
    resistance_sd = sum((w * w * r.sd) ** 2 for w, (_, r) in zip(weights, branches, strict=True)) ** 0.5
    basis = total(r for _, r in branches).basis
    resistance = Measure(1.0 / conductance, resistance_sd, basis)
    voltages = [e for e, _ in branches if e is not None]
    if len(voltages) < len(branches):
        return None, resistance
    return total(e * w for e, w in zip(voltages, weights, strict=True)), resistance


CEILINGS = ("charge_max_v", "absorb_v", "float_v", "nominal_v")


def sum_over_cells(node: Node, name: str) -> float:
    """
    Return a per-cell value of the chemistry data summed along a block's strings. [V]

    Where branches differ the stricter holds for all: the lowest of a ceiling, the highest of a floor.
    """
    if not node.children:
        return node.states[0].unit.cells * node.states[0].chem.num(name)
    parts = [sum_over_cells(child, name) for child in node.children]
    if node.is_series:
        return sum(parts)
    return min(parts) if name in CEILINGS else max(parts)


def open_v(node: Node) -> float:
    """Return a block's open-circuit voltage, or that of its curve at 80 % charge where nothing was read. [V]"""
    if node.ocv_v is not None:
        return node.ocv_v.value
    if not node.children:
        return node.states[0].unit.cells * node.states[0].ocv_curve.volts(0.8)
    parts = [open_v(child) for child in node.children]
    return sum(parts) if node.is_series else max(parts)

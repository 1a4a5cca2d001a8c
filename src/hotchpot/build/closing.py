r"""
In which order the branches of a parallel node are joined, and what flows at each closing.

The two branches with the least gap meet first; then always the branch nearest the voltage that the joined ones have
settled at. At the moment of closing

.. math:: I = \frac{E_{branch} - E_{joined}}{R_{branch} + R_{joined}}

with the links inside both resistances: Millman's theorem by `bank.combine`, as the judge has it. What is different from
the judge is only the moment: he joins all at once, here the branches joined before have come to rest at the voltage
where the charge that some gave is the charge that the others took.
"""

from __future__ import annotations

from dataclasses import dataclass

from hotchpot.bank.bank import Bank, Node, combine
from hotchpot.bank.rules.joining import CAUTION_FRAC, CHARGE_FRAC, FINE_FRAC, FUSE_FRAC
from hotchpot.bank.rules.registry import Case

# The curve of charge against voltage is the judge's own; a second one here could only disagree with it.
from hotchpot.bank.surge import ChargeCurve, charge_curve, meeting_v, unit_currents
from hotchpot.measure import Measure, total

WIDEST_SETTLED = 12  # branches; in wider nodes one more hardly moves the rest, and Millman's bus stands for it
CLAMP_FLOOR_A = 0.5  # below, a hand clamp meter shows its own offset; common practice, no source
FIRST_INSTANT = 2.0  # the instant resistance can be half of the 10 s value


@dataclass(frozen=True, slots=True, eq=False)
class Closing:
    """
    One branch meeting those already joined at a parallel node.

    `gap_v` is the branch's voltage less that of the joined ones, `ohm` everything in the loop, `bus_v` what the joined
    terminals read at first, `settled_v` what they come to. `limit_a` is the current at which the first unit on either
    side, or a fuse, is at its limit. `moved_ah` is None in nodes too wide to settle step by step.
    """

    bank: Bank
    node: Node
    joined: tuple[Node, ...]
    branch: Node
    gap_v: Measure
    ohm: Measure
    bus_v: float
    settled_v: float
    limit_a: float
    moved_ah: float | None

    @property
    def current_a(self) -> Measure:
        """The size of the current at the moment of closing, by 10 s resistances."""
        current = self.gap_v / self.ohm
        return Measure(abs(current.value), current.sd, current.basis)

    @property
    def allowed_v(self) -> float:
        """The gap at which the current is a fifth of the limit: closing directly is fine up to here."""
        return FINE_FRAC * self.limit_a * self.ohm.value

    @property
    def stop_a(self) -> float:
        """
        The current at which to open again, never above half of the limit.

        Twice the expected, or twice what the allowed gap drives: a gap that passes its reading must not fail here.
        """
        twice = FIRST_INSTANT * max(self.current_a.upper(), FINE_FRAC * self.limit_a)
        return min(max(twice, CLAMP_FLOOR_A), CAUTION_FRAC * self.limit_a)

    @property
    def smaller_ah(self) -> float:
        """The capacity of the smaller side."""
        return min(self.branch.capacity_ah.value, sum(child.capacity_ah.value for child in self.joined))

    @property
    def fine(self) -> bool:
        """Whether the judge would call this closing fine: current and charge both small."""
        little = self.moved_ah is None or self.moved_ah <= CHARGE_FRAC * self.smaller_ah
        return little and self.current_a.upper() <= FINE_FRAC * self.limit_a

    @property
    def joined_ids(self) -> tuple[str, ...]:
        """The ids of the units on the joined side."""
        return tuple(name for child in self.joined for name in child.ids)


@dataclass(frozen=True, slots=True)
class Assembly:
    """All closings of a bank, innermost nodes first, and the voltage every node comes to rest at."""

    closings: tuple[Closing, ...]
    nodes: tuple[Node, ...]
    height: dict[int, int]
    rest: dict[int, Measure]

    def rest_v(self, node: Node) -> Measure | None:
        """Return what a node reads when all below it is joined and at rest."""
        return self.rest.get(id(node))

    def of(self, node: Node) -> list[Closing]:
        """Return the closings of one parallel node in order."""
        return [closing for closing in self.closings if closing.node is node]


def assemble(case: Case) -> Assembly:
    """
    Return how a bank comes together: nodes in building order, closings with what they will read.

    Building order is from the inside out; at one level the nodes with the least gap come first. Nodes whose branches
    meet only through converters have no closings, and neither have nodes with an unknown voltage.
    """
    assert case.bank is not None
    bank, height, rest = case.bank, dict[int, int](), dict[int, Measure]()
    direct = {id(node) for node in case.parallels}
    found: dict[int, list[Closing]] = {}
    order = list(reversed(list(bank.root.walk())))
    for node in order:
        height[id(node)] = 1 + max((height[id(child)] for child in node.children), default=0)
        settled, closings = _settled(case, bank, node, rest, direct)
        if settled is not None:
            rest[id(node)] = settled
        found[id(node)] = closings
    groups = [node for node in reversed(order) if node.children]
    groups.sort(key=lambda node: (height[id(node)], max((abs(c.gap_v.value) for c in found[id(node)]), default=0.0)))
    return Assembly(tuple(c for node in groups for c in found[id(node)]), tuple(groups), height, rest)


def _settled(
    case: Case, bank: Bank, node: Node, rest: dict[int, Measure], direct: set[int]
) -> tuple[Measure | None, list[Closing]]:
    if not node.children:
        return node.ocv_v, []
    parts = [rest[id(child)] for child in node.children if id(child) in rest]
    if len(parts) < len(node.children):
        return None, []
    if node.is_series:
        return total(parts), []
    if id(node) not in direct:
        return node.ocv_v, []
    return _joined(case, bank, node, rest)


def _joined(case: Case, bank: Bank, node: Node, rest: dict[int, Measure]) -> tuple[Measure, list[Closing]]:
    """Join the branches of one node, nearest first."""
    rows = sorted(node.children, key=lambda child: rest[id(child)].value)
    level = [rest[id(child)].value for child in rows]
    low = min(range(len(rows) - 1), key=lambda i: level[i + 1] - level[i])
    high, bus, side = low, rest[id(rows[low])], _Side(case, bank)
    side.add(rows[low], bus)
    closings: list[Closing] = []
    while high - low + 1 < len(rows):
        up = low == 0 or (high + 1 < len(rows) and level[high + 1] - bus.value <= bus.value - level[low - 1])
        branch = rows[high + 1] if up else rows[low - 1]
        low, high = (low, high + 1) if up else (low - 1, high)
        closing, bus = _close(side, node, branch, rest[id(branch)], bus, settle=len(rows) <= WIDEST_SETTLED)
        closings.append(closing)
        side.add(branch, rest[id(branch)])
    return bus, closings


def _close(
    side: _Side, node: Node, branch: Node, own_v: Measure, bus: Measure, *, settle: bool
) -> tuple[Closing, Measure]:
    own_r, bus_r = branch.resistance_ohm + side.bank.branch_ohm, side.resistance
    at_once = combine([(own_v, own_r), (bus, bus_r)])[0]
    assert at_once is not None
    gap, settled, moved = own_v - bus, at_once.value, None
    if settle:
        own = charge_curve(branch)
        settled = meeting_v([*side.curves, own])
        moved = abs(own.ah_at(settled))
    giving = gap.value > 0.0
    limit = min(branch_limit_a(side.case, side.bank, branch, giving=giving), side.limit_a(giving=not giving))
    closing = Closing(
        bank=side.bank,
        node=node,
        joined=tuple(side.branches),
        branch=branch,
        gap_v=gap,
        ohm=own_r + bus_r,
        bus_v=at_once.value,
        settled_v=settled,
        limit_a=limit,
        moved_ah=moved,
    )
    return closing, Measure(settled, at_once.sd, at_once.basis)


class _Side:
    """The branches joined so far, seen from the next one."""

    def __init__(self, case: Case, bank: Bank) -> None:
        self.case, self.bank = case, bank
        self.branches: list[Node] = []
        self.curves: list[ChargeCurve] = []
        self.resistance = Measure(0.0)
        # current into one branch, per unit of conductance, at which that branch is at its limit
        self._per_siemens = {True: float("inf"), False: float("inf")}

    def add(self, branch: Node, own_v: Measure) -> None:
        """Take one more branch in."""
        own_r = branch.resistance_ohm + self.bank.branch_ohm
        sources = [(own_v, own_r)] + ([(own_v, self.resistance)] if self.branches else [])
        self.resistance = combine(list(sources))[1]
        self.branches.append(branch)
        if len(self.branches) <= WIDEST_SETTLED:
            self.curves.append(charge_curve(branch))
        for giving, least in self._per_siemens.items():
            own = branch_limit_a(self.case, self.bank, branch, giving=giving) * own_r.value
            self._per_siemens[giving] = min(least, own)

    def limit_a(self, *, giving: bool) -> float:
        """The current at which the first of the joined branches is at its limit, shared by conductance."""
        return self._per_siemens[giving] / self.resistance.value


def branch_limit_a(case: Case, bank: Bank, branch: Node, *, giving: bool) -> float:
    """Return the current at which the first unit of a branch, or its fuse, is at its limit. [A]"""
    parts = unit_currents(branch, 1.0, bank.branch_ohm)
    limits = [
        (state.discharge_limit_a() if giving else state.charge_limit_at(state.temperature_c))
        / max(parts[state.unit.id], 1e-9)
        for state in branch.states
    ]
    fuse = case.plan.protection.unit_fuse_a
    return min([*limits, FUSE_FRAC * fuse] if fuse else limits)

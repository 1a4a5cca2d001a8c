r"""
The joining surge: what flows when charged blocks meet at a parallel node, how much charge moves, and for how long.

At the first instant every branch k sees its own open-circuit voltage against that of the others joined,

.. math:: I_k = \frac{E_k - E_{rest}}{R_k + R_{rest}}

which is Millman's bus voltage written for one branch. The charge that moves follows from the curves of open-circuit
voltage against charge (added in series at equal charge, in parallel at equal voltage) and needs no slope: it ends where
all branches stand at one voltage. The time constant is the charge over the current that the polarised resistance lets
through, and the heat is the energy under the givers' curves less that under the takers': half the gap times the charge
where the curves are straight.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

from hotchpot.bank.bank import Bank, Node
from hotchpot.bench.state import State
from hotchpot.chemistry import interpolate
from hotchpot.measure import Measure, weakest

if TYPE_CHECKING:
    from collections.abc import Sequence

_CURVE_POINTS = 120


@dataclass(frozen=True, slots=True)
class Joining:
    """
    One branch of a parallel node at the moment it meets the others.

    `current_a` is positive when the branch gives and negative when it takes; `charge_ah` likewise, None when a state of
    charge is unknown. `hours` is the time constant of the charge moved, `heat_j` what the whole node loses on the way.
    """

    node: Node
    branch: Node
    gap_v: float
    current_a: Measure
    charge_ah: float | None
    hours: float | None
    heat_j: float | None

    @property
    def worst(self) -> Measure:
        """The current's size with its doubt."""
        return Measure(abs(self.current_a.value), self.current_a.sd, self.current_a.basis)


def joinings(bank: Bank, node: Node) -> tuple[Joining, ...]:
    """Return what each branch of a parallel node carries when all meet; empty when a voltage is unknown."""
    branches = [(child.ocv_v, child.resistance_ohm + bank.branch_ohm) for child in node.children]
    if any(e is None for e, _ in branches):
        return ()
    curves = _curves(node)
    charges = None if curves is None else _charges(curves)
    heat = None if curves is None or charges is None else _heat_j(curves, charges)
    slow_ohm = [polarised_ohm(child, bank.branch_ohm) + bank.branch_ohm for child in node.children]
    slow_siemens = sum(1.0 / ohm for ohm in slow_ohm)
    rests, doubt = _rests(branches), Measure(0.0, _curve_doubt_v(node))
    result = []
    for i, (child, (own_v, own_r), (rest_v, rest_r)) in enumerate(zip(node.children, branches, rests, strict=True)):
        assert own_v is not None
        gap = own_v - rest_v + doubt
        current = gap / (own_r + rest_r)
        charge = None if charges is None else charges[i]
        hours = _time_constant_h(gap.value, charge, slow_ohm[i], slow_siemens)
        result.append(Joining(node, child, gap.value, current, charge, hours, heat))
    return tuple(result)


def _curve_doubt_v(node: Node) -> float:
    """
    Return the doubt of a gap between voltages that do not come from the same place. [V]

    Between units that were all read, or all taken from one chemistry's curve, the curve's own doubt does not matter. A
    unit whose own curve was measured has that curve's doubt, and shares it with no other.
    """
    taken = [state for state in node.states if state.curve_doubt_v > 0.0]
    one_curve = len({state.ocv_curve for state in taken}) == 1
    if not taken or (len(taken) == len(node.states) and one_curve):
        return 0.0
    return node.cells * max(state.curve_doubt_v / state.unit.cells for state in taken)


def _rests(branches: list[tuple[Measure | None, Measure]]) -> list[tuple[Measure, Measure]]:
    """
    Return, for each branch, the voltage and resistance of all the others in parallel.

    The same numbers as `combine` of the others; sums from both ends serve all branches in one pass, without taking a
    branch's own part away again from a sum that holds it.
    """
    rows = [(e, r, 1.0 / r.value) for e, r in branches if e is not None]
    parts = [(g, e.value * g, (e.sd * g) ** 2, (r.sd * g * g) ** 2) for e, r, g in rows]
    before, after = _running(parts), _running(parts[::-1])[::-1]
    basis = weakest([*(e.basis for e, _, _ in rows), *(r.basis for _, r, _ in rows)])
    rests = []
    for left, right in zip(before[:-1], after[1:], strict=True):
        g, current, variance_e, variance_g = (a + b for a, b in zip(left, right, strict=True))
        rest_v = Measure(current / g, math.sqrt(variance_e) / g, basis)
        rests.append((rest_v, Measure(1.0 / g, math.sqrt(variance_g) / g**2, basis)))
    return rests


def _running(parts: Sequence[tuple[float, ...]]) -> list[tuple[float, ...]]:
    """Return the sums of no part, of the first, of the first two, and so on."""
    sums: list[tuple[float, ...]] = [(0.0,) * 4]
    for part in parts:
        sums.append(tuple(a + b for a, b in zip(sums[-1], part, strict=True)))
    return sums


def unit_currents(branch: Node, current_a: float, branch_ohm: float) -> dict[str, float]:
    """Return each unit's part of a current that enters or leaves a branch, split by conductance. [A]"""
    result: dict[str, float] = {}
    stack = [(branch, current_a)]
    while stack:
        node, amps = stack.pop()
        if not node.children:
            result[node.ids[0]] = amps
        elif node.is_series:
            stack.extend((child, amps) for child in node.children)
        else:
            conductances = [1.0 / (child.resistance_ohm.value + branch_ohm) for child in node.children]
            whole = sum(conductances)
            stack.extend((c, amps * g / whole) for c, g in zip(node.children, conductances, strict=True))
    return result


def polarised_ohm(node: Node, branch_ohm: float) -> float:
    """Return a block's resistance after minutes: the 10 s value and both slow pairs of its chemistry. [Ω]"""
    if not node.children:
        state = node.states[0]
        slow = (state.chem.num("r1_q") + state.chem.num("r2_q")) * state.unit.cells / state.capacity_ah.value
        return node.resistance_ohm.value + slow * 1e-3
    parts = [polarised_ohm(child, branch_ohm) for child in node.children]
    if node.is_series:
        return sum(parts)
    return 1.0 / sum(1.0 / (part + branch_ohm) for part in parts)


def _time_constant_h(gap_v: float, charge_ah: float | None, own_ohm: float, all_siemens: float) -> float | None:
    if charge_ah is None or abs(gap_v) < 1e-9:
        return None
    others_ohm = 1.0 / (all_siemens - 1.0 / own_ohm)
    return abs(charge_ah) * (own_ohm + others_ohm) / abs(gap_v)


class ChargeCurve:
    """Charge drawn from a block (Ah, falling as voltage rises) against its open-circuit voltage."""

    __slots__ = ("ah", "volts")

    def __init__(self, volts: Sequence[float], ah: Sequence[float]) -> None:
        self.volts = volts  # rising
        self.ah = ah  # falling: a lower voltage means more has been drawn

    def energy_wh(self, ah: float) -> float:
        """Return the energy given while `ah` is drawn from now, negative while it is taken in. [Wh]"""
        drawn, volts = list(reversed(self.ah)), list(reversed(self.volts))
        low, high = min(0.0, ah), max(0.0, ah)
        knots = [low, *(q for q in drawn if low < q < high), high]
        levels = [interpolate(q, drawn, volts) for q in knots]
        area = math.fsum(0.5 * (a + b) * (q1 - q0) for (q0, a), (q1, b) in pairwise(zip(knots, levels, strict=True)))
        return area if ah >= 0.0 else -area

    def ah_at(self, volts: float) -> float:
        """Return the charge drawn when the block rests at `volts`, held at its ends. [Ah]"""
        return interpolate(volts, self.volts, self.ah)


def _curves(node: Node) -> list[ChargeCurve] | None:
    """Return the children's curves; None when a state of charge is unknown."""
    if any(state.soc_frac is None for state in node.states):
        return None
    return [charge_curve(child) for child in node.children]


def _heat_j(curves: list[ChargeCurve], charges: list[float]) -> float:
    r"""Return what is lost on the way, :math:`\sum_k \int_0^{q_k} E_k\,dq`: what was given less what was kept."""
    return max(0.0, 3600.0 * math.fsum(c.energy_wh(q) for c, q in zip(curves, charges, strict=True)))


def _charges(curves: list[ChargeCurve]) -> list[float]:
    """Return the charge each child gives until all stand at one voltage."""
    meeting = meeting_v(curves)
    return [curve.ah_at(meeting) for curve in curves]


def meeting_v(curves: Sequence[ChargeCurve]) -> float:
    """Return the voltage at which what some blocks have given is what the others have taken. [V]"""
    low = min(curve.volts[0] for curve in curves)
    high = max(curve.volts[-1] for curve in curves)
    for _ in range(60):
        middle = 0.5 * (low + high)
        if sum(curve.ah_at(middle) for curve in curves) > 0.0:
            low = middle  # more drawn than taken in: the meeting voltage lies higher
        else:
            high = middle
    return 0.5 * (low + high)


def charge_curve(node: Node) -> ChargeCurve:
    """Return a block's open-circuit voltage against the charge drawn from where it stands now."""
    if not node.children:
        return _unit_curve(node.states[0])
    curves = [charge_curve(child) for child in node.children]
    if node.is_series:
        return _in_series(curves)
    return _in_parallel(curves)


def _unit_curve(state: State) -> ChargeCurve:
    """A unit's curve, shifted so that it passes through the voltage that was really read."""
    assert state.soc_frac is not None
    ocv, cells = state.ocv_curve, state.unit.cells
    if state.ocv_v is not None:
        soc = ocv.soc_at(state.ocv_v.value / cells) if state.unit.soc_frac is None else state.soc_frac.value
        shift = 0.0 if state.unit.soc_frac is None else state.ocv_v.value - cells * ocv.volts(soc)
    else:
        soc, shift = state.soc_frac.value, 0.0
    capacity = state.capacity_ah.value
    return ChargeCurve(
        [cells * v + shift for v in ocv.volt],
        [(soc - s) * capacity for s in ocv.soc],
    )


def _in_series(curves: list[ChargeCurve]) -> ChargeCurve:
    first = max(curve.ah[-1] for curve in curves)
    last = min(curve.ah[0] for curve in curves)
    if last <= first:
        last = first + 1e-9
    grid = [last + (first - last) * i / (_CURVE_POINTS - 1) for i in range(_CURVE_POINTS)]
    backward = [(list(reversed(c.ah)), list(reversed(c.volts))) for c in curves]
    volts = [sum(interpolate(q, ah, v) for ah, v in backward) for q in grid]
    return ChargeCurve(_rising(volts), grid)


def _in_parallel(curves: list[ChargeCurve]) -> ChargeCurve:
    low = min(curve.volts[0] for curve in curves)
    high = max(curve.volts[-1] for curve in curves)
    knots = sorted({v for curve in curves for v in curve.volts})
    if len(knots) > _CURVE_POINTS:
        knots = [low + (high - low) * i / (_CURVE_POINTS - 1) for i in range(_CURVE_POINTS)]
    return ChargeCurve(knots, [sum(curve.ah_at(v) for curve in curves) for v in knots])


def _rising(values: list[float]) -> list[float]:
    """Return `values` made strictly rising by the smallest step that a float can show."""
    result = values[:1]
    for value in values[1:]:
        result.append(max(value, result[-1] + 1e-12))
    return result

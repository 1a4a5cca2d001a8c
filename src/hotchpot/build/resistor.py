r"""
Joining through a resistor: how many ohms, how many watts, how long, and when to close directly.

.. math:: R \ge \frac{\Delta U}{0.2\,I_{lim}} \qquad P = \frac{\Delta U^2}{R}

While charge q flows, the gap falls along both curves of rest voltage against charge. Those are straight between their
points, so on each piece the gap decays exponentially and the time is exact:

.. math:: t = (R + R_{loop}) \sum_k \Delta q_k \frac{\ln(u_k / u_{k+1})}{u_k - u_{k+1}}

which is :math:`\tau \ln(u_0/u)` with :math:`\tau = (R + R_{loop})\,q/\Delta U` where the curves are straight all the
way. The loop counts with its slow polarisation, as this takes much longer than minutes.
"""

from __future__ import annotations

import math
from itertools import pairwise

from hotchpot.bank.arrangement import Parallel
from hotchpot.bank.bank import Bank, Node
from hotchpot.bank.rules.joining import FINE_FRAC, WATT_MARGIN, rounded_up

# The curve of charge against voltage is the judge's own; a second one here could only disagree with it.
from hotchpot.bank.surge import charge_curve, polarised_ohm
from hotchpot.build.closing import Closing
from hotchpot.build.step import Resistor
from hotchpot.chemistry import interpolate

LONGEST_MINUTES = 24.0 * 60.0
LEAST_OHM = 0.1  # less is no more than the leads that it hangs on


def joining_resistor(closing: Closing) -> Resistor | None:
    """
    Return the resistor through which a branch may be joined in place of charging, or None.

    None where closing directly is already allowed, where the node is too wide to follow, and where it would take more
    than a day: then charging is the way. A lead or nickel side that is full holds its full voltage and takes what still
    comes as a small overcharge, as at the end of any charge; a lithium side must not, and ends the path. At `stop_v` a
    direct closing drives what the judge calls fine, a fifth of the limit; more than a tenth of a unit's charge may
    still be to move, but at that current it does no harm.
    """
    gap = abs(closing.gap_v.value)
    if closing.moved_ah is None or gap <= 0.0 or closing.limit_a <= 0.0:
        return None
    ohm = max(LEAST_OHM, rounded_up(gap / (FINE_FRAC * closing.limit_a)))
    path = _path(closing)
    stop_v = closing.allowed_v
    if gap <= stop_v or not path or path[-1][1] > stop_v:
        return None  # already fine, or one side is empty or full before the gap is small enough
    minutes = 60.0 * (ohm + slow_ohm(closing)) * _hours_per_ohm(path, stop_v)
    if minutes > LONGEST_MINUTES:
        return None
    return Resistor(
        units=closing.branch.ids,
        ohm=ohm,
        watt=max(1.0, rounded_up(WATT_MARGIN * gap * gap / ohm)),
        minutes=minutes,
        start_a=gap / (ohm + closing.ohm.value),
        stop_v=stop_v,
    )


def slow_ohm(closing: Closing) -> float:
    """Return the resistance of the loop after minutes, both sides and their links. [Ω]"""
    link = closing.bank.branch_ohm
    others = sum(1.0 / (polarised_ohm(child, link) + link) for child in closing.joined)
    return polarised_ohm(closing.branch, link) + link + 1.0 / others


def _path(closing: Closing) -> list[tuple[float, float]]:
    """Return the gap against the charge moved, from the start to where both sides stand level: (Ah, V) points."""
    joined = _as_one(closing.bank, closing.joined)
    giver, taker = (closing.branch, joined) if closing.gap_v.value > 0 else (joined, closing.branch)
    gives, takes = charge_curve(giver), charge_curve(taker)
    given, given_v = list(reversed(gives.ah)), list(reversed(gives.volts))
    taken, taken_v = list(reversed(takes.ah)), list(reversed(takes.volts))
    most = given[-1]
    if any(state.chem.kind == "lithium" for state in taker.states):
        most = min(most, -taken[0])
    knots = sorted({0.0, most, *(q for q in given if 0 < q < most), *(-q for q in taken if 0 < -q < most)})
    path: list[tuple[float, float]] = []
    for moved in knots:
        gap = interpolate(moved, given, given_v) - interpolate(-moved, taken, taken_v)
        if gap <= 0.0:
            if path:
                last, above = path[-1]
                path.append((last + (moved - last) * above / (above - gap), 0.0))
            return path
        path.append((moved, gap))
    return path


def _as_one(bank: Bank, branches: tuple[Node, ...]) -> Node:
    if len(branches) == 1:
        return branches[0]
    return Bank(Parallel(tuple(child.block for child in branches)), bank.states, bank.link_ohm).root


def _hours_per_ohm(path: list[tuple[float, float]], stop_v: float) -> float:
    """Return the hours that a loop of one ohm takes until the gap is `stop_v`."""
    hours = 0.0
    for (q0, u0), (q1, u1) in pairwise(path):
        if u0 <= stop_v:
            break
        u_end = max(u1, stop_v)
        part = (q1 - q0) * (u0 - u_end) / (u0 - u1) if u0 != u1 else q1 - q0
        hours += part * (math.log(u0 / u_end) / (u0 - u_end) if u0 - u_end > 1e-12 * u0 else 1.0 / u0)
    return hours

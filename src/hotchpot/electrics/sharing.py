"""
Who carries what in parallel: closed forms for two branches, and the shares along a daisy chain of equal units.

Currents are positive on discharge. Each branch is an open-circuit voltage behind one resistance; polarisation,
gassing and the bend of real voltage curves are left to the circuit engine, for which these are hand checks.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal, get_args

from hotchpot.electrics._checks import require_finite, require_not_negative, require_positive
from hotchpot.errors import InputError, nearest

Takeoff = Literal["same_end", "diagonal", "busbar"]


@dataclass(frozen=True, slots=True)
class BranchCurrents:
    """What two branches carry at one moment, and the voltage of the bars they share."""

    i1_a: float
    i2_a: float
    bus_v: float


def two_branch_currents(
    ocv1_v: float, r1_ohm: float, ocv2_v: float, r2_ohm: float, load_a: float = 0.0
) -> BranchCurrents:
    r"""
    Return the currents of two unlike branches in parallel at the first instant.

    Parameters
    ----------
    ocv1_v, ocv2_v : float
        Open-circuit voltages. [V]
    r1_ohm, r2_ohm : float
        Branch resistances, with each branch's own leads. [Ω]
    load_a : float, default 0.0
        Current drawn from the bars; zero leaves the joining surge. [A]

    Returns
    -------
    BranchCurrents
        A negative current charges that branch. [A], [V]

    Notes
    -----
    .. math:: V = \frac{E_1/R_1 + E_2/R_2 - I}{1/R_1 + 1/R_2}, \quad I_k = \frac{E_k - V}{R_k}

    Millman's theorem.

    Examples
    --------
    12.7 V behind 5 mΩ joined to 12.2 V behind 20 mΩ, 50 A drawn:

    >>> both = two_branch_currents(12.7, 0.005, 12.2, 0.020, 50)
    >>> round(both.i1_a), round(both.i2_a), round(both.bus_v, 2)
    (60, -10, 12.4)
    """
    require_finite(ocv1_v=ocv1_v, ocv2_v=ocv2_v, load_a=load_a)
    require_positive(r1_ohm=r1_ohm, r2_ohm=r2_ohm)
    # the same as Millman, without subtracting two nearly equal voltages
    i1_a = (ocv1_v - ocv2_v + load_a * r2_ohm) / (r1_ohm + r2_ohm)
    return BranchCurrents(i1_a, load_a - i1_a, ocv1_v - i1_a * r1_ohm)


@dataclass(frozen=True, slots=True)
class Drift:
    """How the share of two branches moves: first branch at the start and in the end, time constant, both now."""

    i1_first_a: float
    i1_last_a: float
    tau_s: float
    i1_a: float
    i2_a: float


def two_branch_share_at(
    t_s: float,
    *,
    load_a: float,
    r1_ohm: float,
    r2_ohm: float,
    q1_ah: float,
    q2_ah: float,
    slope1_v: float,
    slope2_v: float,
    ocv1_v: float = 0.0,
    ocv2_v: float = 0.0,
) -> Drift:
    r"""
    Return the currents of two branches `t_s` after a steady load came on, their voltages falling straight with charge.

    Parameters
    ----------
    t_s : float
        Time since joining or since the load came on. [s]
    load_a : float
        Steady current drawn from both; zero for joining at rest. [A]
    r1_ohm, r2_ohm : float
        Branch resistances, polarisation included for slow answers. [Ω]
    q1_ah, q2_ah : float
        Capacities. [Ah]
    slope1_v, slope2_v : float
        dOCV/dSoC, volts per unit state of charge; zero is a flat plateau. [V]
    ocv1_v, ocv2_v : float, default 0.0
        Open-circuit voltages at the start; only their difference counts. [V]

    Returns
    -------
    Drift
        Time constant infinite where both curves are flat: the first share then stays. [A], [s]

    Notes
    -----
    With :math:`a_k = s_k / (3600\,Q_k)`,

    .. math::
        I_1(0) = \frac{E_1 - E_2 + I R_2}{R_1 + R_2}, \quad I_1(\infty) = I \frac{a_2}{a_1 + a_2}, \quad
        \tau = \frac{R_1 + R_2}{a_1 + a_2}

    .. math:: I_1(t) = I_1(\infty) + [I_1(0) - I_1(\infty)]\,e^{-t/\tau}

    Valid while neither branch is near empty or full. With equal slopes the end shares go with capacity.

    Examples
    --------
    10 and 15 mΩ, both 100 Ah and 1.2 V, 30 A, after an hour:

    >>> drift = two_branch_share_at(3600, load_a=30, r1_ohm=0.010, r2_ohm=0.015, q1_ah=100, q2_ah=100,
    ...                             slope1_v=1.2, slope2_v=1.2)
    >>> round(drift.tau_s), round(drift.i1_a, 3)
    (3750, 16.149)
    """
    require_not_negative(t_s=t_s, slope1_v=slope1_v, slope2_v=slope2_v)
    require_positive(q1_ah=q1_ah, q2_ah=q2_ah)
    first = two_branch_currents(ocv1_v, r1_ohm, ocv2_v, r2_ohm, load_a).i1_a
    sag1, sag2 = slope1_v / (3600.0 * q1_ah), slope2_v / (3600.0 * q2_ah)
    if sag1 + sag2 == 0.0:
        return Drift(first, first, math.inf, first, load_a - first)
    last = load_a * sag2 / (sag1 + sag2)
    tau_s = (r1_ohm + r2_ohm) / (sag1 + sag2)
    now = last + (first - last) * math.exp(-t_s / tau_s)
    return Drift(first, last, tau_s, now, load_a - now)


def ladder_shares(n: int, r_battery_ohm: float, r_link_ohm: float, takeoff: Takeoff) -> tuple[float, ...]:
    r"""
    Return the fraction of the load that each of `n` equal units carries in a daisy chain.

    Parameters
    ----------
    n : int
        Units side by side.
    r_battery_ohm : float
        Resistance of one unit with its lugs. [Ω]
    r_link_ohm : float
        One link between neighbours; there is one on the plus side and one on the minus side. [Ω]
    takeoff : {"same_end", "diagonal", "busbar"}
        Both leads at unit 1; plus at unit 1 and minus at unit `n`; or equal leads to a bar.

    Returns
    -------
    tuple of float, length n
        Shares from unit 1 on; they sum to one.

    Notes
    -----
    With :math:`S_k` the current of units 1 to :math:`k`, :math:`S_0 = 0`, :math:`S_n = 1`, :math:`\rho = r/R`, the
    voltage law round each window of the ladder gives the exact tridiagonal system

    .. math:: -S_{k-1} + (2 + 2\rho) S_k - S_{k+1} = c\rho

    with :math:`c` = 2 for both leads at the same end and 1 for diagonal. First instant only, equal voltages; later the
    units that gave more sag and the shares even out somewhat.

    Examples
    --------
    >>> [round(100 * share) for share in ladder_shares(4, 2e-3, 0.5e-3, "same_end")]
    [51, 26, 14, 9]
    """
    if n < 1:
        raise InputError.one("n", f"must be one or more; got {n}", "count the units in parallel")
    if takeoff not in get_args(Takeoff):
        raise InputError.one(f"takeoff {takeoff!r}", "no such take-off", nearest(takeoff, get_args(Takeoff)))
    require_positive(r_battery_ohm=r_battery_ohm)
    require_not_negative(r_link_ohm=r_link_ohm)
    if takeoff == "busbar":
        return (1.0 / n,) * n
    rho = r_link_ohm / r_battery_ohm
    sums = _ladder_sums(n, rho, 2.0 * rho if takeoff == "same_end" else rho)
    return tuple(right - left for left, right in pairwise(sums))


def _ladder_sums(n: int, rho: float, pull: float) -> list[float]:
    # elimination downwards; every pivot stays above one, so nothing can blow up
    weights, rights = [0.0], [0.0]
    for _ in range(1, n):
        pivot = 2.0 + 2.0 * rho - weights[-1]
        rights.append((pull + rights[-1]) / pivot)
        weights.append(1.0 / pivot)
    sums = [1.0]
    for weight, right in zip(reversed(weights[1:]), reversed(rights[1:]), strict=True):
        sums.append(right + weight * sums[-1])
    return [0.0, *reversed(sums)]

"""
Fault currents: what a dead short would draw, how fast it rises, what a cable bears of it, and how to fill a capacitor.

Prospective currents decide what a fuse must be able to interrupt, so they are upper estimates: resistances at their
lowest, cables ignored unless given. Every value here is DC.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from hotchpot.electrics._checks import require_finite, require_not_negative, require_positive
from hotchpot.electrics.tables import table
from hotchpot.errors import InputError, nearest

FALLBACK_PER_H = 10.0
FALLBACK_BOUND_PER_H = 20.0
LONGEST_ADIABATIC_S = 5.0


def string_fault_a(cells: int, cell_v: float, cell_ohm: float, *, links_ohm: float = 0.0) -> float:
    r"""
    Return the short-circuit current of one string. [A]

    Parameters
    ----------
    cells : int
        Cells in series.
    cell_v, cell_ohm : float
        Rest voltage and internal resistance of one cell; take the lowest likely resistance. [V], [Ω]
    links_ohm : float, default 0.0
        Everything else in the loop: links, joints, cable out and back. [Ω]

    Notes
    -----
    .. math:: I_{sc} = n U / (n R + R_\mathrm{links})

    A steady bolted short; cells may give more in the first milliseconds than a 10 s resistance tells.

    Examples
    --------
    24 cells of 2.05 V and 0.30 mΩ with links of 0.02 mΩ each:

    >>> round(string_fault_a(24, 2.05, 0.30e-3, links_ohm=24 * 0.02e-3))
    6406
    """
    if cells < 1:
        raise InputError.one("cells", f"must be one or more; got {cells}", "count the cells in series")
    require_positive(cell_v=cell_v, cell_ohm=cell_ohm)
    require_not_negative(links_ohm=links_ohm)
    return cells * cell_v / (cells * cell_ohm + links_ohm)


def bank_fault_a(strings_a: Iterable[float]) -> float:
    """
    Return what parallel strings feed together into a short on their common bars: the sum. [A]

    A short inside one string draws the sum of the others; leave that one out.

    Examples
    --------
    >>> bank_fault_a([2400, 2400, 2400])
    7200.0
    """
    currents = list(strings_a)
    for position, amps in enumerate(currents, start=1):
        require_not_negative(**{f"string_{position}_a": amps})
    return float(sum(currents))


def fallback_fault_a(capacity_ah: float) -> tuple[float, float]:
    """
    Return a typical and a bounding short-circuit current of a lead-acid battery of unknown resistance. [A]

    Ten and twenty times the capacity, after a circuit-breaker maker's DC guide. Not for lithium: 3.3 V behind
    0.37 mΩ at 280 Ah is already 32 times.

    Examples
    --------
    >>> fallback_fault_a(500)
    (5000.0, 10000.0)
    """
    require_positive(capacity_ah=capacity_ah)
    return FALLBACK_PER_H * capacity_ah, FALLBACK_BOUND_PER_H * capacity_ah


def rise_a(fault_a: float, t_s: float, tau_s: float) -> float:
    r"""
    Return the fault current `t_s` after the short begins. [A]

    Notes
    -----
    .. math:: i(t) = I_{sc} (1 - e^{-t/\tau}), \quad \tau = L/R

    One resistance and one inductance; no arc, no sag of the battery.

    Examples
    --------
    >>> round(rise_a(1000, 0.005, 0.005))
    632
    """
    require_not_negative(fault_a=fault_a, t_s=t_s)
    require_positive(tau_s=tau_s)
    return -fault_a * math.expm1(-t_s / tau_s)


@dataclass(frozen=True, slots=True)
class Source:
    """A battery as two readings show it: voltage without load, resistance, and the current into a dead short."""

    ocv_v: float
    r_ohm: float
    fault_a: float


def two_load_source(u1_v: float, i1_a: float, u2_v: float, i2_a: float) -> Source:
    r"""
    Return the source behind two readings of voltage under load.

    Parameters
    ----------
    u1_v, i1_a : float
        First reading; zero amps for a rest voltage. [V], [A]
    u2_v, i2_a : float
        Second reading, at another current. [V], [A]

    Raises
    ------
    InputError
        If the currents are equal, or the voltage does not fall as the current grows.

    Notes
    -----
    .. math:: R = \frac{U_1 - U_2}{I_2 - I_1}, \quad I_{sc} = \frac{U_1 I_2 - U_2 I_1}{U_1 - U_2}

    The straight line of IEC 60896-21 (two loads) and of the plain rest-and-load test. Each reading at its own fixed
    moment after the load came on; the straight line ends well before a real short.

    Examples
    --------
    12.40 V at 40 A and 11.80 V at 200 A:

    >>> source = two_load_source(12.40, 40, 11.80, 200)
    >>> round(source.r_ohm * 1000, 2), round(source.fault_a)
    (3.75, 3347)
    """
    require_finite(u1_v=u1_v, i1_a=i1_a, u2_v=u2_v, i2_a=i2_a)
    if i1_a == i2_a:
        raise InputError.one("i2_a", f"both readings are at {i1_a:g} A", "read at two clearly different currents")
    r_ohm = (u1_v - u2_v) / (i2_a - i1_a)
    if r_ohm <= 0.0:
        what = f"{u2_v:g} V at {i2_a:g} A against {u1_v:g} V at {i1_a:g} A is no resistance"
        raise InputError.one("u2_v", what, "voltage must be lower at the larger current; check the order")
    ocv_v = u1_v + i1_a * r_ohm
    return Source(ocv_v, r_ohm, ocv_v / r_ohm)


@dataclass(frozen=True, slots=True)
class Precharge:
    """What a resistor goes through while it fills an empty capacitor."""

    peak_a: float
    peak_w: float
    energy_j: float
    time_s: float


def precharge(ohm: float, capacitance_f: float, volts: float) -> Precharge:
    r"""
    Return the strain on a resistor through which an empty capacitor is filled, and how long to wait.

    Parameters
    ----------
    ohm : float
        Resistance, everything in the loop. [Ω]
    capacitance_f : float
        Input capacitance of the inverter. [F]
    volts : float
        Battery voltage. [V]

    Returns
    -------
    Precharge
        First current and power, heat left in the resistor, and the time to 95 % of `volts`. [A], [W], [J], [s]

    Notes
    -----
    .. math:: I = V/R, \quad P = V^2/R, \quad E = C V^2 / 2, \quad t_{95} = R C \ln 20

    The heat does not depend on the resistance. An inverter that draws current meanwhile never gets there.

    Examples
    --------
    >>> filled = precharge(47, 10e-3, 51.2)
    >>> round(filled.time_s, 1), round(filled.peak_w), round(filled.energy_j)
    (1.4, 56, 13)
    """
    require_positive(ohm=ohm, capacitance_f=capacitance_f, volts=volts)
    peak_a = volts / ohm
    return Precharge(peak_a, volts * peak_a, capacitance_f * volts**2 / 2.0, ohm * capacitance_f * math.log(20.0))


def withstand_a2s(area_mm2: float, insulation: str = "pvc") -> float:
    r"""
    Return the let-through a copper cable bears before its insulation is spoilt. [A²·s]

    Notes
    -----
    .. math:: I^2 t = k^2 S^2

    IEC 60364-4-43, 434.5.2; :math:`k` = 115 for PVC (70 to 160 °C) and 143 for XLPE (90 to 250 °C), copper. A fuse
    whose total clearing I²t stays below protects the cable. Adiabatic: the short lasts up to 5 s.

    Examples
    --------
    >>> print(f"{withstand_a2s(35):.4g}")
    1.62e+07
    """
    require_positive(area_mm2=area_mm2)
    return (_withstand_k(insulation) * area_mm2) ** 2


def withstand_a(area_mm2: float, t_s: float = 1.0, insulation: str = "pvc") -> float:
    """
    Return the steady fault current that a copper cable bears for `t_s`, after `withstand_a2s`. [A]

    Examples
    --------
    >>> withstand_a(10)
    1150.0
    """
    require_positive(t_s=t_s)
    if t_s > LONGEST_ADIABATIC_S:
        raise InputError.one("t_s", f"{t_s:g} s is too long for an adiabatic rule", "give at most 5 s, or use ampacity")
    return math.sqrt(withstand_a2s(area_mm2, insulation) / t_s)


def _withstand_k(insulation: str) -> float:
    rows = {row["insulation"]: float(row["k_a_s05_per_mm2"]) for row in table("withstand")}
    if insulation not in rows:
        raise InputError.one(f"insulation {insulation!r}", "no such insulation here", nearest(insulation, rows))
    return rows[insulation]

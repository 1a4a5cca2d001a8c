r"""
The voltage a unit settles to: read after a rest that was long enough, or told from a rest that is still going on.

After current the voltage creeps for hours: a lead unit sheds its surface charge or waits for its acid to mix, a
lithium cell evens out within. One reading carries the doubt of what may still come; several are fitted.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

from hotchpot.bench.estimate import Estimate, Line, Quantity, Shape, refused
from hotchpot.bench.meter import Meter
from hotchpot.bench.remark import Remark, Weight
from hotchpot.bench.standing.relaxation_remarks import moving, uneven, unknown_rest, untold
from hotchpot.chemistry import Chemistry
from hotchpot.errors import Fault, InputError
from hotchpot.measure import Measure
from hotchpot.pile.unit import Unit

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

# How far the voltage of a cell just off load or charger is from where it settles: one standard deviation of a fit's
# amplitude, and the limit for a single reading. Engineering guesses: a charged lead unit falls by 0.5 V on 12 V.
MOVE_V = {"lead": 0.10, "lithium": 0.05, "nickel": 0.05}
# Shapes of the tail and how likely each is before anything was read; engineering guesses. 1 is one time constant.
STRETCH = {1.0: 0.64, 0.8: 0.12, 0.6: 0.11, 0.45: 0.08, 0.33: 0.05}
SETTLED_V_PER_12V = 0.005
SLOWEST = 2.5
DRIFT_V = 5e-5  # what a quarter of a kelvin moves a resting cell; no reading is better than this
_TAUS = 120
_UNEVEN_V = 0.002  # a smooth curve within this of every reading of a cell is smooth enough


@dataclass(frozen=True, slots=True, eq=False)
class Relaxing:
    """
    A rest that was watched, as many fits at once: each shape and time constant with how well it explains the readings.

    Arrays of shape (k,): `tau_h` and `stretch` of each fit, its `weight`; `theta` (k, 2) holds the settled voltage and
    the amplitude, `cov` (k, 2, 2) their covariance. `residual_v` is that of the best fit.
    """

    tau_h: NDArray[np.float64]
    stretch: NDArray[np.float64]
    weight: NDArray[np.float64]
    theta: NDArray[np.float64]
    cov: NDArray[np.float64]
    residual_v: float

    def at(self, hours: float = math.inf) -> Measure:
        """Return the voltage at a time of the same rest, and its doubt without the meter's gain. [V]"""
        import numpy as np

        row = np.stack([np.ones_like(self.tau_h), self._left(hours)], axis=1)
        each = np.einsum("ki,ki->k", row, self.theta)
        spread = np.einsum("ki,kij,kj->k", row, self.cov, row)
        mean = float(self.weight @ each)
        return Measure(mean, float(np.sqrt(self.weight @ (spread + (each - mean) ** 2))))

    def _left(self, hours: float) -> NDArray[np.float64]:
        import numpy as np

        left: NDArray[np.float64] = np.exp(-((hours / self.tau_h) ** self.stretch))
        return left


def relaxing(
    hours: Sequence[float], volts: Sequence[float], *, cells: int, chem: Chemistry, own_sd_v: float
) -> Relaxing:
    r"""
    Return what readings of one rest tell of how it goes on.

    Parameters
    ----------
    hours, volts : sequence of float, shape (n,)
        Time since current stopped and voltage of the whole unit; two or more. [h], [V]
    cells : int
        Cells in series.
    chem : Chemistry
        Gives the bounds of the time constant, half of its fast one to 2.5 times its slow one, and the amplitude.
    own_sd_v : float
        Doubt of each reading by itself. [V]

    Notes
    -----
    .. math:: V(t) = V_\infty + B\,e^{-(t/\tau)^\beta}

    β = 1 is one time constant, less is a tail of many (Kohlrausch 1854, from memory). For each τ and β on a grid the
    rest is linear in the two others and solved exactly, with a normal prior on *B* only; fits count by their
    likelihood (Gaussian linear model, integrated over both), so that the spread of the fits that explain the readings
    becomes doubt. Where even the best fit leaves more than the meter's counts, its residual replaces them.
    """
    import numpy as np

    t, v = np.asarray(hours, dtype=float), np.asarray(volts, dtype=float)
    fast, slow = chem.num("tau1") / 7200.0, SLOWEST * chem.num("tau2") / 3600.0
    taus = np.geomspace(fast, slow, _TAUS)
    tau, stretch = (grid.ravel() for grid in np.meshgrid(taus, np.array(list(STRETCH)), indexing="ij"))
    prior = np.log(np.tile(list(STRETCH.values()), _TAUS))
    amplitude = MOVE_V[chem.kind] * cells
    shape = np.exp(-((t[None, :] / tau[:, None]) ** stretch[:, None]))
    noise = math.hypot(own_sd_v, DRIFT_V * cells)
    theta, _, rms, _ = _solve(shape, v, noise, amplitude)
    spare = max(1, t.size - 3)
    best = float(np.min(rms)) * math.sqrt(t.size / spare) if t.size > 3 else 0.0
    noise = max(noise, best)
    theta, cov, rms, log_like = _solve(shape, v, noise, amplitude)
    weight = np.exp(prior + log_like - np.max(prior + log_like))
    return Relaxing(tau, stretch, weight / weight.sum(), theta, cov, float(np.min(rms)))


def _solve(
    shape: NDArray[np.float64], v: NDArray[np.float64], noise: float, amplitude: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return, for each shape (k, n), the two coefficients, their covariance, the residual and the log likelihood."""
    import numpy as np

    centre = v[-1]
    y = v - centre
    design = np.stack([np.ones_like(shape), shape], axis=2)
    precision = np.einsum("kni,knj->kij", design, design) / noise**2
    precision[:, 1, 1] += 1.0 / amplitude**2
    cov = np.linalg.inv(precision)
    theta = np.einsum("kij,kj->ki", cov, np.einsum("kni,n->ki", design, y) / noise**2)
    off = y - np.einsum("kni,ki->kn", design, theta)
    misfit = (off**2).sum(axis=1) / noise**2 + (theta[:, 1] / amplitude) ** 2
    _, log_det = np.linalg.slogdet(precision)
    theta[:, 0] += centre
    return theta, cov, np.sqrt((off**2).mean(axis=1)), -0.5 * (misfit + log_det)


def settled_v(
    hours: Sequence[float],
    volts: Sequence[float],
    *,
    unit: Unit,
    meter: Meter,
    count_v: float | None = None,
    when: str | None = None,
) -> Estimate:
    r"""
    Return the voltage a unit settles to at rest.

    Parameters
    ----------
    hours : sequence of float
        Time since current stopped, rising, one for each voltage; empty where it was not noted (then only the last
        voltage counts). [h]
    volts : sequence of float
        Voltage of the whole unit. [V]
    unit : Unit
        What it is; its chemistry says how long it takes.
    meter : Meter
        What it was read with.
    count_v : float, optional
        Last digit that the meter showed, where it is not the meter's usual one. [V]
    when : str, optional
        ISO date of the reading.

    Returns
    -------
    Estimate
        Of `Quantity.REST_V`. Facts: ``wait_hours`` from the last reading until within the meter's count, or 5 mV on a
        12 V unit, of the settled voltage; ``now_off_v``, how far the last reading still is (or may be) from it;
        ``rest_hours``. Doubtful under ``still-relaxing``, ``rest-hours-unknown`` and ``uneven-rest``; refused under
        ``cannot-tell-settled`` where several readings do not tell it as well as the chemistry's curve is known.

    Raises
    ------
    InputError
        If there is no voltage, the lists differ in length, or the hours do not rise.

    Notes
    -----
    One reading at *t* may still move by

    .. math:: \Delta V = n A e^{-t/\tau_2}

    either way (rectangular), with *A* 0.10 V a lead cell and 0.05 V a lithium or nickel cell, and the chemistry's slow
    time constant, 2 h for lead. Several readings are fitted as `relaxing` says. The gain of the meter is common.

    Examples
    --------
    >>> from hotchpot.bench.meter import meter
    >>> agm = Unit(id="A1", chemistry="lead_agm", cells=6, rated_ah=100, rated_hours=20)
    >>> seen = settled_v([1, 2, 3, 5, 8], [12.42, 12.52, 12.58, 12.64, 12.66], unit=agm, meter=meter("hand"))
    >>> print(f"{seen.value:.2f}")
    12.68
    """
    t, v = _checked(hours, volts)
    own = meter.volts.own_sd(count_v)
    gain = Line("gain of the meter", abs(v[-1]) * meter.volts.gain_sd_frac(), Shape.RECTANGULAR, common=True)
    near = max(count_v or meter.volts.count, SETTLED_V_PER_12V * unit.cells * unit.chem.num("nominal_v") / 12.0)
    if len(v) == 1:
        lines = (gain, Line("counts", own, Shape.RECTANGULAR))
        alone = _one(t[0] if t else None, v[0], unit, lines=lines, near=near)
        return replace(alone, when=when, instrument=meter.key)
    seen = relaxing(t, v, cells=unit.cells, chem=unit.chem, own_sd_v=own)
    end, now = seen.at(), seen.at(t[-1])
    wait = _wait_h(seen, t[-1], near)
    facts = {
        "wait_hours": wait, "now_off_v": now.value - end.value, "rest_hours": t[-1],
        "readings": float(len(v)), "residual_v": seen.residual_v,
    }  # fmt: skip
    limit = max(unit.cells * unit.chem.num("ocv_curve_sd"), own)
    if end.sd > limit:
        return refused(Quantity.REST_V, untold(unit, end, limit=limit, hours=t[-1], wait=wait), when=when, **facts)
    rough = max(3.0 * own, _UNEVEN_V * unit.cells)
    remarks: tuple[Remark, ...] = ()
    if seen.residual_v > rough:
        remarks = (uneven(unit, seen.residual_v, rough),)
    if abs(facts["now_off_v"]) > max(near, 2 * own):
        off = abs(facts["now_off_v"])
        remarks += (moving(unit, off, hours=t[-1], wait=wait, weight=Weight.NOTED),)
    return Estimate(
        quantity=Quantity.REST_V, value=end.value, budget=(gain, Line("counts and how the rest goes on", end.sd)),
        facts=facts, remarks=remarks, when=when, instrument=meter.key,
    )  # fmt: skip


def _checked(hours: Sequence[float], volts: Sequence[float]) -> tuple[list[float], list[float]]:
    t, v = [float(x) for x in hours], [float(x) for x in volts]
    faults = []
    if not v:
        faults.append(Fault("rest voltage", "no voltage", "give the volts that were read"))
    if not all(math.isfinite(x) for x in (*t, *v)):
        faults.append(Fault("rest voltage", "a number is missing or not finite", "give volts and hours as numbers"))
    if t and len(t) != len(v):
        faults.append(Fault("rest voltage", f"{len(t)} hours and {len(v)} voltages", "give one hour for each voltage"))
    if any(x < 0 for x in t) or any(later <= before for before, later in pairwise(t)):
        faults.append(
            Fault("rest hours", "they do not rise from zero", "give the hours since current stopped, in order")
        )
    if faults:
        raise InputError(faults)
    return (t, v) if t else ([], v[-1:])


def _one(hours: float | None, volts: float, unit: Unit, *, lines: tuple[Line, ...], near: float) -> Estimate:
    """Return a single reading with what may still come; `lines` are the meter's."""
    chem = unit.chem
    least, tau = chem.num("rest_h_min"), chem.num("tau2") / 3600.0
    at = 0.0 if hours is None else hours
    start = MOVE_V[chem.kind] * unit.cells
    left = start * math.exp(-at / tau)
    wait = max(0.0, least - at, tau * math.log(start / near) - at)
    remarks: tuple[Remark, ...] = ()
    if hours is None:
        remarks = (unknown_rest(unit, least),)
    elif hours < least:
        weight = Weight.DOUBTFUL if left > near else Weight.NOTED
        remarks = (moving(unit, left, hours=hours, wait=wait, weight=weight),)
    facts = {"wait_hours": wait, "now_off_v": left, "readings": 1.0}
    if hours is not None:
        facts["rest_hours"] = hours
    budget = (*lines, Line("what may still come", left / math.sqrt(3.0), Shape.RECTANGULAR))
    return Estimate(quantity=Quantity.REST_V, value=volts, budget=budget, facts=facts, remarks=remarks)


def _wait_h(seen: Relaxing, now_h: float, near: float) -> float:
    """Return how long from now until the voltage is within `near` of where it settles, by bisection. [h]"""
    end, longest = seen.at().value, 1000.0
    if abs(seen.at(now_h).value - end) <= near:
        return 0.0
    low, high = 0.0, longest
    for _ in range(40):
        middle = (low + high) / 2
        if abs(seen.at(now_h + middle).value - end) > near:
            low = middle
        else:
            high = middle
    return high

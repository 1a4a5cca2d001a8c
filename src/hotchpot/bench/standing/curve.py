r"""
A unit's own open-circuit curve, measured on the bench: from slow runs, or from rest points of known charge.

A label's chemistry does not fix the curve: cells of one name differ by tens of millivolts. A unit's own curve beats
the chemistry's. It is per cell, rises strictly, and carries its own doubt; where the unit was not measured it is filled
with the chemistry's curve, shifted to meet it, and keeps the chemistry's doubt there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from hotchpot.bench.meter import Meter
from hotchpot.bench.remark import Remark, Weight
from hotchpot.bench.trace import Trace
from hotchpot.chemistry import Curve, Grade
from hotchpot.errors import Fault, InputError
from hotchpot.pile.unit import Unit

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

SLOW_C = 1 / 15
LEAST_SPAN_OF_RUN = 0.8
LEAST_SPAN_OF_POINTS = 0.5
LEAST_POINTS = 4
DIFFUSION = 3.0  # of the typical ohmic drop; one measured cell at C/15 lay 10 to 25 mV under its rest points
LEADS_RATIO = 10.0
_GRID = 41
_RISE_V = 1e-5  # equal voltages of a flat part are set apart by this, so that the curve can be read backwards
_RULE = "project rule: docs/methods/bench-charge.md"


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnCurve:
    """
    An open-circuit curve of one cell with its doubt.

    `sd_v` is the standard deviation of its voltage, `gap_v` the full gap between charge and discharge branches that is
    left [V per cell]; both hold from `low` to `high` charge. `measured` is false for a chemistry's curve. A refused
    curve holds the chemistry's with a remark that says why.
    """

    curve: Curve
    sd_v: float
    gap_v: float
    low: float = 0.0
    high: float = 1.0
    measured: bool = False
    facts: dict[str, float] = field(default_factory=dict)
    remarks: tuple[Remark, ...] = ()

    @property
    def refused(self) -> bool:
        """Whether the unit's own curve could not be told."""
        return any(remark.weight is Weight.REFUSED for remark in self.remarks)

    def sd_at(self, soc: float, *, otherwise: float) -> float:
        """Return the doubt of the voltage at a charge: its own where it was measured, `otherwise` beyond. [V]"""
        return self.sd_v if self.low - 0.01 <= soc <= self.high + 0.01 else max(self.sd_v, otherwise)


def curve_of_run(
    discharge: Trace,
    *,
    unit: Unit,
    meter: Meter,
    capacity_ah: float | None = None,
    resistance_mohm: float | None = None,
    full_rest_v: float | None = None,
    charge: Trace | None = None,
) -> OwnCurve:
    r"""
    Return a unit's own curve from a slow discharge from full, and the slow charge from empty where there is one.

    Parameters
    ----------
    discharge : Trace
        From full; current positive.
    unit : Unit
        What it is.
    meter : Meter
        What volts were read with.
    capacity_ah : float, optional
        Capacity at the run's rate. None takes what the run drew, if it ended at the empty voltage. [Ah]
    resistance_mohm : float, optional
        Measured resistance of the whole unit, 10 s or longer. None takes the chemistry's typical one, in more doubt,
        and asks for C/15 or slower. [mΩ]
    full_rest_v : float, optional
        Rest voltage of the whole unit just before the run, full. What the voltage fell by in the run's first samples,
        less what the chemistry's curve falls by over the charge they drew, is then the drop at that current, with leads
        and contacts; it beats `resistance_mohm`. [V]
    charge : Trace, optional
        The charge from empty at a like current, negative. The mean of both branches is free of the drop and of half
        the hysteresis.

    Returns
    -------
    OwnCurve
        Refused under ``run-too-fast``, ``run-too-short`` or ``capacity-unknown``; doubtful under
        ``leads-in-reading``.

    Raises
    ------
    InputError
        If a trace has fewer than ten samples or its current has the wrong sign.

    Notes
    -----
    .. math:: U(s) = \frac{V + I R}{n}, \qquad s = 1 - \frac{q}{Q}

    then the nearest rising curve in the sense of least squares (isotonic regression by pooling of adjacent violators,
    Barlow et al. 1972, from memory; `scipy.optimize.isotonic_regression`). Its doubt joins the meter's gain and
    counts, what the drop leaves out, and the scatter about the rising curve. Slow diffusion adds a few times the
    ohmic drop on a single branch: its doubt is three times the typical drop (guess after one measured cell); the mean
    of both branches leaves a tenth of it. Near empty diffusion may exceed that.
    """
    import numpy as np

    _check_run(discharge, charge)
    chem, empty_v = unit.chem, unit.cells * unit.chem.num("discharge_min_v")
    drawn, ended_v = discharge.drawn_ah, float(np.nanmin(discharge.volts[-5:]))
    if capacity_ah is None and ended_v > 1.01 * empty_v:
        says = f"the run ended at {ended_v:.2f} V, above the empty {empty_v:.2f} V, and no capacity was given"
        why = "without the capacity, the charge left at the end is not known"
        return _no_curve(unit, "capacity-unknown", says, why, "Run it down to the empty voltage, or give the capacity.")
    capacity = drawn if capacity_ah is None else capacity_ah
    rate = abs(discharge.mean_a) / capacity
    if resistance_mohm is None and charge is None and full_rest_v is None and rate > 1.15 * SLOW_C:
        says = f"the run was at C/{1 / rate:.1f}, faster than C/15, and the resistance is not known"
        why = "the load's own drop is mixed into the voltage"
        return _no_curve(unit, "run-too-fast", says, why, "Measure the resistance, or run at C/15 or slower.")
    span = drawn / capacity
    if span < LEAST_SPAN_OF_RUN:
        says = f"the run spans {span:.0%} of the capacity, less than {LEAST_SPAN_OF_RUN:.0%}"
        return _no_curve(unit, "run-too-short", says, "a curve needs its ends", "Run it from full to empty.")
    typical = chem.typical_mohm(unit.cells, capacity) / 1000.0
    ohm = typical if resistance_mohm is None else resistance_mohm / 1000.0
    if full_rest_v is not None:
        ohm = _ohm_from_rest(discharge, unit, full_rest_v, capacity)
    low = max(0.0, 1.0 - span)
    grid = np.linspace(low, 1.0, _GRID)
    down = _branch(discharge, 1.0 - (discharge.ah - discharge.ah[0]) / capacity, ohm, grid) / unit.cells
    gap, drop = chem.num("ocv_hysteresis"), abs(discharge.mean_a) * ohm / unit.cells
    mean, drop_sd = down, DIFFUSION * abs(discharge.mean_a) * min(ohm, typical) / unit.cells
    if charge is not None:
        back = charge.ah[0] - charge.ah
        up = _branch(charge, low + back * (1.0 - low) / float(back[-1]), ohm, grid) / unit.cells
        mean, drop_sd = (down + up) / 2, 0.1 * drop_sd
        gap = float(max(gap, np.median(up - down)))
    rising, scatter = _rising(mean)
    facts = {"c_rate": rate, "drop_v": drop, "scatter_v": scatter, "capacity_ah": capacity, "gap_v": gap}
    sd = _root(_meter_sd(meter, unit, float(np.mean(mean))), drop_sd, scatter)
    remarks = (_leads(unit, 1000.0 * ohm, 1000.0 * typical),) if ohm > LEADS_RATIO * typical else ()
    return replace(
        _filled(unit, soc=grid, volts=rising, sd_v=sd, gap_v=gap, facts=facts, source="the unit's own slow run"),
        remarks=remarks,
    )


def curve_of_points(
    soc: Sequence[float],
    volts: Sequence[float],
    *,
    unit: Unit,
    meter: Meter,
    soc_sd: float = 0.01,
    gap_v: float | None = None,
) -> OwnCurve:
    r"""
    Return a unit's own curve from rest points whose charge is known by counting.

    Parameters
    ----------
    soc, volts : sequence of float, shape (n,)
        True charge, 0 to 1, and the whole unit's rest voltage there. [1], [V]
    unit : Unit
        What it is.
    meter : Meter
        What the volts were read with.
    soc_sd : float, default 0.01
        Doubt of each point's charge. [1]
    gap_v : float, optional
        Full gap between charge and discharge branches; the chemistry's when None. Points taken on both branches need
        none. [V per cell]

    Returns
    -------
    OwnCurve
        Refused under ``too-few-points`` with fewer than four points or less than half of the charge between them.

    Raises
    ------
    InputError
        If the lists differ in length, or a charge is not within 0 to 1.

    Notes
    -----
    Points are made rising as in `curve_of_run`, and joined straight. The doubt joins meter, scatter, the points' doubt
    of charge times the mean slope, and what straight lines between such points miss of the chemistry's own curve (root
    mean square): points 20 % apart cut a knee by up to 30 mV.

    Examples
    --------
    >>> from hotchpot.bench.meter import meter
    >>> cell = Unit(id="C1", chemistry="nmc", cells=1, rated_ah=2.1, rated_hours=5)
    >>> own = curve_of_points([0.1, 0.3, 0.6, 0.9], [3.53, 3.67, 3.88, 4.10], unit=cell, meter=meter("lab"))
    >>> print(f"{own.curve.volts(0.45):.3f}")
    3.775
    """
    import numpy as np

    s, v = np.asarray(soc, dtype=float), np.asarray(volts, dtype=float)
    faults = []
    if s.shape != v.shape:
        faults.append(
            Fault("rest points", f"{s.size} charges and {v.size} voltages", "give one voltage for each charge")
        )
    if not bool(np.all(np.isfinite(s) & (s >= 0) & (s <= 1))):
        faults.append(Fault("rest points", "a charge is not within 0 to 1", "give charge as a fraction"))
    if not bool(np.all(np.isfinite(v))):
        faults.append(Fault("rest points", "a voltage is not a number", "give volts"))
    if faults:
        raise InputError(faults)
    where, which = np.unique(s, return_inverse=True)
    mean = np.bincount(which, v) / np.bincount(which) / unit.cells
    if where.size < LEAST_POINTS or where[-1] - where[0] < LEAST_SPAN_OF_POINTS:
        spanned = float(np.ptp(where)) if where.size else 0.0
        says = f"{where.size} points over {spanned:.0%} of the charge"
        why = f"a curve needs {LEAST_POINTS} points over {LEAST_SPAN_OF_POINTS:.0%} at the least"
        return _no_curve(unit, "too-few-points", says, why, "Rest and read it at more charges.")
    rising, scatter = _rising(mean)
    slope = (rising[-1] - rising[0]) / (where[-1] - where[0])
    gap = unit.chem.num("ocv_hysteresis") if gap_v is None else gap_v
    bend = _bend(unit, where)
    sd = _root(_meter_sd(meter, unit, float(np.mean(mean))), scatter, soc_sd * float(slope), bend)
    return _filled(
        unit,
        soc=where,
        volts=rising,
        sd_v=sd,
        gap_v=gap,
        facts={"points": float(where.size), "scatter_v": scatter, "bend_v": bend},
        source="the unit's own rest points",
    )


def _leads(unit: Unit, mohm: float, typical_mohm: float) -> Remark:
    return Remark(
        code="leads-in-reading", weight=Weight.DOUBTFUL, subject=unit.id,
        says=f"{mohm:.0f} mΩ between rest and load, against {typical_mohm:.1f} mΩ of a good unit of this size",
        why="the volts were read over leads or contacts that carry the current; the curve was freed of that drop",
        do="Clip the volt leads to the unit's own terminals, apart from the load's, and look for a hot joint.",
        source="Ohm's law; ten times the typical: " + _RULE, value=mohm, limit=LEADS_RATIO * typical_mohm, unit="mΩ",
    )  # fmt: skip


def _check_run(discharge: Trace, charge: Trace | None) -> None:
    faults = []
    for name, trace, sign in (("discharge", discharge, 1.0), ("charge", charge, -1.0)):
        if trace is None:
            continue
        if trace.time_s.size < 10:
            faults.append(Fault(f"the {name}", "fewer than ten samples", "give a whole run"))
        elif sign * trace.drawn_ah <= 0:
            faults.append(Fault(f"the {name}", "its current has the wrong sign", "current is positive on discharge"))
    if faults:
        raise InputError(faults)


def _ohm_from_rest(discharge: Trace, unit: Unit, full_rest_v: float, capacity_ah: float) -> float:
    """Return the fall from rest in the first samples over their current, less what the curve itself fell by then."""
    import numpy as np

    left = 1.0 - float(np.median(discharge.ah[:5]) - discharge.ah[0]) / capacity_ah
    fallen_v = unit.cells * (unit.chem.ocv.volts(1.0) - unit.chem.ocv.volts(left))
    drop_v = full_rest_v - float(np.nanmedian(discharge.volts[:5])) - fallen_v
    return max(0.0, drop_v) / float(np.median(discharge.amps[:5]))


def _branch(trace: Trace, soc: NDArray[np.float64], ohm: float, grid: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the voltage free of the drop over the grid of charge; instants that are not to be used are left out."""
    import numpy as np

    good = np.isfinite(trace.volts) & (abs(trace.amps) > 0.2 * abs(trace.mean_a))
    order = np.argsort(soc[good], kind="stable")
    free: NDArray[np.float64] = trace.volts[good] + trace.amps[good] * ohm
    return np.interp(grid, soc[good][order], free[order])


def _rising(volts: NDArray[np.float64]) -> tuple[NDArray[np.float64], float]:
    """Return the nearest rising curve, and the scatter of the points about it."""
    import numpy as np
    from scipy.optimize import isotonic_regression  # type: ignore[import-untyped]  # scipy ships no types

    nearest = np.asarray(isotonic_regression(volts).x, dtype=float)
    scatter = float(np.sqrt(np.mean((volts - nearest) ** 2)))
    return nearest + _RISE_V * np.arange(nearest.size), scatter


def _bend(unit: Unit, where: NDArray[np.float64]) -> float:
    """Return what straight lines between these charges miss of the chemistry's curve, root mean square. [V per cell]"""
    import numpy as np

    of_label = unit.chem.ocv
    grid = np.linspace(where[0], where[-1], 201)
    at = np.interp(where, of_label.soc, of_label.volt)
    missed = np.interp(grid, of_label.soc, of_label.volt) - np.interp(grid, where, at)
    return float(np.sqrt(np.mean(missed**2)))


def _meter_sd(meter: Meter, unit: Unit, cell_v: float) -> float:
    return _root(meter.volts.gain_sd_frac() * cell_v, meter.volts.own_sd() / unit.cells)


def _root(*parts: float) -> float:
    return float(sum(part**2 for part in parts) ** 0.5)


def _filled(
    unit: Unit,
    *,
    soc: NDArray[np.float64],
    volts: NDArray[np.float64],
    sd_v: float,
    gap_v: float,
    facts: dict[str, float],
    source: str,
) -> OwnCurve:
    """Return the curve with its unmeasured ends taken from the chemistry's, shifted to meet it."""
    of_label, points = unit.chem.ocv, list(zip(soc.tolist(), volts.tolist(), strict=True))
    first, last = points[0], points[-1]
    under, over = first[1] - of_label.volts(first[0]), last[1] - of_label.volts(last[0])
    label = list(zip(of_label.soc, of_label.volt, strict=True))
    below = [(s, v + under) for s, v in label if s < first[0] - 1e-3]
    above = [(s, v + over) for s, v in label if s > last[0] + 1e-3]
    every = [*below, *points, *above]
    curve = Curve(tuple(s for s, _ in every), tuple(v for _, v in every), source, Grade.MEASURED)
    return OwnCurve(
        curve=curve, sd_v=sd_v, gap_v=gap_v, low=first[0], high=last[0], measured=True, facts={**facts, "sd_v": sd_v}
    )


def _no_curve(unit: Unit, code: str, says: str, why: str, do: str) -> OwnCurve:
    chem = unit.chem
    remark = Remark(code=code, weight=Weight.REFUSED, subject=unit.id, says=says, why=why, do=do, source=_RULE)
    return OwnCurve(
        curve=chem.ocv,
        sd_v=chem.num("ocv_curve_sd"),
        gap_v=chem.num("ocv_hysteresis"),
        facts={},
        remarks=(remark,),
    )

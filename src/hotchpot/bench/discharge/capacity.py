r"""
Capacity out of a discharge run: what was drawn down to the cut-off, and how well that is known.

.. math:: Q = \int_0^{t_c} I\,dt

by the trapezium rule where the samples were taken. A run that did not reach its cut-off tells no capacity and is
refused. `to_rated` brings a capacity to 25 °C and the rated hours, so that units can be compared.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from hotchpot.bench.discharge.capacity_budget import budget_of_run
from hotchpot.bench.discharge.capacity_remarks import (
    charged_in_run,
    current_unknown,
    cutoff_high,
    cutoff_low,
    cutoff_missed,
    gap_in_run,
    no_load,
    paused,
    run_aborted,
    run_past,
)
from hotchpot.bench.discharge.rated import to_rated
from hotchpot.bench.discharge.runend import Loaded, RunEnd, end_of_run, loaded_part
from hotchpot.bench.estimate import Estimate, Quantity, refused
from hotchpot.bench.meter import Accuracy, Meter
from hotchpot.bench.remark import Remark
from hotchpot.bench.trace import Trace, trace_of
from hotchpot.electrics._checks import require_positive
from hotchpot.errors import Fault, InputError
from hotchpot.pile.unit import Unit

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["accuracy_through", "capacity_of_run", "to_rated", "trace_through"]

REACHED_FRAC = 0.02  # of what was drawn: what may be left to, or gone past, the cut-off; project rule
MOST_GAP_FRAC = 0.05  # of what was drawn: what may lie in gaps; project rule
MOST_PAUSE_FRAC = 0.05  # of the run's time; project rule
STATED_LOW_FRAC = 0.01  # of the empty voltage: a stated cut-off is lower than that; project rule
TOO_DEEP_FRAC = 0.05  # of the empty voltage, under it at any reading: the unit was taken too deep; project rule
# The least fall of the voltage at the end of a discharge, for a run whose readings are too sparse to show it: guess.
# The lead-acid runs that it was held against fall by 2.5 V a cell and whole charge in their last minutes.
END_SLOPE_V_PER_CELL = 1.0


def capacity_of_run(
    trace: Trace,
    *,
    unit: Unit,
    meter: Meter,
    cutoff_v: float | None = None,
    count_v: float | None = None,
    when: str | None = None,
    gap_s: float = 0.0,
    amps: Accuracy | None = None,
) -> Estimate:
    r"""
    Return the capacity that a discharge run drew, at its own rate and temperature.

    Parameters
    ----------
    trace : Trace
        The run from load on; rests before and after it are left out. NaN volts are no readings.
    unit : Unit
        What was discharged.
    meter : Meter
        What it was read with.
    cutoff_v : float, optional
        Where the run was to end; None takes the run's own end, where that lies near the chemistry's. Below the
        chemistry's own empty voltage, what was drawn past that does not count. [V]
    count_v : float, optional
        Last digit of the voltmeter; the meter's own when None. [V]
    when : str, optional
        ISO date or time.
    gap_s : float
        Time inside the run that no sample covers. [s]
    amps : Accuracy, optional
        How well the current is known, where not by the meter (`accuracy_through`).

    Returns
    -------
    Estimate
        Capacity as drawn [Ah], with the facts ``drawn_ah``, ``hours`` and ``mean_a`` (both under load), ``end_v``,
        ``cutoff_v``, ``short_of_cutoff_frac`` (below zero past it; left out where the voltage was not falling),
        ``gap_s``, and ``temperature_c`` where read.
        Refused: ``run-aborted``, ``gap-in-run``, ``cutoff-missed``, ``charged-in-run``, ``no-load``,
        ``current-unknown``.

    Raises
    ------
    InputError
        If the trace's arrays differ in length, hold fewer than two samples, or its time falls; if `cutoff_v` is not
        above zero or `gap_s` below.

    Notes
    -----
    The cut-off is passed at the first crossing after which the voltage stays below it under load, straight between
    samples. A run that ends short of it counts whole if what was left, by the slope at its end, is under 2 % of what
    was drawn; that share then is a line of the budget, as a known error left uncorrected (JCGM 100:2008, F.2.4.5).
    Starting full is taken on trust: nothing in a run shows it.

    Examples
    --------
    >>> from hotchpot.bench.meter import meter
    >>> unit = Unit(id="U", chemistry="lead_agm", cells=6, rated_ah=100, rated_hours=20)
    >>> run = trace_of([0, 36000, 64800, 68400, 70200], [12.7, 12.2, 11.4, 10.9, 10.4], 5.0)
    >>> round(capacity_of_run(run, unit=unit, meter=meter("hand"), cutoff_v=10.5).value, 2)
    97.0
    """
    _check(trace, cutoff_v, gap_s)
    run = loaded_part(trace)
    if run is None:
        return refused(Quantity.CAPACITY, no_load(unit) if _known(trace) else current_unknown(unit), when=when)
    if run.charged_ah > MOST_GAP_FRAC * run.drawn_ah:
        return refused(Quantity.CAPACITY, charged_in_run(unit, run.charged_ah, run.drawn_ah), when=when)
    empty_v = unit.cells * unit.chem.num("discharge_min_v")
    target = empty_v if cutoff_v is None else max(cutoff_v, empty_v)
    fall = unit.cells * max(END_SLOPE_V_PER_CELL, unit.chem.ocv.slope(0.0))
    end = end_of_run(run, target, end_slope_v=fall, past_frac=REACHED_FRAC if cutoff_v is None else 0.0)
    if end is not None and min(end.drawn_ah, end.hours) <= 0.0:
        return refused(Quantity.CAPACITY, cutoff_missed(unit, end.end_v, target), when=when)
    facts = _facts(trace, run, end, target, gap_s)
    against = _against(unit, run, end, target=target, gap_s=gap_s)
    if end is None or against is not None:
        return refused(Quantity.CAPACITY, *([against] if against else []), when=when, **facts)
    return Estimate(
        quantity=Quantity.CAPACITY,
        value=end.drawn_ah,
        budget=budget_of_run(
            run, end, target, volts=meter.volts, amps=amps or meter.amps, count_v=count_v, gap_s=gap_s
        ),
        facts=facts,
        remarks=tuple(_doubts(unit, run, end, target, cutoff_v)),
        when=when,
        instrument=meter.key,
    )


def trace_through(
    time_s: Sequence[float] | NDArray[np.float64],
    volts: Sequence[float] | NDArray[np.float64],
    ohms: float,
    *,
    temperature_c: float | None = None,
) -> Trace:
    """
    Return the trace of a run through a fixed resistor, its current I = V / R.

    Parameters
    ----------
    time_s, volts : array_like, shape (n,)
        Samples under load; a voltage that is NaN is filled straight from its neighbours for the current only.
    ohms : float
        Of the resistor with its leads, warm. A lamp is none: its resistance grows tenfold as it lights. [Ω]

    Raises
    ------
    InputError
        If `ohms` is not above zero, or no voltage is a number.

    Examples
    --------
    >>> trace_through([0, 3600], [12.0, 11.0], 2.0).drawn_ah
    5.75
    """
    import numpy as np

    require_positive(ohms=ohms)
    t, v = np.asarray(time_s, dtype=float), np.asarray(volts, dtype=float)
    known = np.isfinite(v)
    if not known.any():
        raise InputError.one("volts", "none is a number", "give the volts of the run")
    return trace_of(t, v, np.interp(t, t[known], v[known]) / ohms, temperature_c=temperature_c)


def accuracy_through(ohms: float, tolerance_frac: float, *, meter: Meter, count_v: float | None = None) -> Accuracy:
    """
    Return how well a current is known that is the voltage over a resistor.

    Resistor and voltmeter are both off by a share that is common to all readings; their limits are joined as roots of
    squares, so that the standard deviation is right.

    Examples
    --------
    >>> from hotchpot.bench.meter import meter
    >>> round(accuracy_through(2.0, 0.05, meter=meter("hand")).gain_frac, 4)
    0.0502
    """
    require_positive(ohms=ohms)
    count = meter.volts.count if count_v is None else count_v
    return Accuracy(math.hypot(tolerance_frac, meter.volts.gain_frac), meter.volts.counts, count / ohms)


def _check(trace: Trace, cutoff_v: float | None, gap_s: float) -> None:
    n = len(trace.time_s)
    faults = []
    if n < 2 or not len(trace.volts) == len(trace.amps) == len(trace.ah) == n:
        faults.append(Fault("run", f"has {n} times and unlike lists", "give two or more readings, volts with each"))
    elif not (trace.time_s[1:] >= trace.time_s[:-1]).all() or trace.time_s[-1] <= trace.time_s[0]:
        faults.append(Fault("run", "its time stands still or falls", "give the readings in the order of time"))
    if cutoff_v is not None and not (math.isfinite(cutoff_v) and cutoff_v > 0.0):
        faults.append(Fault("cutoff_v", f"must be above zero; got {cutoff_v:g}", "give the volts at which to stop"))
    if not gap_s >= 0.0:
        faults.append(Fault("gap_s", f"must be zero or more; got {gap_s:g}", "give the seconds that were lost"))
    if faults:
        raise InputError(faults)


def _known(trace: Trace) -> bool:
    return all(math.isfinite(one) for one in (float(trace.ah[-1]), float(trace.amps.sum())))


def _facts(trace: Trace, run: Loaded, end: RunEnd | None, target: float, gap_s: float) -> dict[str, float]:
    facts = {"drawn_ah": run.drawn_ah, "hours": float(run.hours[-1]), "cutoff_v": target, "gap_s": gap_s}
    if end is not None:
        facts |= {"drawn_ah": end.drawn_ah, "hours": end.hours, "end_v": end.end_v}
        if math.isfinite(end.short_ah):
            facts["short_of_cutoff_frac"] = float(end.short_ah / end.drawn_ah)
    facts["mean_a"] = facts["drawn_ah"] / facts["hours"]
    return facts if trace.temperature_c is None else {**facts, "temperature_c": trace.temperature_c}


def _against(unit: Unit, run: Loaded, end: RunEnd | None, *, target: float, gap_s: float) -> Remark | None:
    """Return why the run tells no capacity, or None."""
    if end is None:
        return run_aborted(
            unit, end_v=None, cutoff_v=target, drawn_ah=run.drawn_ah, left_ah=math.inf, limit_frac=REACHED_FRAC
        )
    if end.missed and not (-end.short_ah <= REACHED_FRAC * end.drawn_ah and _late(run)):
        return cutoff_missed(unit, end.end_v, target)
    if end.short_ah > REACHED_FRAC * end.drawn_ah:
        return run_aborted(
            unit,
            end_v=end.end_v,
            cutoff_v=target,
            drawn_ah=end.drawn_ah,
            left_ah=end.short_ah,
            limit_frac=REACHED_FRAC,
        )
    at_stake = gap_s * end.drawn_ah / end.hours / 3600.0
    if at_stake > MOST_GAP_FRAC * end.drawn_ah:
        return gap_in_run(unit, gap_s, at_stake, end.drawn_ah, MOST_GAP_FRAC)
    return None


def _late(run: Loaded) -> bool:
    """Tell whether the first voltage that is known was read well into the run, so that it says nothing of its start."""
    import numpy as np

    first = int(np.argmax(np.isfinite(run.volts)))
    return bool(run.ah[first] > 0.5 * run.drawn_ah)


def _doubts(unit: Unit, run: Loaded, end: RunEnd, target: float, cutoff_v: float | None) -> list[Remark]:
    import numpy as np

    own = unit.cells * unit.chem.num("discharge_min_v")
    left, lowest_v = (target - own) / end.slope_v_per_ah, float(np.nanmin(run.volts))
    found = []
    if left > MOST_GAP_FRAC * end.drawn_ah:
        found.append(cutoff_high(unit, target, own, left / end.drawn_ah))
    if cutoff_v is not None and cutoff_v < (1.0 - STATED_LOW_FRAC) * own:
        found.append(cutoff_low(unit, cutoff_v, own))
    if end.past_ah > REACHED_FRAC * end.drawn_ah or lowest_v < (1.0 - TOO_DEEP_FRAC) * own:
        found.append(run_past(unit, end.past_ah, target, lowest_v=lowest_v))
    if run.paused_h > MOST_PAUSE_FRAC * end.hours:
        found.append(paused(unit, run.paused_h, end.hours))
    return found

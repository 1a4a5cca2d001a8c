r"""
How fast a unit loses its charge by itself: from two rest voltages weeks apart, or from what was left of its capacity.

Stored full and rested, nothing connected. What the meter's gain and the curve's level have in common for both
readings cancels in their difference; what is left is counts, the slope of the curve, and the temperature.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from hotchpot.bench.estimate import Estimate, Line, Quantity, Shape, coverage_factor, refused
from hotchpot.bench.meter import Meter
from hotchpot.bench.remark import Remark
from hotchpot.bench.standing.charge import READ_LIMIT_K, ROOM_C, ROOM_LIMIT_K
from hotchpot.bench.standing.curve import OwnCurve
from hotchpot.bench.standing.leakage_remarks import (
    by_capacity,
    drift,
    few_days,
    gained,
    no_temperature,
    rising,
    surface,
)
from hotchpot.chemistry import Curve
from hotchpot.errors import Fault, InputError
from hotchpot.pile.unit import Unit

MONTH_DAYS = 30.0
LEAST_DAYS = 14.0
FIRST_WEEK_DAYS = 7.0
DRIFT_LIMIT_MV_DAY = 1.0
_WARMTH = "temperature while standing"
FLAT_V = 0.1  # volts per cell for the whole charge, below which a voltage does not tell it
SLOPE_SD_FRAC = 0.05  # of the curve's slope near full, between units of one kind; engineering guess
REPEAT_SD_FRAC = 0.015  # of a capacity, between two like runs of one unit; common practice, no source


def leakage_of_volts(
    days: Sequence[float],
    volts: Sequence[float],
    *,
    unit: Unit,
    meter: Meter,
    count_v: float | None = None,
    temperature_c: float | None = None,
    curve: Curve | OwnCurve | None = None,
    when: str | None = None,
) -> Estimate:
    r"""
    Return the self-discharge from rest voltages of a unit that stands, the first when full and rested.

    Parameters
    ----------
    days, volts : sequence of float, shape (n,)
        Days of standing and voltage of the whole unit; two or more. [d], [V]
    unit, meter
        What it is, and what it was read with.
    count_v : float, optional
        Last digit that the meter showed. [V]
    temperature_c : float, optional
        Mean while it stood; the pile's when None, a room's in more doubt when that is not known. [°C]
    curve : Curve or OwnCurve, optional
        The unit's own curve of one cell.
    when : str, optional
        ISO date.

    Returns
    -------
    Estimate
        Of `Quantity.LEAKAGE`, as a fraction of capacity in 30 days at 25 °C. Facts: ``days``, ``lost_frac``,
        ``drift_mv_day`` a cell, ``temperature_c``. Refused where the curve is flat (``voltage-plateau``), for nickel
        (``nickel-voltage``) and where the voltage rose (``voltage-rose``); doubtful under ``too-few-days``,
        ``temperature-unread``, ``surface-charge`` and ``drift``.

    Raises
    ------
    InputError
        If there are fewer than two readings, the lists differ in length, or the days do not rise.

    Notes
    -----
    .. math::
        s_i = f^{-1}\!\left(f(1) - \frac{U_0 - U_i}{n}\right), \qquad
        L = -30\,\frac{\sum w_i s_i}{\sum w_i t_i}\;2^{-(\theta - 25)/K}, \quad w_i = t_i - \bar t

    The curve is hung at the first reading, so neither its level nor the meter's gain counts, only its slope (± 5 %,
    guess). *K* kelvin double the leakage, 10 where nothing better is known. Lead by its slope near full; lithium
    mostly by drift: more than 1 mV a day and cell beyond the first week rejects (engineering guess).

    Examples
    --------
    >>> from hotchpot.bench.meter import meter
    >>> agm = Unit(id="A1", chemistry="lead_agm", cells=6, rated_ah=100, rated_hours=20)
    >>> seen = leakage_of_volts([0, 28], [12.80, 12.74], unit=agm, meter=meter("millivolt"), temperature_c=25)
    >>> print(f"{seen.measure:.3f}")
    0.067 ± 0.009
    """
    t, v = _checked("volts", days, volts)
    chem = unit.chem
    cell_mv_day = -1000.0 * _slope(t, v) / unit.cells
    facts = {"days": t[-1] - t[0], "drift_mv_day": cell_mv_day}
    drifts = _drift(unit, t, v, meter.volts.own_limit(count_v)) if chem.kind == "lithium" else ()
    if chem.kind == "nickel":
        return refused(Quantity.LEAKAGE, by_capacity(unit, "nickel-voltage", cell_mv_day), when=when, **facts)
    of_unit = curve.curve if isinstance(curve, OwnCurve) else chem.ocv if curve is None else curve
    charges = [_charge(of_unit, (v[0] - now) / unit.cells) for now in v]
    own = meter.volts.own_limit(count_v)
    if _rose(t, v, own):
        return refused(Quantity.LEAKAGE, rising(unit, v[-1] - v[0]), *drifts, when=when, **facts)
    if _flattest(of_unit, min(charges)) < FLAT_V:
        return refused(Quantity.LEAKAGE, by_capacity(unit, "voltage-plateau", cell_mv_day), *drifts, when=when, **facts)
    weights = _weights(t)
    steepness = [_local(of_unit, s) for s in charges]
    lost = -sum(w * s for w, s in zip(weights, charges, strict=True))
    # The first reading hangs the curve, so its counts shift every charge at once and cancel but for unlike slopes.
    own_each = [MONTH_DAYS * w * own / unit.cells / k for w, k in zip(weights, steepness, strict=True)]
    lines = [
        Line(f"counts of reading {i + 1}", abs(x) / math.sqrt(3.0), Shape.RECTANGULAR) for i, x in enumerate(own_each)
    ]
    doubt = MONTH_DAYS * abs(lost) * SLOPE_SD_FRAC
    month = _month(unit, MONTH_DAYS * lost, [*lines, Line("slope of the curve", doubt)], temperature_c)
    facts["lost_frac"] = charges[0] - charges[-1]
    above = v[0] / unit.cells - of_unit.volts(1.0) > 2 * chem.num("ocv_curve_sd") + own / unit.cells
    remarks = (
        *drifts,
        *((surface(unit, v[0] / unit.cells, of_unit.volts(1.0)),) if above and chem.kind == "lead" else ()),
    )
    return _told(month, unit, t, facts=facts, remarks=remarks, temperature_c=temperature_c, when=when, meter=meter)


def leakage_of_ah(
    days: Sequence[float],
    ah: Sequence[float],
    *,
    unit: Unit,
    meter: Meter,
    mean_a: float | None = None,
    temperature_c: float | None = None,
    when: str | None = None,
) -> Estimate:
    r"""
    Return the self-discharge from the full capacity and what was left of it after standing, both drawn alike.

    Parameters
    ----------
    days, ah : sequence of float, shape (2,)
        Days between full and the run, and what each run drew: first (about 0 days) the full capacity, then the rest
        after days of standing; each from full, at one current, to one cut-off. [d], [Ah]
    unit, meter
        What it is, and what the current was read with.
    mean_a : float, optional
        Current of the runs; rated capacity over rated hours when None. [A]
    temperature_c, when
        As for `leakage_of_volts`.

    Returns
    -------
    Estimate
        As for `leakage_of_volts`; refused under ``capacity-rose``, doubtful also under ``too-few-days``.

    Raises
    ------
    InputError
        If there are not two of each, the days do not rise, or a capacity is not above zero.

    Notes
    -----
    .. math:: L = 30\,\frac{1 - Q_1 / Q_0}{t_1 - t_0}\;2^{-(\theta - 25)/K}

    The gain of the ammeter cancels in the ratio. Its zero is set anew for each run, so it does not; nor does what two
    like runs of one unit differ by (1.5 %, common practice, no source).

    Examples
    --------
    >>> from hotchpot.bench.meter import meter
    >>> agm = Unit(id="A1", chemistry="lead_agm", cells=6, rated_ah=100, rated_hours=20)
    >>> seen = leakage_of_ah([0, 30], [88.0, 83.6], unit=agm, meter=meter("logger"), temperature_c=25)
    >>> print(f"{seen.measure:.3f}")
    0.050 ± 0.022
    """
    t, q = _checked("ah", days, ah)
    if len(q) != 2 or min(q) <= 0:
        raise InputError.one("leak by ah", "it needs two capacities above zero", "give the full one and what was left")
    span, ratio = t[1] - t[0], q[1] / q[0]
    amps = abs(mean_a) if mean_a else unit.rated_ah / unit.rated_hours
    scale = MONTH_DAYS / span
    zero = scale * ratio * meter.amps.offset_sd() / amps
    counts = scale * ratio * meter.amps.own_sd() / amps
    lines = [
        Line("repeating the full run", scale * ratio * REPEAT_SD_FRAC),
        Line("repeating the run after standing", scale * ratio * REPEAT_SD_FRAC),
        Line("zero of the ammeter, full run", zero, Shape.RECTANGULAR),
        Line("zero of the ammeter, second run", zero, Shape.RECTANGULAR),
        Line("counts of the ammeter", math.sqrt(2.0) * counts),
    ]
    month = _month(unit, scale * (1.0 - ratio), [line for line in lines if line.sd > 0], temperature_c)
    facts = {"days": span, "lost_frac": 1.0 - ratio}
    reach = coverage_factor((), 1.0, 0.95) * month.sd
    if month.value is not None and month.value < -reach:
        return refused(Quantity.LEAKAGE, gained(unit, q[0], q[1]), when=when, **facts)
    return _told(month, unit, t, facts=facts, remarks=(), temperature_c=temperature_c, when=when, meter=meter)


def _checked(name: str, days: Sequence[float], values: Sequence[float]) -> tuple[list[float], list[float]]:
    t, v = [float(x) for x in days], [float(x) for x in values]
    faults = []
    if len(t) != len(v):
        faults.append(Fault(f"leak by {name}", f"{len(t)} days and {len(v)} values", "give one day for each value"))
    if len(v) < 2:
        faults.append(Fault(f"leak by {name}", "fewer than two readings", "give the first, when full, and one later"))
    if not all(math.isfinite(x) for x in (*t, *v)):
        faults.append(Fault(f"leak by {name}", "a number is missing or not finite", "give every day and value"))
    if any(later <= before for before, later in pairwise(t)):
        faults.append(Fault(f"leak by {name}", "the days do not rise", "give days of standing in order"))
    if faults:
        raise InputError(faults)
    return t, v


def _weights(t: Sequence[float]) -> list[float]:
    """Return least-squares weights: the slope of values against `t` is their weighted sum."""
    mean = sum(t) / len(t)
    square = sum((x - mean) ** 2 for x in t)
    return [(x - mean) / square for x in t]


def _slope(t: Sequence[float], y: Sequence[float]) -> float:
    return sum(w * x for w, x in zip(_weights(t), y, strict=True))


def _charge(curve: Curve, fallen_v: float) -> float:
    """Return the charge of a cell that fell by so much since full; past full by its slope, as counts may go there."""
    if fallen_v >= 0:
        return curve.soc_at(curve.volts(1.0) - fallen_v)
    return 1.0 - fallen_v / _local(curve, 1.0)


def _local(curve: Curve, soc: float) -> float:
    """Return the slope at a charge, looked at from within the curve. [V per unit of charge]"""
    return curve.slope(min(max(soc, 0.02), 0.98))


def _flattest(curve: Curve, lowest: float) -> float:
    """Return the least slope between full and a little below the lowest charge read. [V per unit of charge]"""
    inside = [s for s in curve.soc if lowest - 0.1 <= s < 1.0]
    points = [*inside, 1.0]
    return min(((curve.volts(b) - curve.volts(a)) / (b - a) for a, b in pairwise(points)), default=0.0)


def _month(unit: Unit, lost: float, lines: Sequence[Line], temperature_c: float | None) -> Estimate:
    """Return the loss in a month where it stood as one at 25 °C."""
    known = temperature_c if temperature_c is not None else unit.temperature_c
    at, limit_k = (ROOM_C, ROOM_LIMIT_K) if known is None else (known, READ_LIMIT_K)
    double = unit.chem.num("self_discharge_double_k")
    factor = 2.0 ** (-(at - 25.0) / double)
    value = lost * factor
    warm = abs(value) * math.log(2.0) / double * limit_k / math.sqrt(3.0)
    budget = [replace(line, sd=line.sd * factor) for line in lines]
    if warm > 0:
        budget.append(Line(_WARMTH, warm, Shape.RECTANGULAR))
    return Estimate(quantity=Quantity.LEAKAGE, value=value, budget=tuple(budget), facts={"temperature_c": at})


def _told(
    month: Estimate,
    unit: Unit,
    t: Sequence[float],
    *,
    facts: dict[str, float],
    remarks: tuple[Remark, ...],
    temperature_c: float | None,
    when: str | None,
    meter: Meter,
) -> Estimate:
    """Return the estimate with bounds held to what can be: a unit does not charge itself."""
    low, high = _bounds(month, unit.chem.num("self_discharge_double_k"))
    span = t[-1] - t[0]
    if span < LEAST_DAYS:
        remarks += (few_days(unit, span, LEAST_DAYS),)
    if temperature_c is None and unit.temperature_c is None:
        remarks += (no_temperature(unit, ROOM_C, ROOM_LIMIT_K),)
    return replace(
        month, value=max(0.0, month.value or 0.0), low=max(0.0, low), high=max(0.0, high),
        facts={**month.facts, **facts}, remarks=remarks, when=when, instrument=meter.key,
    )  # fmt: skip


def _bounds(month: Estimate, double_k: float) -> tuple[float, float]:
    """Return the 95 % bounds; the temperature acts by powers of two, so further up than down."""
    value = month.measure.value
    low, high = [], []
    for line in month.budget:
        if line.cause != _WARMTH or value <= 0:
            low.append(line)
            high.append(line)
            continue
        limit_k = line.sd * math.sqrt(3.0) / (value * math.log(2.0) / double_k)
        down, up = (abs(2.0 ** (side * 0.95 * limit_k / double_k) - 1.0) / 0.95 for side in (-1.0, 1.0))
        low.append(replace(line, sd=value * down / math.sqrt(3.0)))
        high.append(replace(line, sd=value * up / math.sqrt(3.0)))
    return replace(month, budget=tuple(low)).interval(0.95)[0], replace(month, budget=tuple(high)).interval(0.95)[1]


def _rose(t: Sequence[float], v: Sequence[float], own_limit: float) -> bool:
    return _slope(t, v) > 0 and v[-1] - v[0] > 2.0 * own_limit


def _drift(unit: Unit, t: Sequence[float], v: Sequence[float], own_limit: float) -> tuple[Remark, ...]:
    """Return what lithium cells say by drifting; the first week is still settling."""
    late = [(day, volts) for day, volts in zip(t, v, strict=True) if day >= FIRST_WEEK_DAYS]
    sure = len(late) > 1
    used = late if sure else list(zip(t, v, strict=True))
    mv_day = -1000.0 * _slope([d for d, _ in used], [x for _, x in used]) / unit.cells
    if mv_day <= DRIFT_LIMIT_MV_DAY:
        return ()
    blur = 2000.0 * own_limit / unit.cells / (used[-1][0] - used[0][0])
    sure = sure and mv_day - blur > DRIFT_LIMIT_MV_DAY
    return (drift(unit, mv_day, sure=sure, limit=DRIFT_LIMIT_MV_DAY),)

r"""
Capacity and rate by Peukert's law: its two conventions, by name, and its exponent out of runs.

The **textbook** form takes the capacity at one ampere, :math:`t = C_1 / I^n`; the **rated** form takes the label's
capacity at its hours, :math:`t = H\,(C / (I H))^n`. With the same three numbers they give different hours, so each
function says which one it is. Use Peukert or the kinetic model for a unit, never both.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from hotchpot.bench.discharge.rate_remarks import confounders, doubts_of_exponent, exponent_below_one, one_rate_only
from hotchpot.bench.discharge.temperature import capacity_factor
from hotchpot.bench.estimate import Estimate, Line, Quantity, Shape
from hotchpot.chemistry import Chemistry
from hotchpot.electrics._checks import require_positive
from hotchpot.errors import InputError
from hotchpot.measure import Basis, Measure
from hotchpot.pile.unit import Unit

SAME_RATE_FRAC = 0.05  # currents this near are one rate
TEMPERATURE_LIMIT_K = 3.0  # a read temperature, of the cells by a thermometer on the case; common practice, no source
ASSUMED_WEIGHT = 8.0  # the runs' own budgets count as much as the scatter of this many runs; project rule
OF_CURRENT = ("ammeter's gain", "ammeter's zero", "ammeter's counts")


def time_textbook_h(capacity_at_1a_ah: float, amps: float, exponent: float) -> float:
    """
    Return the hours at `amps` by the textbook form, t = C₁ / Iⁿ, with C₁ the capacity at one ampere. [h]

    Raises
    ------
    InputError
        If a number is not above zero.

    Examples
    --------
    >>> time_textbook_h(250.0, 20.0, 1.3)
    5.0886
    """
    require_positive(capacity_at_1a_ah=capacity_at_1a_ah, amps=amps, exponent=exponent)
    return float(capacity_at_1a_ah / amps**exponent)


def time_rated_h(rated_ah: float, rated_hours: float, amps: float, exponent: float) -> float:
    """
    Return the hours at `amps` by the rated form, t = H (C / (I H))ⁿ, with C the capacity at H hours. [h]

    Raises
    ------
    InputError
        If a number is not above zero.

    Examples
    --------
    >>> time_rated_h(100.0, 20.0, 10.0, 1.2)
    8.7055
    """
    require_positive(rated_ah=rated_ah, rated_hours=rated_hours, amps=amps, exponent=exponent)
    return float(rated_hours * (rated_ah / (amps * rated_hours)) ** exponent)


def capacity_at_hours(rated_ah: float, rated_hours: float, hours: float, exponent: float) -> float:
    """
    Return the capacity of a run of `hours`, by the rated form: C (t/H)^(1 − 1/n). [Ah]

    Raises
    ------
    InputError
        If a number is not above zero.

    Examples
    --------
    >>> capacity_at_hours(100.0, 20.0, 10.0, 1.2056)
    88.85
    """
    require_positive(rated_ah=rated_ah, rated_hours=rated_hours, hours=hours, exponent=exponent)
    return float(rated_ah * (hours / rated_hours) ** (1.0 - 1.0 / exponent))


def capacity_at_rated(drawn_ah: float, amps: float, rated_hours: float, exponent: float) -> float:
    r"""
    Return the capacity at the rated hours of a unit that gave `drawn_ah` at `amps`. [Ah]

    Raises
    ------
    InputError
        If a number is not above zero.

    Notes
    -----
    :math:`Q_c = Q (I / I_c)^{n-1}` with :math:`I_c = Q_c / H`, solved for :math:`Q_c = [Q (I H)^{n-1}]^{1/n}`.

    Examples
    --------
    447 minutes at 25 A of a unit with 225 Ah at 20 h, whose exponent a monitor's manual prints as 1.24:

    >>> capacity_at_rated(25 * 447 / 60, 25.0, 20.0, 1.24)
    225.4
    """
    require_positive(drawn_ah=drawn_ah, amps=amps, rated_hours=rated_hours, exponent=exponent)
    return float((drawn_ah * (amps * rated_hours) ** (exponent - 1.0)) ** (1.0 / exponent))


def exponent_of_two(amps: tuple[float, float], hours: tuple[float, float]) -> float:
    """
    Return the exponent from two running times, n = ln(t₂/t₁) / ln(I₁/I₂).

    Raises
    ------
    InputError
        If a number is not above zero, or both currents are the same.

    Examples
    --------
    >>> exponent_of_two((5.0, 10.0), (20.0, 7.5))
    1.415
    """
    require_positive(amps_1=amps[0], amps_2=amps[1], hours_1=hours[0], hours_2=hours[1])
    if amps[0] == amps[1]:
        raise InputError.one("amps", "both currents are the same", "give runs at two different currents")
    return math.log(hours[1] / hours[0]) / math.log(amps[0] / amps[1])


def exponent_of_points(amps: Sequence[float], ah: Sequence[float]) -> float:
    """
    Return the exponent of least squares of ln Q on ln I, n = 1 − slope.

    Raises
    ------
    InputError
        If a number is not above zero, or all currents are the same.

    Examples
    --------
    >>> exponent_of_points([1.0, 2.0, 4.0], [100.0, 80.0, 64.0])
    1.3219
    """
    for one, charge in zip(amps, ah, strict=True):
        require_positive(amps=one, ah=charge)
    x = [math.log(one) for one in amps]
    middle = sum(x) / len(x)
    spread = sum((one - middle) ** 2 for one in x)
    if spread == 0.0:
        raise InputError.one("amps", "all currents are the same", "give runs at different currents")
    return 1.0 - sum((one - middle) * math.log(q) for one, q in zip(x, ah, strict=True)) / spread


def exponent_of_chemistry(chem: Chemistry) -> Measure:
    """
    Return the usual exponent of a chemistry with its doubt: its file's typical value between low and high.

    The three are the corners of a triangular distribution; the doubt is the root mean square distance from the
    typical value, not from the mean, as the typical value is what is used (JCGM 100:2008, 4.3.8 and F.2.4.5).

    Examples
    --------
    >>> from hotchpot.chemistry import chemistry
    >>> print(f"{exponent_of_chemistry(chemistry('lead_agm')):.3f}")
    1.100 ± 0.020
    """
    low, typical, high = (float(n) for n in chem.row("peukert"))
    variance = (low**2 + typical**2 + high**2 - low * typical - low * high - typical * high) / 18.0
    return Measure(typical, math.hypot(math.sqrt(variance), (low + high - 2 * typical) / 3.0), Basis.ASSUMED)


def exponent_of_runs(runs: Sequence[Estimate], *, unit: Unit) -> Estimate:
    r"""
    Return the rate exponent that capacity runs of one unit tell, or refuse it.

    Parameters
    ----------
    runs : sequence of Estimate
        Capacities as drawn (`capacity_of_run`), with the facts ``mean_a`` and ``hours``; ``temperature_c`` and
        ``charged_frac`` (charge put back before the run over that of the run before) where known. Refused ones are
        left out.
    unit : Unit
        Whose runs they are.

    Returns
    -------
    Estimate
        The exponent. Refused: ``one-rate-only``, and ``exponent-below-one``, which names what the runs' own figures
        show to be mixed with the rate.

    Raises
    ------
    InputError
        If a run lacks its current or its hours, or is not a capacity.

    Notes
    -----
    .. math:: n = 1 - \frac{\sum_g (x_g - \bar x)\,\ln \bar Q_g}{\sum_g (x_g - \bar x)^2}, \qquad x_g = \ln \bar I_g

    over rates g, the means of runs whose currents agree within 5 %, each capacity first brought to 25 °C where its
    temperature is known. The doubt joins the runs' scatter with their own budgets, which count as eight runs; errors
    common to one ammeter shift all runs, so its gain cancels and its zero does not.
    """
    whole = [_point(run, unit.chem) for run in runs if not run.refused]
    rates = _rates(whole)
    facts = {"runs": float(len(whole)), "rates": float(len(rates))}
    if len(rates) < 2:
        return Estimate(quantity=Quantity.EXPONENT, value=None, facts=facts, remarks=(one_rate_only(unit, len(whole)),))
    fit = _fit(rates)
    facts |= {"least_a": min(p.amps for p in whole), "most_a": max(p.amps for p in whole)}
    if fit.exponent < 1.0:
        mixed = confounders([p.run for p in whole], unit)
        remark = exponent_below_one(unit, fit.exponent, math.hypot(*(line.sd for line in fit.budget)), mixed)
        return Estimate(quantity=Quantity.EXPONENT, value=None, facts=facts, remarks=(remark,))
    return Estimate(
        quantity=Quantity.EXPONENT,
        value=fit.exponent,
        budget=fit.budget,
        facts=facts,
        remarks=doubts_of_exponent(unit, fit.exponent, [p.run for p in whole]),
        when=max((run.when for run in runs if run.when), default=None),
        instrument="+".join(sorted({p.run.instrument for p in whole if p.run.instrument})),
    )


@dataclass(frozen=True, slots=True)
class _Point:
    """A run as the fit takes it: current, charge at 25 °C, and its own doubt that no other run shares."""

    run: Estimate
    amps: float
    ah: float
    own_frac: float

    def common_frac(self, *causes: str) -> float:
        """Return the part of the value that a common cause may shift, one standard deviation."""
        return sum(line.sd for line in self.run.budget if line.common and line.cause in causes) / self.run.measure.value


@dataclass(frozen=True, slots=True)
class _Fit:
    exponent: float
    budget: tuple[Line, ...]


def _point(run: Estimate, chem: Chemistry) -> _Point:
    if run.quantity is not Quantity.CAPACITY or not {"mean_a", "hours"} <= run.facts.keys():
        raise InputError.one("runs", "one is no capacity with its current and hours", "give what capacity_of_run gives")
    amps, drawn = run.facts["mean_a"], run.measure.value
    own = math.hypot(0.0, *(line.sd / drawn for line in run.budget if not line.common))
    warmth = run.facts.get("temperature_c")
    if warmth is None:
        return _Point(run, amps, drawn, own)
    factor, warmer, colder = (
        capacity_factor(chem, warmth + off, hours=run.facts["hours"]).value
        for off in (0.0, TEMPERATURE_LIMIT_K, -TEMPERATURE_LIMIT_K)
    )
    by_warmth = (warmer - colder) / 2.0 / factor / math.sqrt(3.0)
    return _Point(run, amps, drawn / factor, math.hypot(own, by_warmth))


def _rates(points: Sequence[_Point]) -> list[list[_Point]]:
    """Return the points in groups of equal current, rising; each group within 5 % of its first."""
    groups: list[list[_Point]] = []
    for point in sorted(points, key=lambda p: p.amps):
        if groups and point.amps <= groups[-1][0].amps * (1.0 + SAME_RATE_FRAC):
            groups[-1].append(point)
        else:
            groups.append([point])
    return groups


def _fit(rates: Sequence[Sequence[_Point]]) -> _Fit:
    amps = [sum(p.amps for p in group) / len(group) for group in rates]
    mean_ah = [sum(p.ah for p in group) / len(group) for group in rates]
    exponent = exponent_of_points(amps, mean_ah)
    x = [math.log(a) for a in amps]
    middle = sum(x) / len(x)
    spread = sum((one - middle) ** 2 for one in x)
    weights = [(p, (x[g] - middle) / spread / len(group)) for g, group in enumerate(rates) for p in group]
    level = sum(math.log(q) - (1.0 - exponent) * one for one, q in zip(x, mean_ah, strict=True)) / len(x)
    scatter = sum((math.log(p.ah) - level - (1.0 - exponent) * math.log(p.amps)) ** 2 for p, _ in weights)
    assumed = sum(p.own_frac**2 for p, _ in weights) / len(weights)
    per_run = math.sqrt((ASSUMED_WEIGHT * assumed + scatter) / (ASSUMED_WEIGHT + len(weights) - 2))
    own = Line("repeatability and scatter of the runs", per_run * math.hypot(*(w for _, w in weights)))
    return _Fit(exponent, (own, *_common_lines(weights, exponent)))


def _common_lines(weights: Sequence[tuple[_Point, float]], exponent: float) -> tuple[Line, ...]:
    """
    Return what gain and zero of the ammeters do.

    A gain cancels between the runs of its ammeter. A zero is a session's own (bench/meter.py) and a run is a session;
    where a logger kept one for all runs, part of it cancels, and the line is wider than it need be.
    """
    gain, zero, _ = OF_CURRENT
    meters = {p.run.instrument for p, _ in weights}
    by_meter = (sum(w * p.common_frac(gain) for p, w in weights if p.run.instrument == one) for one in meters)
    by_run = (w * p.common_frac(zero) for p, w in weights)
    moved = {gain: exponent * math.hypot(*by_meter), zero: exponent * math.hypot(*by_run)}
    lines = (Line(cause, sd, Shape.RECTANGULAR, common=True) for cause, sd in moved.items())
    return tuple(line for line in lines if line.sd > 1e-9)

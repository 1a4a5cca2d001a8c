r"""
A run's capacity as it would be at 25 °C and the rated hours, so that units can be compared.

Temperature comes first, at the run's own current, then the rate, by Peukert's exponent or by the kinetic model.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

from hotchpot.bench.combine import ONE_FIT
from hotchpot.bench.discharge.capacity_remarks import rate_far, temperature_far, temperature_unknown
from hotchpot.bench.discharge.kinetic import Kinetic
from hotchpot.bench.discharge.kinetic_fit import KineticFit
from hotchpot.bench.discharge.rate import OF_CURRENT, TEMPERATURE_LIMIT_K, capacity_at_rated, exponent_of_chemistry
from hotchpot.bench.discharge.temperature import beyond_table, capacity_factor
from hotchpot.bench.estimate import Estimate, Line, Quantity, Shape
from hotchpot.bench.remark import Remark
from hotchpot.errors import Fault, InputError
from hotchpot.measure import Measure
from hotchpot.pile.unit import Unit

ASSUMED_C, ASSUMED_LIMIT_K = 20.0, 10.0  # a room, where nobody read the temperature; guess
FAR_TIMES = 5.0  # run's current over the rated; project rule
KINETIC_DOUBT_FRAC = 0.1  # of what the kinetic model corrects, one standard deviation, at the least; guess
BY_MODEL = "kinetic model"


class _Rate(NamedTuple):
    """Capacity at the rated hours, its slope d ln Q_c / d ln Q at the run's current, and the doubt of the step."""

    ah: float
    slope: float
    sd: float


def to_rated(run: Estimate, *, unit: Unit, exponent: Measure | None = None, kinetic: Kinetic | None = None) -> Estimate:
    r"""
    Return a run's capacity at 25 °C and the unit's rated hours.

    Parameters
    ----------
    run : Estimate
        Capacity as drawn, with the facts ``hours`` and ``mean_a``, and ``temperature_c`` where read. A refused one
        comes back as it is.
    unit : Unit
        Whose rated hours and chemistry count.
    exponent : Measure, optional
        The unit's own Peukert exponent; the chemistry's usual one when None.
    kinetic : Kinetic, optional
        The unit's own kinetic model, instead of an exponent; only its shape counts, not its size.

    Returns
    -------
    Estimate
        With the facts of the run, and ``temperature_factor``, ``rate_factor``, ``rated_hours``, and ``exponent``
        where one was used. Marked doubtful where the temperature was not read or lies beyond the tables, or where
        the current is more than five times the rated one, or less than a fifth.

    Raises
    ------
    InputError
        If both an exponent and a kinetic model are given, the exponent is below 1, or the run lacks its facts.

    Notes
    -----
    .. math:: Q_{25} = Q / f(\theta), \qquad
        Q_c = Q_{25} (I / I_c)^{n-1} = [Q_{25} (I H)^{n-1}]^{1/n}, \quad I_c = Q_c / H

    An error of the charge at the same current counts 1/n in the result; an error of the current moves both alike and
    counts whole. The doubt of the exponent counts :math:`Q_c \ln(I/I_c) / n`: none at the rated rate.

    Examples
    --------
    >>> unit = Unit(id="U", chemistry="lead_flooded", cells=3, rated_ah=225, rated_hours=20)
    >>> facts = {"hours": 7.45, "mean_a": 25.0, "temperature_c": 25.0}
    >>> run = Estimate(quantity=Quantity.CAPACITY, value=186.25, facts=facts)
    >>> round(to_rated(run, unit=unit, exponent=Measure(1.24)).value, 1)
    225.4
    """
    _check(run, exponent, kinetic)
    if run.refused:
        return run
    drawn, amps, hours = run.measure.value, run.facts["mean_a"], run.facts["hours"]
    warmth = run.facts.get("temperature_c")
    at_c, limit_k = (ASSUMED_C, ASSUMED_LIMIT_K) if warmth is None else (warmth, TEMPERATURE_LIMIT_K)
    factor, warmer, colder = (capacity_factor(unit.chem, at_c + off, hours=hours) for off in (0.0, limit_k, -limit_k))
    n = exponent_of_chemistry(unit.chem) if exponent is None else exponent
    at_25 = drawn / factor.value
    rate = _by_exponent(at_25, amps, unit, n) if kinetic is None else _by_kinetic(at_25, amps, unit, kinetic)
    slope = rate.slope * rate.ah
    by_warmth = abs(warmer.value - colder.value) / 2.0 / math.sqrt(3.0)
    added = (
        Line("temperature of the run", slope * by_warmth / factor.value, Shape.RECTANGULAR),
        Line("temperature coefficient", slope * factor.sd / factor.value, Shape.RECTANGULAR),
        Line("rate exponent" if kinetic is None else BY_MODEL, rate.sd),
    )
    carried = (_carried(line, rate, drawn) for line in run.budget)
    facts = {"temperature_factor": factor.value, "rate_factor": rate.ah / at_25, "rated_hours": unit.rated_hours}
    used = {} if kinetic is not None else {"exponent": n.value}
    return replace(
        run,
        value=rate.ah,
        budget=tuple(line for line in (*carried, *added) if line.sd > 0.0),
        facts={**run.facts, **facts, **used},
        remarks=(*run.remarks, *_doubts(unit, warmth, amps * unit.rated_hours / rate.ah)),
    )


def rated_by_fit(runs: Sequence[Estimate], *, unit: Unit, fit: KineticFit) -> list[Estimate]:
    r"""
    Return the capacities of runs at 25 °C and the rated hours, by the kinetic model that was fitted through them.

    Parameters
    ----------
    runs : sequence of Estimate
        As for `to_rated`: those whose points were fitted, in that order.
    unit : Unit
        Whose rated hours and chemistry count.
    fit : KineticFit
        With a model.

    Returns
    -------
    list of Estimate
        As of `to_rated`, with the fact that they are of one fit, by which `combine` takes them as one.

    Raises
    ------
    InputError
        If the fit has no model, or another number of points.

    Notes
    -----
    What `KineticFit.spread_frac` of the runs' own errors exceeds this run's own lines by is the line of the model,
    never below a tenth of what it corrects: a guess, as no battery is two wells. What the runs of one instrument share
    counts as in one run.
    """
    if fit.kinetic is None or len(fit.points) != len(runs):
        raise InputError.one("fit", f"is not one of these {len(runs)} runs", "give what fit_kinetic made of them")
    alone = [to_rated(run, unit=unit, kinetic=fit.kinetic) for run in runs]
    alike = len({run.instrument for run in runs}) == 1
    errors = [_own_frac(one, alike=alike) for one in alone]
    return [_of_one_fit(one, errors[k], fit.spread_frac(unit.rated_hours, k, errors)) for k, one in enumerate(alone)]


def _own_frac(one: Estimate, *, alike: bool) -> float:
    """Return the relative error of a run that it does not share with the others, without that of the model."""
    own = (line.sd for line in one.budget if line.cause != BY_MODEL and not (alike and line.common))
    return math.hypot(*own) / one.measure.value


def _of_one_fit(one: Estimate, own_frac: float, spread_frac: float) -> Estimate:
    """Return a run of a fit with the line of the model that its spread asks for."""
    guess = math.fsum(line.sd for line in one.budget if line.cause == BY_MODEL)
    more = one.measure.value * math.sqrt(max(0.0, spread_frac**2 - own_frac**2))
    lines = (*(line for line in one.budget if line.cause != BY_MODEL), Line(BY_MODEL, max(guess, more)))
    return replace(one, budget=tuple(line for line in lines if line.sd > 0.0), facts={**one.facts, ONE_FIT: 1.0})


def _check(run: Estimate, exponent: Measure | None, kinetic: Kinetic | None) -> None:
    faults = []
    if run.quantity is not Quantity.CAPACITY:
        faults.append(Fault("run", f"is of {run.quantity}", "give what capacity_of_run gives"))
    elif not run.refused and not {"hours", "mean_a"} <= run.facts.keys():
        faults.append(Fault("run", "lacks its hours or its mean current", "give what capacity_of_run gives"))
    if exponent is not None and kinetic is not None:
        faults.append(Fault("exponent", "is given beside a kinetic model", "give the one or the other"))
    if exponent is not None and not exponent.value >= 1.0:
        faults.append(Fault("exponent", f"must be 1 or above; got {exponent.value:g}", "give a sound one, or none"))
    if faults:
        raise InputError(faults)


def _by_exponent(at_25: float, amps: float, unit: Unit, n: Measure) -> _Rate:
    ah = capacity_at_rated(at_25, amps, unit.rated_hours, n.value)
    return _Rate(ah, 1.0 / n.value, ah * abs(math.log(amps * unit.rated_hours / ah)) / n.value * n.sd)


def _by_kinetic(at_25: float, amps: float, unit: Unit, kinetic: Kinetic) -> _Rate:
    hours, small = at_25 / amps, 1e-4
    here = kinetic.delivered_ah(hours)
    ah = at_25 * kinetic.delivered_ah(unit.rated_hours) / here
    rise = math.log(kinetic.delivered_ah(hours * (1.0 + small)) / here) / math.log1p(small)
    return _Rate(ah, 1.0 - rise, KINETIC_DOUBT_FRAC * abs(ah - at_25))


def _carried(line: Line, rate: _Rate, drawn: float) -> Line:
    """Return a line of the run's budget as it counts at the rated hours."""
    slope = 1.0 if line.cause in OF_CURRENT else rate.slope
    return replace(line, sd=line.sd / drawn * slope * rate.ah)


def _doubts(unit: Unit, warmth: float | None, ratio: float) -> list[Remark]:
    found = []
    if warmth is None:
        found.append(temperature_unknown(unit, ASSUMED_C, ASSUMED_LIMIT_K))
    elif beyond_table(warmth):
        found.append(temperature_far(unit, warmth))
    if not 1.0 / FAR_TIMES <= ratio <= FAR_TIMES:
        found.append(rate_far(unit, ratio, FAR_TIMES))
    return found

r"""
The charge of a unit from its voltage at rest: the open-circuit curve read backwards, with bounds.

A rest voltage tells a set of charges, not one: the meter, the curve and the gap between charge and discharge branches
each shift the voltage. Where the curve rises, the set is narrow and its middle is a number; where it is flat, the set
is wide, only its bounds are told, and the number is refused.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist

from hotchpot.bench.estimate import Estimate, Line, Quantity, Shape, coverage_factor, refused
from hotchpot.bench.standing.charge_remarks import impossible, notices, plateau, too_doubtful
from hotchpot.bench.standing.curve import OwnCurve
from hotchpot.chemistry import Curve
from hotchpot.errors import InputError
from hotchpot.measure import Measure
from hotchpot.pile.unit import Unit

FARTHEST_FRAC = 0.25
END_FRAC = 0.02  # full and empty are agreements: two counts of charge are no better defined than this
_STEPS, _Z = 1001, NormalDist().inv_cdf(0.975)
ROOM_C, ROOM_LIMIT_K, READ_LIMIT_K = 20.0, 8.0, 3.0


@dataclass(frozen=True, slots=True)
class Span:
    """The charge read off a curve: `value`, the 95 % bounds `low` and `high`, and `inner`, the width of ± one sd."""

    value: float
    low: float
    high: float
    inner: float
    at_end: bool

    @property
    def farther(self) -> float:
        """How far the farther bound is from the value."""
        return max(self.high - self.value, self.value - self.low)

    @property
    def flat(self) -> bool:
        """Whether the bounds are too wide for a number; at an end of the curve only the inner width counts."""
        return self.inner > FARTHEST_FRAC or (self.farther > FARTHEST_FRAC and not self.at_end)


def span_of(curve: Curve, cell_v: float, budget_v: Sequence[Line]) -> Span:
    r"""
    Return the charges that fit a cell's rest voltage.

    Parameters
    ----------
    curve : Curve
        Open-circuit voltage of one cell, rising.
    cell_v : float
        Rest voltage of one cell. [V]
    budget_v : sequence of Line
        What shifts it against the curve. [V per cell]

    Notes
    -----
    .. math::
        s_{low,\,high} = f^{-1}(U \mp k\,u), \qquad
        p(s) \propto \exp\!\left[-\tfrac12\left(\frac{1.96\,(U - f(s))}{k\,u}\right)^2\right], \quad 0 \le s \le 1

    with *f* the curve and *k u* the 95 % reach of the budget. The first set holds the true charge as surely as the
    reach holds the voltage's error, but it is no answer to a reading: beside a flat part, most of the units that read
    just above or below it stand on it. So the bounds are the middle 95 % of *p*, the charges weighed by how well they
    explain the reading, all as likely before; but full and empty, which are likelier than any other charge, are taken
    in where the first set has them.

    Examples
    --------
    >>> from hotchpot.chemistry import chemistry
    >>> found = span_of(chemistry("lead_agm").ocv, 2.07, [Line("curve", 0.01)])
    >>> print(f"{found.low:.2f} {found.value:.2f} {found.high:.2f}")
    0.57 0.65 0.75
    """
    sd = _sd(budget_v)
    reach = coverage_factor(tuple(line.sd for line in budget_v if line.shape is Shape.RECTANGULAR), sd, 0.95) * sd
    value = curve.soc_at(cell_v)
    low, high = _weighed(curve, cell_v, reach)
    low = 0.0 if cell_v - reach <= curve.volt[0] else min(low, value)
    high = 1.0 if cell_v + reach >= curve.volt[-1] else max(high, value)
    if value >= 1.0:
        low = min(low, 1.0 - END_FRAC)
    if value <= 0.0:
        high = max(high, END_FRAC)
    inner = curve.soc_at(cell_v + sd) - curve.soc_at(cell_v - sd)
    return Span(value, low, high, inner, value in (0.0, 1.0))


def charge_of_rest(
    rest_v: Measure | Estimate,
    *,
    unit: Unit,
    curve: Curve | OwnCurve | None = None,
    rest_hours: float | None = None,
    temperature_c: float | None = None,
    when: str | None = None,
) -> Estimate:
    r"""
    Return the charge that a rest voltage tells, or only its bounds where the curve is flat.

    Parameters
    ----------
    rest_v : Measure or Estimate
        Rest voltage of the whole unit, with all doubt of meter and settling. An estimate keeps the shapes of its
        errors; a measure is taken as normal. [V]
    unit : Unit
        What it is; its chemistry gives the curve and the curve's doubt.
    curve : Curve or OwnCurve, optional
        The unit's own curve of one cell, which beats the chemistry's. A bare `Curve` keeps the chemistry's doubt.
    rest_hours : float, optional
        Noted among the facts. Its doubt belongs into `rest_v` (`relaxation.settled_v`). [h]
    temperature_c : float, optional
        Of the unit when it was read; the pile's when None, a room's when that is not known either. [°C]
    when : str, optional
        ISO date of the reading.

    Returns
    -------
    Estimate
        Of `Quantity.CHARGE`, with `low` and `high`, the charges compatible with the reading at 95 %. Refused, with the
        bounds still given, under ``voltage-plateau`` and ``reading-too-doubtful``; refused without bounds under
        ``nickel-voltage``, ``reversed``, ``dead-cell`` and ``voltage-impossible``.

    Raises
    ------
    InputError
        If the voltage is not a finite number.

    Notes
    -----
    .. math:: s = f^{-1}\!\left(\frac{U}{n} - \alpha (\theta - 25)\right)

    with α 0.2 mV/K per lead cell; for others it changes sign with the charge and only adds doubt. Cells of one unit
    share the curve's error, so it does not average out over them. Rested units only. A number is given where the
    bounds stay within 0.25 of it and ± one standard deviation spans no more than 0.25.

    Examples
    --------
    >>> agm = Unit(id="A1", chemistry="lead_agm", cells=6, rated_ah=100, rated_hours=20)
    >>> print(f"{charge_of_rest(Measure(12.42, 0.02), unit=agm, temperature_c=25).measure:.2f}")
    0.65 ± 0.05
    >>> iron = Unit(id="F1", chemistry="lfp", cells=4, rated_ah=100, rated_hours=5)
    >>> found = charge_of_rest(Measure(13.2, 0.02), unit=iron)
    >>> print(found.remarks[0].code, f"{found.low:.2f} to {found.high:.2f}")
    voltage-plateau 0.29 to 0.91
    """
    if isinstance(rest_v, Estimate):
        if rest_v.value is None:
            return refused(Quantity.CHARGE, *rest_v.remarks, when=when or rest_v.when)
        volts, read = rest_v.value, rest_v.budget
        when = when or rest_v.when
    else:
        volts, read = rest_v.value, (Line("reading", rest_v.sd),)
    if not math.isfinite(volts):
        raise InputError.one("rest voltage", f"{volts} is not a voltage", "give volts as a finite number")
    beyond = impossible(unit, volts, _sd(read))
    if beyond is not None:
        return refused(Quantity.CHARGE, beyond, when=when, cell_v=volts / unit.cells)
    temperature = temperature_c if temperature_c is not None else unit.temperature_c
    known = _known_curve(unit, curve)
    cell_v = volts / unit.cells - _warmth_v(unit, temperature)
    own = [Line(line.cause, line.sd / unit.cells, line.shape, line.common) for line in read if line.sd > 0]
    lines = [*own, *_curve_lines(unit, known, cell_v, temperature)]
    found = span_of(known.curve, cell_v, lines)
    facts = {"cell_v": cell_v, "low_frac": found.low, "high_frac": found.high, "curve_sd_v": _sd(lines[len(own) :])}
    if rest_hours is not None:
        facts["rest_hours"] = rest_hours
    told = Estimate(quantity=Quantity.CHARGE, value=None, low=found.low, high=found.high, facts=facts, when=when)
    if found.flat:
        limit = 2 * FARTHEST_FRAC
        if span_of(known.curve, cell_v, lines[len(own) :]).flat:
            return told.saying(plateau(unit, volts, found.low, found.high, own_curve=known.measured, limit=limit))
        return told.saying(too_doubtful(unit, volts, found.low, found.high, sd_v=_sd(own), limit=limit))
    given = replace(told, value=found.value, budget=in_charge(found, lines))
    return given.saying(*notices(unit, known.curve, cell_v, 2 * _sd(lines)))


def in_charge(found: Span, budget_v: Sequence[Line]) -> tuple[Line, ...]:
    """Return a budget of volts per cell as one of charge, so that its 95 % reach is the farther bound."""
    sd = _sd(budget_v)
    wide = tuple(line.sd for line in budget_v if line.shape is Shape.RECTANGULAR)
    reach = coverage_factor(wide, sd, 0.95) * sd
    return tuple(Line(line.cause, line.sd * found.farther / reach, line.shape, line.common) for line in budget_v)


def _weighed(curve: Curve, cell_v: float, reach: float) -> tuple[float, float]:
    """Return the middle 95 % of the charges, weighed by how well they explain the voltage (see `span_of`)."""
    import numpy as np

    charges = np.linspace(0.0, 1.0, _STEPS)
    off = _Z * (cell_v - np.interp(charges, curve.soc, curve.volt)) / max(reach, 1e-6)
    weight = np.exp(-0.5 * (off**2 - np.min(off**2)))
    share = np.concatenate([[0.0], np.cumsum(weight[1:] + weight[:-1])])
    low, high = np.interp([0.025, 0.975], share / share[-1], charges)
    return float(low), float(high)


def _sd(lines: Sequence[Line]) -> float:
    return math.hypot(*(line.sd for line in lines))


def _known_curve(unit: Unit, curve: Curve | OwnCurve | None) -> OwnCurve:
    if isinstance(curve, OwnCurve):
        return curve
    chem = unit.chem
    of_label = chem.ocv if curve is None else curve
    return OwnCurve(curve=of_label, sd_v=chem.num("ocv_curve_sd"), gap_v=chem.num("ocv_hysteresis"))


def _warmth_v(unit: Unit, temperature_c: float | None) -> float:
    if unit.chem.kind != "lead" or temperature_c is None:
        return 0.0
    return unit.chem.num("ocv_temp_coeff") / 1000.0 * (temperature_c - 25.0)


def _curve_lines(unit: Unit, known: OwnCurve, cell_v: float, temperature_c: float | None) -> list[Line]:
    """Return what stands between the curve and this unit's voltage. [V per cell]"""
    per_k = abs(unit.chem.num("ocv_temp_coeff")) / 1000.0
    if temperature_c is None:
        warmth = per_k * (ROOM_LIMIT_K + 25.0 - ROOM_C)
    elif unit.chem.kind == "lead":
        warmth = per_k * READ_LIMIT_K
    else:
        warmth = per_k * (abs(temperature_c - 25.0) + READ_LIMIT_K)
    sd = known.sd_at(known.curve.soc_at(cell_v), otherwise=unit.chem.num("ocv_curve_sd"))
    lines = [
        Line("curve", sd),
        Line("charge or discharge branch", known.gap_v / 2 / math.sqrt(3.0), Shape.RECTANGULAR),
        Line("temperature", warmth / math.sqrt(3.0), Shape.RECTANGULAR),
    ]
    return [line for line in lines if line.sd > 0]

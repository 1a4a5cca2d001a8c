r"""
Several estimates of one quantity become one: the better count more, the newer count more, contradictions are told.

The mean is weighted by the inverse of each estimate's variance. A reading grows old: what it says of today is less
sure by the square of the drift since, so the newest counts most,

.. math::
    w_i \propto \frac{1}{u_i^2 + (d\,x_i\,(t_n - t_i))^2} \qquad
    u^2 = \sum_i w_i^2 u_{i,\mathrm{own}}^2 + \sum_g \Bigl(\sum_{i \in g} w_i u_{i,\mathrm{common}}\Bigr)^2

where *g* runs over what readings with one instrument share: ten readings with one clamp do not average its gain away
(JCGM 100:2008, 5.2.2, correlated inputs). Two estimates further apart than three of their joint standard deviations
contradict each other (`common practice, no source`: the usual limit for an outlier): then the newest stands alone,
its doubt is widened by half of the distance, and the contradiction is told.

A figure without a date may be the oldest or the newest, and must not make a unit look better either way. Where it is
the less favourable beside the newest dated one it counts as of that day, and stands where the two contradict each
other; where it is the more favourable it counts as a year older than the oldest dated one, and gives way.

Runs that one kinetic model brought to the rated rate are one estimate, as each holds the errors of all of them.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

from hotchpot.bench.estimate import Estimate, Line, Quantity, Shape
from hotchpot.bench.remark import Remark, Weight

APART_SD = 3.0
SINCE_READ = "moved since it was read"
ONE_FIT = "of_one_fit"  # the fact of runs brought to the rated rate by the one model fitted through them
UNDATED_OLDER_YEARS = 1.0  # a figure without a date counts as a year older than the oldest dated one
_YEAR_DAYS = 365.25
# Which way a quantity is less favourable: 1 where more of it is, -1 where less is.
_LESS_FAVOURABLE = {
    Quantity.CAPACITY: -1.0,
    Quantity.RESISTANCE: 1.0,
    Quantity.LEAKAGE: 1.0,
    Quantity.REST_V: -1.0,
    Quantity.CHARGE_EFFICIENCY: -1.0,
    Quantity.ENERGY_EFFICIENCY: -1.0,
}
SOURCE = "JCGM 100:2008, 5.2.2; three standard deviations apart: common practice, no source"


@dataclass(frozen=True, slots=True)
class _Dated:
    """An estimate with its age before the newest, and what that adds to its doubt."""

    estimate: Estimate
    years: float
    drift_sd: float

    @property
    def value(self) -> float:
        """The estimate's value; refused estimates never come here."""
        assert self.estimate.value is not None
        return self.estimate.value

    @property
    def variance(self) -> float:
        """Variance of what it says of the time of the newest."""
        return self.estimate.sd**2 + self.drift_sd**2


def combine(
    estimates: Sequence[Estimate], *, subject: str, drift_frac_per_year: float = 0.0, today: str | None = None
) -> Estimate | None:
    """
    Return one estimate of what several estimates are of; None where all were refused.

    Parameters
    ----------
    estimates : sequence of Estimate
        All of one quantity, in the order they were noted; refused ones are passed over.
    subject : str
        The unit's id, for remarks.
    drift_frac_per_year : float, default 0
        How far the quantity may have moved in a year, as a standard deviation over its value. [1/year]
    today : str, optional
        ISO date; what moved since the newest reading is added to the doubt. None adds nothing.

    Examples
    --------
    >>> from hotchpot.bench.estimate import Quantity
    >>> def said(ah, sd): return Estimate(quantity=Quantity.CAPACITY, value=ah, budget=(Line("all", sd),))
    >>> both = combine([said(90.0, 2.0), said(94.0, 2.0)], subject="A1")
    >>> print(f"{both.value:.1f} ± {both.sd:.2f}")
    92.0 ± 1.41
    """
    told = _one_of_a_fit([estimate for estimate in estimates if estimate.value is not None])
    if not told:
        return None
    dated = _aged(told, drift_frac_per_year)
    newest = _that_stands(dated)
    agreeing = [one for one in dated if _apart(one, newest) <= APART_SD]
    against = [one for one in dated if _apart(one, newest) > APART_SD]
    lines = _budget(agreeing)
    value = _mean(agreeing)
    when = dated[-1].estimate.when
    since = _years(when, today)
    if since > 0.0 and drift_frac_per_year > 0.0:
        lines.append(Line(SINCE_READ, drift_frac_per_year * since * abs(value)))
    remarks = [remark for one in agreeing for remark in one.estimate.remarks]
    if against:
        far = max(against, key=lambda one: abs(one.value - newest.value))
        lines.append(Line("contradicting readings", abs(far.value - value) / 2))
        remarks.append(_contradiction(subject, newest.estimate, far.estimate, _apart(far, newest)))
    return replace(
        newest.estimate, value=value, budget=tuple(lines), low=None, high=None, remarks=tuple(remarks), when=when
    )


def _one_of_a_fit(told: list[Estimate]) -> list[Estimate]:
    """Return the estimates with only the newest of those that one fit made: each of them holds the errors of all."""
    fitted = [k for k, one in enumerate(told) if ONE_FIT in one.facts]
    newest = max(fitted, key=lambda k: (told[k].when or "", k), default=None)
    return [one for k, one in enumerate(told) if k == newest or ONE_FIT not in one.facts]


def _that_stands(dated: Sequence[_Dated]) -> _Dated:
    """Return the newest, or the least favourable one without a date that contradicts it."""
    newest = dated[-1]
    apart = [
        one
        for one in dated
        if one.estimate.when is None and _is_worse(one.estimate, newest.estimate) and _apart(one, newest) > APART_SD
    ]
    return max(apart, key=lambda one: abs(one.value - newest.value), default=newest)


def _is_worse(one: Estimate, other: Estimate) -> bool:
    """Tell whether an estimate is less favourable for its unit than another."""
    assert one.value is not None
    assert other.value is not None
    return _LESS_FAVOURABLE.get(one.quantity, 0.0) * (one.value - other.value) > 0.0


def _aged(told: Sequence[Estimate], drift: float) -> list[_Dated]:
    """Return the estimates from the oldest to the newest, each with the drift up to the newest."""
    order = sorted(range(len(told)), key=lambda k: (told[k].when is not None, told[k].when or "", k))
    listed = [told[k] for k in order]
    newest = listed[-1].when
    oldest = next((one.when for one in listed if one.when is not None), None)
    aged = []
    for one in listed:
        undated = one.when is None and newest is not None and not _is_worse(one, listed[-1])
        years = _years(oldest, newest) + UNDATED_OLDER_YEARS if undated else _years(one.when, newest)
        assert one.value is not None
        aged.append(_Dated(one, years, drift * years * abs(one.value)))
    return aged


def _apart(one: _Dated, other: _Dated) -> float:
    """Return the distance of two estimates in their joint standard deviations; what they share does not count."""
    if one is other:
        return 0.0
    variance = one.variance + other.variance
    if one.estimate.instrument == other.estimate.instrument:
        variance -= sum(2.0 * a * b for a, b in _shared(one.estimate, other.estimate))
    distance = abs(one.value - other.value)
    if variance <= 0.0:
        return math.inf if distance else 0.0
    return distance / math.sqrt(variance)


def _shared(one: Estimate, other: Estimate) -> list[tuple[float, float]]:
    theirs = {line.cause: line.sd for line in other.budget if line.common}
    return [(line.sd, theirs[line.cause]) for line in one.budget if line.common and line.cause in theirs]


def _weights(dated: Sequence[_Dated]) -> list[float]:
    if any(one.variance == 0.0 for one in dated):
        exact = [float(one.variance == 0.0) for one in dated]
        return [one / sum(exact) for one in exact]
    parts = [1.0 / one.variance for one in dated]
    return [part / sum(parts) for part in parts]


def _mean(dated: Sequence[_Dated]) -> float:
    return sum(weight * one.value for weight, one in zip(_weights(dated), dated, strict=True))


def _budget(dated: Sequence[_Dated]) -> list[Line]:
    """Return the budget of the mean, one line for each cause; a single estimate keeps its own."""
    if len(dated) == 1:
        return list(dated[0].estimate.budget)
    own: defaultdict[str, float] = defaultdict(float)
    common: defaultdict[tuple[str, str], float] = defaultdict(float)
    shapes: dict[tuple[str, str], Shape] = {}
    for weight, one in zip(_weights(dated), dated, strict=True):
        for line in one.estimate.budget:
            if line.common:
                key = (one.estimate.instrument, line.cause)
                common[key] += weight * line.sd
                shapes[key] = line.shape
            else:
                own[line.cause] += (weight * line.sd) ** 2
        own["older readings"] += (weight * one.drift_sd) ** 2
    lines = [Line(cause, sd, shapes[instrument, cause], common=True) for (instrument, cause), sd in common.items()]
    return lines + [Line(cause, math.sqrt(variance)) for cause, variance in own.items() if variance > 0.0]


def _years(since: str | None, until: str | None) -> float:
    """Return the years between two ISO dates or date-times; none where one is not known or the order is wrong."""
    if since is None or until is None:
        return 0.0
    return max(0.0, (day_of(until) - day_of(since)).days / _YEAR_DAYS)


def day_of(when: str) -> date:
    """Return the date of an ISO date, date-time, month or year; the middle of what is not said."""
    parts = [int(part) for part in when[:10].split("-")]
    year, month, day = (*parts, *(7, 1)[len(parts) - 1 :])[:3] if len(parts) < 3 else parts
    return date(year, month, day)


def _contradiction(subject: str, newest: Estimate, other: Estimate, apart: float) -> Remark:
    known = newest.when is not None or _LESS_FAVOURABLE.get(newest.quantity) is None
    stands = "The newer one is used" if known else "Which is newer is not known, so the less favourable one is used"
    also = "" if known else " Write the date of what has none, or strike it out where it no longer holds."
    return Remark(
        code="contradiction",
        weight=Weight.DOUBTFUL,
        subject=subject,
        says=(
            f"Two readings of {subject} contradict each other: {_told(other)} and {_told(newest)}, {apart:.1f} times "
            f"their joint standard deviation apart. {stands}, with more doubt."
        ),
        why="One of them is wrong, or the unit has changed more than such units do; an average would hide which.",
        do="Read it again, with the contacts cleaned and the meter checked against another." + also,
        source=SOURCE,
        value=apart,
        limit=APART_SD,
    )


def _told(one: Estimate) -> str:
    dated = f" of {one.when[:10]}" if one.when else " without a date"
    unit = {"ah": " Ah", "mohm": " mΩ", "v": " V"}.get(one.quantity.value.rsplit("_", 1)[-1], "")
    return f"{one.value:.4g}{unit} ± {one.sd:.2g}{dated}"

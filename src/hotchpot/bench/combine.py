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
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

from hotchpot.bench.estimate import Estimate, Line, Shape
from hotchpot.bench.remark import Remark, Weight

APART_SD = 3.0
SINCE_READ = "moved since it was read"
UNDATED_OLDER_YEARS = 1.0  # a figure without a date counts as a year older than the oldest dated one
_YEAR_DAYS = 365.25
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
    told = [estimate for estimate in estimates if estimate.value is not None]
    if not told:
        return None
    dated = _aged(told, drift_frac_per_year)
    newest = dated[-1]
    agreeing = [one for one in dated if _apart(one, newest) <= APART_SD]
    against = [one for one in dated if _apart(one, newest) > APART_SD]
    lines = _budget(agreeing)
    value = _mean(agreeing)
    since = _years(newest.estimate.when, today)
    if since > 0.0 and drift_frac_per_year > 0.0:
        lines.append(Line(SINCE_READ, drift_frac_per_year * since * abs(value)))
    remarks = [remark for one in agreeing for remark in one.estimate.remarks]
    if against:
        far = max(against, key=lambda one: abs(one.value - newest.value))
        lines.append(Line("contradicting readings", abs(far.value - value) / 2))
        remarks.append(_contradiction(subject, newest.estimate, far.estimate, _apart(far, newest)))
    return replace(newest.estimate, value=value, budget=tuple(lines), low=None, high=None, remarks=tuple(remarks))


def _aged(told: Sequence[Estimate], drift: float) -> list[_Dated]:
    """Return the estimates from the oldest to the newest, each with the drift up to the newest."""
    order = sorted(range(len(told)), key=lambda k: (told[k].when is not None, told[k].when or "", k))
    listed = [told[k] for k in order]
    newest = listed[-1].when
    oldest = next((one.when for one in listed if one.when is not None), None)
    aged = []
    for one in listed:
        undated = one.when is None and newest is not None
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
    return max(0.0, (_day(until) - _day(since)).days / _YEAR_DAYS)


def _day(when: str) -> date:
    """Return the date of an ISO date, date-time, month or year; the middle of what is not said."""
    parts = [int(part) for part in when[:10].split("-")]
    year, month, day = (*parts, *(7, 1)[len(parts) - 1 :])[:3] if len(parts) < 3 else parts
    return date(year, month, day)


def _contradiction(subject: str, newest: Estimate, other: Estimate, apart: float) -> Remark:
    return Remark(
        code="contradiction",
        weight=Weight.DOUBTFUL,
        subject=subject,
        says=(
            f"Two readings of {subject} contradict each other: {_told(other)} and {_told(newest)}, {apart:.1f} times "
            "their joint standard deviation apart. The newer one is used, with more doubt."
        ),
        why="One of them is wrong, or the unit has changed more than such units do; an average would hide which.",
        do="Read it again, with the contacts cleaned and the meter checked against another.",
        source=SOURCE,
        value=apart,
        limit=APART_SD,
    )


def _told(one: Estimate) -> str:
    dated = f" of {one.when[:10]}" if one.when else " without a date"
    unit = {"ah": " Ah", "mohm": " mΩ", "v": " V"}.get(one.quantity.value.rsplit("_", 1)[-1], "")
    return f"{one.value:.4g}{unit} ± {one.sd:.2g}{dated}"

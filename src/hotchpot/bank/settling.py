r"""
What settles a verdict: which single reading would most reduce its doubt, by sampling.

Many possible truths are drawn from the units' states, and each is judged as if everything were known; the spread of
those verdicts is the doubt of the verdict. A reading tells the truth but for its own error, so of all draws those count
that would have read the same: by Bayes' rule, with likelihoods as weights,

.. math::
    P(v \mid y) = \frac{\sum_j p(y \mid \theta_j)\,[V_j = v]}{\sum_j p(y \mid \theta_j)} \qquad
    S = \int p(y) \max_v P(v \mid y)\,dy \qquad
    I = H(V) - \int p(y)\,H(V \mid y)\,dy

with *S* the probability of the verdict that is likeliest after the reading, whose gain is the expected value of sample
information for whoever has to name the verdict (Raiffa and Schlaifer 1961, Applied Statistical Decision Theory, from
memory), and *I* the mutual information in bits. One set of draws serves all readings.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from hotchpot.bank.hearing import EXTREMES, pile_floor, verdict_ranks
from hotchpot.bank.judge import judge
from hotchpot.bank.rules import Case
from hotchpot.bank.telling import FOLDS, tells
from hotchpot.bank.tools import Candidate, Procedure, Tools, candidates
from hotchpot.bank.truths import Truths, truths
from hotchpot.bank.verdict import Verdict
from hotchpot.errors import InputError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["Procedure", "Settling", "Tools", "Worth", "what_settles"]

VERDICTS = tuple(Verdict)
SURE_FRAC = 0.995
NOISE_BITS = 10.0  # over the number of draws: what chance alone shows in one of a hundred readings that tell nothing


@dataclass(frozen=True, slots=True, kw_only=True)
class Worth:
    """
    What one reading on one unit would tell of the verdict.

    `sure_after_frac` is the expected probability of the verdict that is likeliest then, `gain_frac` how much more that
    is than now, `bits` the doubt it takes away (mutual information; readings are ranked by it), `hours` how long the
    procedure takes by the clock.
    """

    unit: str
    procedure: Procedure
    sure_after_frac: float
    gain_frac: float
    bits: float
    hours: float
    says: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Settling:
    """
    How sure a verdict is, and what would make it surer.

    `verdict_now` is what the judge says today, assumptions and all. `odds` are the probabilities of the verdicts it
    would give if everything were measured, `sure_frac` the largest of them, `doubt_bits` their entropy. `readings` come
    best first: most bits, and within a hundredth of a bit the quickest.
    """

    verdict_now: Verdict
    odds: Mapping[Verdict, float]
    sure_frac: float
    doubt_bits: float
    readings: tuple[Worth, ...]
    says: str

    @property
    def likeliest(self) -> Verdict:
        """The verdict that would most probably be given if everything were measured."""
        return _likeliest(self.odds)

    @property
    def best(self) -> Worth | None:
        """The reading that tells most, or None where none tells more than chance would."""
        return next((worth for worth in self.readings if worth.bits > 0.0), None)


@dataclass(frozen=True, slots=True, eq=False)
class _Part:
    """Units that were judged together: their draws, and the rank of the verdict on each draw."""

    drawn: tuple[Truths, ...]
    ranks: NDArray[np.intp]


def what_settles(
    case: Case,
    *,
    seed: int = 1,
    samples: int = 400,
    tools: Tools | None = None,
    progress: Callable[[float], None] | None = None,
) -> Settling:
    """
    Return how sure the judge's verdict on a case is, and what each single reading would tell of it.

    Parameters
    ----------
    case : Case
        A bank, or loose units, with the plan.
    seed : int, default 1
        Which draws; the same seed gives the same answer.
    samples : int, default 400
        How many truths are drawn and judged; with 400 a probability near a half is good to two or three hundredths.
    tools : Tools, optional
        How well readings are taken; None takes usual tools.
    progress : callable, optional
        Gets the part of the work that is done, 0 to 1.

    Notes
    -----
    Loose units are judged one by one, and the verdict on the pile is the worst of theirs: their chances multiply. What
    is not drawn is taken as it stands: flags, temperatures, cell counts, the plan. Doubts are taken as independent, but
    for the curve of a chemistry: an error that readings share, such as one meter's gain, is not known here.

    Raises
    ------
    InputError
        If `samples` is too few to tell anything.
    """
    if samples < FOLDS:
        raise InputError.one(
            "samples", f"is {samples}, too few to tell anything", f"give {FOLDS} or more, 400 are usual"
        )
    tools = tools or Tools()
    parts, floor = _parts(case, seed, samples, progress or _unheard)
    shares = [_cumulative(part.ranks) for part in parts]
    odds = _odds(_product(shares, floor))
    now, readings = max(odds.values()), []
    for k, part in enumerate(parts):
        others = _product([share for i, share in enumerate(shares) if i != k], floor)
        for candidate in (one for drawn in part.drawn for one in candidates(drawn, tools, samples)):
            after, bits = tells(part.ranks, others, candidate.true, candidate.sd, seed=seed)
            told = bits >= NOISE_BITS / samples
            readings.append(_worth(candidate, now, max(now, after) if told else now, bits if told else 0.0))
    (progress or _unheard)(1.0)
    readings.sort(key=lambda w: (-round(w.bits, 2), w.hours, -round(w.gain_frac, 6), w.unit, w.procedure))
    verdict = judge(case).verdict
    return Settling(
        verdict_now=verdict,
        odds=odds,
        sure_frac=now,
        doubt_bits=sum(p * math.log2(1.0 / p) for p in odds.values() if p > 0.0),
        readings=tuple(readings),
        says=_says(verdict, odds, readings),
    )


def _unheard(_part: float) -> None:
    """Tell nobody how far the work is."""


def _parts(case: Case, seed: int, samples: int, told: Callable[[float], None]) -> tuple[list[_Part], int]:
    """Return the units in parts that can be judged apart, and the rank below which no verdict on the whole falls."""
    drawn = tuple(truths(state, seed=seed, samples=samples, extremes=EXTREMES) for state in case.units)
    floor = pile_floor(case, drawn, samples) if case.bank is None else None
    if floor is None:
        return [_Part(drawn, verdict_ranks(case, drawn, samples, progress=told))], 0
    parts = []
    for k, one in enumerate(drawn):
        parts.append(_Part((one,), verdict_ranks(Case(case.plan, (one.state,)), (one,), samples)))
        told((k + 1) / len(drawn))
    return parts, floor


def _cumulative(ranks: NDArray[np.intp]) -> NDArray[np.float64]:
    """Return the probability of each verdict or a milder one."""
    import numpy as np

    return np.cumsum(np.bincount(ranks, minlength=len(VERDICTS))) / len(ranks)


def _product(shares: Sequence[NDArray[np.float64]], floor: int) -> NDArray[np.float64]:
    """Return the probability that several parts are all at each verdict or milder, and none is milder than `floor`."""
    import numpy as np

    allowed = (np.arange(len(VERDICTS)) >= floor).astype(float)
    return np.asarray(np.prod([allowed, *shares], axis=0))


def _odds(cumulative: NDArray[np.float64]) -> dict[Verdict, float]:
    import numpy as np

    chances = np.diff(cumulative, prepend=0.0)
    return {verdict: float(chance) for verdict, chance in zip(VERDICTS, chances, strict=True)}


def _likeliest(odds: Mapping[Verdict, float]) -> Verdict:
    return max(VERDICTS, key=lambda verdict: odds[verdict])


def _worth(candidate: Candidate, now: float, after: float, bits: float) -> Worth:
    name, procedure, hours = candidate.unit, candidate.procedure, candidate.hours
    says = f"The {procedure} reading of {name} tells nothing of the verdict that could be told from chance."
    if bits > 0.0:
        says = _told(f"the {procedure} reading of {name}", now, after, hours)
    return Worth(
        unit=name,
        procedure=procedure,
        sure_after_frac=after,
        gain_frac=after - now,
        bits=bits,
        hours=hours,
        says=says,
    )


def _told(reading: str, now: float, after: float, hours: float) -> str:
    """Return what a reading does for whoever must name the verdict; `now` and `after` are probabilities."""
    sure, then = in_hundred(now), in_hundred(after)
    if sure == then:
        return (
            f"Now {sure} sure; {reading} would hardly make another verdict the likeliest, but shows how far "
            f"the verdict is from another. It takes about {_span(hours)}."
        )
    return f"Now {sure} sure; after {reading} about {then}, on average. It takes about {_span(hours)}."


def in_hundred(chance: float) -> str:
    """
    Return a chance in words, never as certain as it is not.

    >>> in_hundred(0.62), in_hundred(0.9991), in_hundred(1.0)
    ('62 in 100', 'over 99 in 100', '100 in 100')
    """
    whole = round(100 * chance)
    return "over 99 in 100" if whole == 100 and chance < 1.0 else f"{whole} in 100"


def _span(hours: float) -> str:
    return f"{hours / 24:.0f} days" if hours >= 72 else f"{hours:.2g} h"


def _says(now: Verdict, odds: Mapping[Verdict, float], readings: Sequence[Worth]) -> str:
    likeliest = _likeliest(odds)
    if odds[likeliest] >= SURE_FRAC:
        if likeliest is now:
            return f"No reading would change it: {now}, whatever is read."
        return (
            f"No single reading decides: with everything measured it would be {likeliest}; until then it is {now}, by "
            "what is assumed or in doubt."
        )
    spread = ", ".join(f"{verdict} {_percent(odds[verdict])}" for verdict in VERDICTS if odds[verdict] > 0.0)
    known = f"If everything were known it would be {spread}."
    if not readings or readings[0].bits <= 0.0:
        return (
            f"{known} No single reading with usual tools tells which: the doubt is that of the readings there are, or "
            "of many units together."
        )
    return f"{known} {readings[0].says}"


def _percent(chance: float) -> str:
    return "below 1 %" if chance < 0.005 else f"{100 * chance:.0f} %"

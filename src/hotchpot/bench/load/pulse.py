r"""
What a pulse of current and the rest after it tell of a unit's circuit: a series resistance and RC pairs.

.. math::
    V(t) = E - k\,q(t) - R_0 I(t) - \sum_j R_j x_j(t), \qquad \tau_j\,\dot x_j = I - x_j, \quad x_j(0) = 0

*E* open-circuit voltage before the pulse, *q* charge drawn and *k* the open-circuit voltage's fall with it. For given
time constants the rest is linear, so only the time constants are searched (variable projection: Golub and Pereyra, SIAM
J. Numer. Anal. 10, 1973), from several fixed starts; the linear part is held to signs that physics allows.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise
from statistics import NormalDist
from typing import TYPE_CHECKING

from hotchpot.bench.estimate import coverage_factor
from hotchpot.bench.load.pulse_circuit import Pulse, pulse_of
from hotchpot.bench.load.pulse_remarks import fewer_pairs, no_pulse, not_told_apart, outlasts
from hotchpot.bench.remark import Remark
from hotchpot.bench.trace import Trace
from hotchpot.errors import InputError
from hotchpot.measure import Measure

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

MOST_PAIRS = 3
LONGEST_SPANS = 3.0  # a time constant is not searched beyond this many times the trace
_STARTS = 9  # time constants on the starting grid
_LEAST_RATIO = 1.5  # of two time constants
_LEAST_SD = 3.0  # a resistance less than this many times its own doubt is not known by itself
_LEAST_GAIN = 10.0  # in the Bayesian information criterion, for one pair more


@dataclass(frozen=True, slots=True)
class RcPair:
    """One RC pair: its resistance [mΩ] and its time constant [s]."""

    mohm: Measure
    tau_s: Measure


@dataclass(frozen=True, slots=True, kw_only=True)
class PulseFit:
    """
    A circuit fitted to a pulse.

    `pairs` are in the order of their time constants; `open_v` is the voltage before the pulse, `drift_v_per_ah` the
    fall of the open-circuit voltage with the charge drawn, `residual_v` the root mean square of what the circuit
    leaves, `span_s` the time from the pulse to the end of the trace. All is None, and `pairs` empty, where the trace
    holds no pulse: then a remark says why.
    """

    r0_mohm: Measure | None
    pairs: tuple[RcPair, ...] = ()
    open_v: float | None = None
    drift_v_per_ah: float | None = None
    residual_v: float | None = None
    span_s: float = 0.0
    remarks: tuple[Remark, ...] = ()

    @property
    def refused(self) -> bool:
        """Whether there is no circuit."""
        return self.r0_mohm is None

    def response_mohm(self, seconds: float, *, drift: bool = True) -> float:
        r"""
        Return the fall of voltage over a steady current, `seconds` after it came on. [mΩ]

        With `drift` the open-circuit voltage's fall is in it, as it is in a reading.

        .. math:: R_0 + \sum_j R_j (1 - e^{-t/\tau_j}) + k\,t/3600
        """
        if self.r0_mohm is None or self.drift_v_per_ah is None:
            return math.nan
        slow = sum(-pair.mohm.value * math.expm1(-seconds / pair.tau_s.value) for pair in self.pairs)
        return self.r0_mohm.value + slow + (1000.0 * self.drift_v_per_ah * seconds / 3600.0 if drift else 0.0)


@dataclass(frozen=True, slots=True)
class _Try:
    """A fit with a given number of pairs: time constants, linear part, sum of squares, and the Bayesian criterion."""

    taus: tuple[float, ...]
    linear: Floats
    left: float
    criterion: float


def fit_pulse(trace: Trace, *, pairs: int = 2, subject: str = "") -> PulseFit:
    r"""
    Fit a series resistance and RC pairs to a pulse of current and the rest after it.

    Parameters
    ----------
    trace : Trace
        From rest, over the pulse, into the rest after it. Current positive on discharge; a sample's current is taken
        to have flowed since the sample before where it steps, and to have changed evenly where it does not. NaN volts
        are passed over.
    pairs : int, default 2
        The most RC pairs to look for, 0 to 3; fewer are returned where the samples do not carry them.
    subject : str, optional
        The unit's id, for remarks.

    Returns
    -------
    PulseFit
        Each parameter with its standard deviation from the Jacobian and the residual. [mΩ], [s] These leave out the
        gains of the meters, which scale every resistance alike.

    Raises
    ------
    InputError
        If `pairs` is not 0 to 3, or the trace's lists are unlike in length or its time falls.

    Notes
    -----
    Time constants are searched between the shortest interval of samples and three times the span;
    :math:`R_j, k \ge 0`. One pair more is kept where it lowers the Bayesian information criterion by 10 or more, and
    each time constant is at least 1.5 times the next shorter. Standard deviations: :math:`s^2 (J^T J)^{-1}`; a logger's
    rounding makes neighbours alike, so they are a floor. R0's also holds the moment of the step, which came anywhere
    between two samples: :math:`\Delta t\,(\sum R_j/\tau_j + k)` at most. All are those of a circuit of so many pairs:
    what a unit has besides, or has too fast for the samples, the fit folds into R0. A pair as slow as the trace is long
    can hardly be told from the open-circuit drift: a remark says so. The circuit is that of one charge, temperature and
    current.

    References
    ----------
    Schwarz, Ann. Statist. 6, 1978, for the criterion (from memory).
    """
    _check(trace, pairs)
    pulse = pulse_of(trace)
    if pulse is None:
        return PulseFit(r0_mohm=None, remarks=(no_pulse(subject),))
    tries = [_best(pulse, count) for count in range(pairs + 1) if pulse.carries(count)]
    chosen, told = tries[0], _measures(pulse, tries[0])
    for one in tries[1:]:
        if one.criterion < chosen.criterion - _LEAST_GAIN and _apart(one):
            chosen, told = one, _measures(pulse, one)
    r0, found, drift = told
    return PulseFit(
        r0_mohm=r0,
        pairs=found,
        open_v=pulse.open_v + float(chosen.linear[0]),
        drift_v_per_ah=drift.value,
        residual_v=math.sqrt(chosen.left / pulse.count),
        span_s=pulse.span_s,
        remarks=tuple(_remarks(pulse, found, pairs, subject)),
    )


def _check(trace: Trace, pairs: int) -> None:
    import numpy as np

    if not (isinstance(pairs, int) and 0 <= pairs <= MOST_PAIRS):
        raise InputError.one("pairs", f"must be 0 to {MOST_PAIRS}; got {pairs}", "2 suits most pulses")
    sizes = {array.shape for array in (trace.time_s, trace.volts, trace.amps, trace.ah)}
    if len(sizes) != 1 or trace.time_s.ndim != 1:
        raise InputError.one("trace", "its lists are unlike in length", "give one of each to a sample")
    if not np.all(np.isfinite(trace.time_s)) or np.any(np.diff(trace.time_s) < 0.0):
        raise InputError.one("trace", "its time falls or is no number", "give the samples in the order of time")
    if not np.all(np.isfinite(trace.amps)):
        raise InputError.one("trace", "a current is no number", "give the current of every sample")


def _best(pulse: Pulse, count: int) -> _Try:
    """Return the best fit with this many pairs: the best of a grid of starts, then refined."""
    import numpy as np
    from scipy.optimize import least_squares  # type: ignore[import-untyped]  # scipy ships no types

    if count == 0:
        return _tried(pulse, ())
    low, high = math.log(pulse.shortest_s), math.log(LONGEST_SPANS * pulse.span_s)
    grid = np.exp(np.linspace(low, high, _STARTS + 2)[1:-1])
    ranked = sorted((pulse.solve(taus)[1], taus) for taus in combinations(map(float, grid), count))
    best: _Try | None = None
    for _, start in ranked[: 1 if count == 1 else 3]:  # of one time constant the grid leaves no doubt
        found = least_squares(
            lambda logs: pulse.residual(tuple(np.exp(logs))),
            np.log(start),
            bounds=(low, high),
            x_scale=1.0,
            diff_step=1e-4,
            xtol=1e-10,
            ftol=1e-12,
            gtol=1e-12,
        )
        one = _tried(pulse, tuple(sorted(float(tau) for tau in np.exp(found.x))))
        if best is None or one.left < best.left:
            best = one
    assert best is not None
    return best


def _tried(pulse: Pulse, taus: tuple[float, ...]) -> _Try:
    linear, left = pulse.solve(taus)
    # A logger's rounding is the least that can be left; without it a noiseless pulse would have no floor.
    floor = max(left / pulse.count, pulse.rounding_v**2 / 12.0, 1e-18)
    parameters = 3 + 2 * len(taus)
    return _Try(taus, linear, left, pulse.count * math.log(floor) + parameters * math.log(pulse.count))


def _measures(pulse: Pulse, one: _Try) -> tuple[Measure, tuple[RcPair, ...], Measure]:
    """Return series resistance, pairs and drift, with standard deviations from the Jacobian of all parameters."""
    sds = pulse.sds(one.taus, one.linear, one.left)
    _, drift, r0, *slow = (float(number) for number in one.linear)
    found = tuple(
        RcPair(Measure(1000.0 * ohm, 1000.0 * sds[3 + j]), Measure(tau, tau * sds[3 + len(slow) + j]))
        for j, (ohm, tau) in enumerate(zip(slow, one.taus, strict=True))
    )
    hidden = sum(-ohm * math.expm1(-pulse.blind_s / tau) for ohm, tau in zip(slow, one.taus, strict=True))
    hidden += drift * pulse.blind_s / 3600.0
    return Measure(1000.0 * r0, 1000.0 * _with_moment(sds[2], hidden)), found, Measure(drift, sds[1])


def _with_moment(sd: float, limit: float) -> float:
    """
    Return the standard deviation that makes ±1.96 of it hold 95 % of a fit's error and of the moment of the step.

    The steps came anywhere between two samples, so R0 lies up to `limit` above the fit, which takes the earliest: as
    far off, sign aside, as a rectangular error of that limit.
    """
    wide = limit / math.sqrt(3.0)
    total = math.hypot(sd, wide)
    if not 0.0 < total < math.inf:
        return sd
    return coverage_factor((wide,), total, 0.95) * total / NormalDist().inv_cdf(0.975)


def _apart(one: _Try) -> bool:
    """Tell whether every pair has a resistance and a time constant of its own."""
    slow = one.linear[3:]
    return bool((slow > 0.0).all()) and all(b >= _LEAST_RATIO * a for a, b in pairwise(one.taus))


def _remarks(pulse: Pulse, found: Sequence[RcPair], asked: int, subject: str) -> list[Remark]:
    remarks = []
    if len(found) < asked:
        remarks.append(fewer_pairs(subject, len(found), asked))
    slow = [pair.tau_s.value for pair in found if pair.tau_s.value > pulse.span_s]
    if slow:
        remarks.append(outlasts(subject, slow[-1], pulse.span_s))
    unsure = [pair for pair in found if pair.mohm.value < _LEAST_SD * pair.mohm.sd]
    if unsure and not slow:
        remarks.append(not_told_apart(subject, unsure[-1].tau_s.value, pulse.span_s))
    return remarks


__all__ = ["PulseFit", "RcPair", "fit_pulse"]

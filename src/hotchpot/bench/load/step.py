r"""
One step of the current in a logger's file, seen at a stated time after it: the base before it, the reading after it.

The base is the mean of the samples just before; where they drift, their line carried on to the moment of the reading,
as the unit would have gone on without the step.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from hotchpot.bench.estimate import Line, Shape
from hotchpot.bench.load.resistance_doubt import LEAST_STEP_SD, growth_frac, repeatability_line
from hotchpot.bench.meter import Meter
from hotchpot.bench.trace import Jump, Trace

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

MOMENT = "moment of the step"
LEAST_BASE = 5  # samples of the base, where there are as many
_HIT_FRAC = 0.02  # a sample this near to the moment asked for is the moment's
_STEADY_FRAC = 0.05
_DRIFT_SD = 3.0
_UNSTEADY_DOUBTFUL, _UNSTEADY_REFUSED = 0.10, 0.50


@dataclass(frozen=True, slots=True)
class Unseen:
    """A step that shows nothing at the moment asked for: the code of the reason, and what was found and wanted."""

    code: str
    found: float
    wanted: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """
    What a step shows at one moment after it.

    `step_v` is the fall of voltage, `step_a` the rise of current, both negative where a charge begins; `base_a` the
    current before it; `counts_v` the
    doubt of `step_v` from the counts; `lines` what is this step's own [mΩ]. `coarse_s` is the widest gap between
    samples that matter, `drift_v` how far the base would have moved by itself, `unsteady_frac` how far the current
    strayed from its value at the reading.
    """

    step_v: float
    step_a: float
    base_a: float
    counts_v: float
    lines: tuple[Line, ...]
    coarse_s: float
    drift_v: float
    unsteady_frac: float

    @property
    def mohm(self) -> float:
        """Fall of voltage over rise of current. [mΩ]"""
        return 1000.0 * self.step_v / self.step_a

    @property
    def from_rest(self) -> bool:
        """Whether no current to speak of flowed before."""
        return abs(self.base_a) <= _STEADY_FRAC * abs(self.step_a)

    @property
    def counts_mohm(self) -> float:
        """Standard deviation from the voltmeter's counts. [mΩ]"""
        return 1000.0 * self.counts_v / abs(self.step_a)

    @property
    def unsteady(self) -> bool:
        """Whether the current strayed so far that the reading is doubtful."""
        return self.unsteady_frac > _UNSTEADY_DOUBTFUL

    @property
    def own_sd(self) -> float:
        """Standard deviation of what is this step's own and differs from step to step. [mΩ]"""
        return math.hypot(*(line.sd for line in self.lines if line.cause != MOMENT))

    @property
    def moment_sd(self) -> float:
        """Standard deviation from not knowing when the step came, much alike for all steps of a file. [mΩ]"""
        return math.hypot(*(line.sd for line in self.lines if line.cause == MOMENT))


@dataclass(frozen=True, slots=True)
class _Level:
    """A voltage and a current, with how much of one sample's counts is left in them, and in which shape."""

    volts: float
    amps: float
    shares: tuple[float, ...]
    shape: Shape
    gap_s: float = 0.0
    drift_v: float = 0.0


def step_at(jump: Jump, seconds: float, meter: Meter) -> Step | Unseen:
    r"""
    Return what a jump shows `seconds` after it, or why it shows nothing.

    It shows nothing where there is no sample to start from, the samples are too sparse, the step did not last, or no
    current stepped.

    Notes
    -----
    .. math:: R(t) = \frac{V_0 - V(t)}{I(t) - I_0}

    with straight lines between samples. A sample within 2 % of the moment is taken as it is.
    """
    after = _reading(jump, seconds)
    if isinstance(after, Unseen):
        return after
    base = _base(jump, seconds, after.amps, meter)
    if isinstance(base, Unseen):
        return base
    moment_s, unsteady_a = _moment_doubt_s(jump), _unsteady_a(jump, seconds, after.amps)
    step_v, step_a = base.volts - after.volts, after.amps - base.amps
    hidden = _hidden(step_a, seconds, moment_s, unsteady_a, meter)
    if hidden is not None:
        return hidden
    unsteady = unsteady_a / abs(step_a)
    mohm = abs(1000.0 * step_v / step_a)
    own = _count_lines(base, after, 1000.0 / abs(step_a), mohm, meter)
    drifted = 500.0 * abs(base.drift_v / step_a)
    limits = {
        MOMENT: mohm * growth_frac(seconds, seconds + moment_s),
        "straight line between samples": mohm * growth_frac(1.0, math.e) * (after.gap_s / seconds) ** 2 / 8.0,
        "drift before the step": drifted,
        "load not steady": 0.5 * mohm * unsteady if unsteady > _UNSTEADY_DOUBTFUL else 0.0,
    }
    others = [Line(cause, limit / math.sqrt(3.0), Shape.RECTANGULAR) for cause, limit in limits.items()]
    lines = [*own, repeatability_line(mohm), *others]
    return Step(
        step_v=step_v,
        step_a=step_a,
        base_a=base.amps,
        counts_v=meter.volts.own_sd() * math.hypot(*base.shares, *after.shares),
        lines=tuple(line for line in lines if line.sd > 0.0),
        coarse_s=max(moment_s, after.gap_s),
        drift_v=base.drift_v,
        unsteady_frac=unsteady,
    )


def _hidden(step_a: float, seconds: float, moment_s: float, unsteady_a: float, meter: Meter) -> Unseen | None:
    """Return why a step with its readings still shows no resistance, or None."""
    least_a = LEAST_STEP_SD * math.sqrt(2.0) * meter.amps.own_sd()
    if abs(step_a) <= least_a:
        return Unseen("step-too-small", abs(step_a), least_a)
    if unsteady_a > _UNSTEADY_REFUSED * abs(step_a):
        return Unseen("load-unsteady", unsteady_a / abs(step_a), _UNSTEADY_REFUSED)
    if moment_s > seconds * (1.0 + _HIT_FRAC):
        return Unseen("sampling-too-coarse", moment_s, seconds)
    return None


def _reading(jump: Jump, seconds: float) -> _Level | Unseen:
    """Return the level at the moment asked for, straight between the samples beside it."""
    import numpy as np

    times, volts, amps = _valid(jump.after)
    at = times - jump.time_s
    if at.size == 0 or at[-1] < seconds * (1.0 - _HIT_FRAC):
        return Unseen("step-too-short", float(at[-1]) if at.size else 0.0, seconds)
    nearest = int(np.argmin(np.abs(at - seconds)))
    if abs(at[nearest] - seconds) <= _HIT_FRAC * seconds:
        return _Level(float(volts[nearest]), float(amps[nearest]), (1.0,), Shape.RECTANGULAR)
    high = int(np.searchsorted(at, seconds))
    if high == 0:
        return Unseen("sampling-too-coarse", float(at[0]), seconds)
    gap = float(at[high] - at[high - 1])
    if gap > seconds:
        return Unseen("sampling-too-coarse", gap, seconds)
    share = float(seconds - at[high - 1]) / gap
    return _Level(
        volts=float((1.0 - share) * volts[high - 1] + share * volts[high]),
        amps=float((1.0 - share) * amps[high - 1] + share * amps[high]),
        shares=(1.0 - share, share),
        shape=Shape.RECTANGULAR,
        gap_s=gap,
    )


def _base(jump: Jump, seconds: float, amps_after: float, meter: Meter) -> _Level | Unseen:
    """Return the level before the step, carried on to the moment of the reading where it drifts."""
    import numpy as np

    times, volts, amps = _valid(jump.before)
    if times.size == 0:
        return Unseen("no-base", 0.0, 1.0)
    same = np.abs(amps - amps[-1]) <= _STEADY_FRAC * abs(amps_after - float(amps[-1]))
    recent = times >= times[-1] - seconds
    recent[-LEAST_BASE:] = True
    unlike = np.flatnonzero(~(same & recent))
    start = int(unlike[-1]) + 1 if unlike.size else 0
    times, volts, amps = times[start:], volts[start:], amps[start:]
    own, count = meter.volts.own_sd(), len(times)
    # Samples that never differ share their last digit's error: only what scatters averages out.
    scatters = count > 1 and float(np.ptp(volts)) > 0.5 * meter.volts.own_limit()
    shape = Shape.NORMAL if scatters else Shape.RECTANGULAR
    level, mean_a = float(volts.mean()), float(amps.mean())
    shares = (1.0 / math.sqrt(count) if scatters else 1.0,)
    if count < LEAST_BASE:
        return _Level(level, mean_a, shares, shape)
    off = times - times.mean()
    spread = float(off @ off)
    slope = float(off @ volts) / spread
    ahead = jump.time_s + seconds - float(times.mean())
    if abs(slope) <= _DRIFT_SD * own / math.sqrt(spread) or abs(slope) * ahead <= own:
        return _Level(level, mean_a, shares, shape)
    shares = (math.hypot(1.0 / math.sqrt(count), ahead / math.sqrt(spread)),)
    return _Level(level + slope * ahead, mean_a, shares, Shape.NORMAL, drift_v=slope * seconds)


def _valid(trace: Trace) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return times, volts and amps of the samples that may be used."""
    import numpy as np

    good = np.isfinite(trace.volts) & np.isfinite(trace.amps)
    return trace.time_s[good], trace.volts[good], trace.amps[good]


def _unsteady_a(jump: Jump, seconds: float, amps: float) -> float:
    """Return how far the current strayed between the step and the reading; the first sample may be half a switching."""
    times, _, currents = _valid(jump.after)
    between = currents[(times > times[0]) & (times <= jump.time_s + seconds)]
    return float(abs(between - amps).max()) if between.size else 0.0


def _moment_doubt_s(jump: Jump) -> float:
    """Return how far the true moment of the step may lie from the stated one. [s]"""
    before, after = float(jump.before.time_s[-1]), float(jump.after.time_s[0])
    return max(0.0, jump.time_s - before, after - jump.time_s)


def _count_lines(base: _Level, after: _Level, per_v: float, mohm: float, meter: Meter) -> list[Line]:
    """Return the lines of the counts of both meters, for the level before and after. [mΩ]"""
    per_a = mohm * per_v / 1000.0
    meters = (("voltmeter", per_v * meter.volts.own_sd()), ("ammeter", per_a * meter.amps.own_sd()))
    lines = []
    for name, sd in meters:
        lines += [Line(f"counts of the {name} before the step", sd * share, base.shape) for share in base.shares]
        lines += [
            Line(f"counts of the {name} after the step, {k}", sd * share, after.shape)
            for k, share in enumerate(after.shares, 1)
        ]
    return lines

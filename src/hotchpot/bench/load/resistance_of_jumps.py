r"""
DC resistance from the steps of current in a logger's file: of one step at a stated time, of a whole file as a median.

Which steps of a file count is decided by their current alone, never by the voltage they gave: choosing by the voltage
would keep the ones that its errors made large.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from statistics import median

from hotchpot.bench.estimate import Estimate, Line, Quantity, Shape, refused
from hotchpot.bench.load.resistance_doubt import (
    LEAST_STEP_SD,
    NEAR_S,
    STANDARD_S,
    common_lines,
    growth_frac,
    least_step_sd,
)
from hotchpot.bench.load.resistance_remarks import (
    SmallStep,
    far_from_ten,
    no_temperature,
    rises_with_load,
    step_too_small,
)
from hotchpot.bench.load.step import MOMENT, Step, Unseen, step_at
from hotchpot.bench.load.step_remarks import base_drifts, coarse, no_steps, steps_differ, unseen, unsteady
from hotchpot.bench.meter import Meter
from hotchpot.bench.remark import Remark, Weight
from hotchpot.bench.trace import Jump, Log
from hotchpot.errors import InputError
from hotchpot.pile.unit import Unit

LARGE_STEP_FRAC = 0.5
_COARSE_FRAC = 0.5
_FEW_SAMPLES = 5.0
_MORE_SCATTER = 1.5
_DIFFER_FRAC = 0.10
_MAD_TO_SD = 1.4826  # of normal scatter
_MEDIAN_SD = math.sqrt(math.pi / 2.0)  # of a median, over that of a mean, for normal scatter


def resistance_at(jump: Jump, *, seconds: float, unit: Unit, meter: Meter) -> Estimate:
    r"""
    Return the resistance that one step of current shows at a stated time after it.

    Parameters
    ----------
    jump : Jump
        The step at its `time_s`, with the samples around it at full rate; NaN volts are passed over.
    seconds : float
        Time after the step. [s]
    unit : Unit
        The pile entry.
    meter : Meter
        What it was logged with.

    Returns
    -------
    Estimate
        RESISTANCE at that time. [mΩ] Facts: ``seconds``, ``step_a`` (rise; negative into charge), ``step_v`` (fall),
        and ``temperature_c`` where it was logged. Refused where the file does not show it: ``no-base``,
        ``sampling-too-coarse``, ``step-too-short``, ``load-unsteady``, ``step-too-small``, ``rises-with-load``.

    Raises
    ------
    InputError
        If `seconds` is not above zero.

    Notes
    -----
    .. math:: R(t) = \frac{V_0 - V(t)}{I(t) - I_0}

    :math:`V_0, I_0`: mean of the last samples before the step, or their line carried on to *t* where they drift;
    *V*, *I* at *t* straight between the samples beside it. Beyond 20 s, charge and the slow part are in it; under 5 s
    much of the slow part is not.
    """
    _check(seconds)
    step = step_at(jump, seconds, meter)
    if isinstance(step, Unseen):
        return refused(Quantity.RESISTANCE, unseen(unit, step, seconds), seconds=seconds)
    against = _refusal(step.mohm, step.counts_mohm, step, unit, meter)
    if against is not None:
        return refused(Quantity.RESISTANCE, against, seconds=seconds, step_a=step.step_a)
    temperature_c = jump.after.temperature_c
    return Estimate(
        quantity=Quantity.RESISTANCE,
        value=step.mohm,
        budget=(*step.lines, *common_lines(step.mohm, unit=unit, meter=meter, temperature_c=temperature_c)),
        facts=_facts(temperature_c, seconds=seconds, step_a=step.step_a, step_v=step.step_v),
        remarks=(*_step_remarks(step, unit, seconds), *_moment(unit, seconds), *_temperature(unit, temperature_c)),
        instrument=meter.key,
    )


def resistance_of_log(log: Log, *, unit: Unit, meter: Meter, seconds: float = STANDARD_S) -> Estimate:
    r"""
    Return the resistance of a unit from all steps of current in a log: their median.

    Parameters
    ----------
    log : Log
        The file; its jumps of this unit are used, or all where none is marked with a unit's id.
    unit : Unit
        The pile entry.
    meter : Meter
        What it was logged with.
    seconds : float, default 10
        Time after each step. [s]

    Returns
    -------
    Estimate
        RESISTANCE at that time, at the charges and temperatures at which the steps happened to come. [mΩ]
        Facts: ``seconds``, ``steps`` (used), ``steps_seen`` (all), ``step_a``, ``scatter_mohm``, and ``temperature_c``
        where it was logged. Refused with ``no-steps`` or the reason of a single step where none shows it.

    Raises
    ------
    InputError
        If `seconds` is not above zero.

    Notes
    -----
    Steps from rest into discharge are preferred, then any into discharge, then any from rest; of those that are left,
    all with at least half the current of the largest are used. Doubt of the median of *n*: a single step's own doubt,
    or the scatter, 1.4826 times the median deviation, where that is more than 1.5 times as much; times
    :math:`\sqrt{\pi/2n}`. Gains, temperature and the moment of the step do not average out. For times under five
    samples, a step whose moment is only known by the first sample with the new current is counted from the sample
    before it.
    """
    _check(seconds)
    jumps = _of_unit(log.jumps, unit)
    seen = [step_at(_counted(jump, seconds), seconds, meter) for jump in jumps]
    steps = _chosen([step for step in seen if isinstance(step, Step)])
    if not steps:
        blind = [one for one in seen if isinstance(one, Unseen)]
        said = unseen(unit, blind[0], seconds) if blind else no_steps(unit, log.name)
        return refused(Quantity.RESISTANCE, said, when=log.start, seconds=seconds, steps_seen=float(len(jumps)))
    mohm = median(step.mohm for step in steps)
    usual = min(steps, key=lambda step: abs(step.mohm - mohm))
    against = _refusal(mohm, usual.counts_mohm / math.sqrt(len(steps)), usual, unit, meter)
    facts = {"seconds": seconds, "steps": float(len(steps)), "steps_seen": float(len(jumps))}
    if against is not None:
        return refused(Quantity.RESISTANCE, against, when=log.start, **facts)
    warm = [jump.after.temperature_c for jump in jumps if jump.after.temperature_c is not None]
    temperature_c = sum(warm) / len(warm) if warm else None
    scatter = _scatter([step.mohm for step in steps])
    return Estimate(
        quantity=Quantity.RESISTANCE,
        value=mohm,
        budget=(
            *_median_lines(steps, scatter),
            *common_lines(mohm, unit=unit, meter=meter, temperature_c=temperature_c),
        ),
        facts=_facts(temperature_c, **facts, step_a=median(step.step_a for step in steps), scatter_mohm=scatter),
        remarks=(
            *_step_remarks(usual, unit, seconds),
            *_differing(unit, steps, mohm, scatter),
            *_moment(unit, seconds),
            *_temperature(unit, temperature_c),
        ),
        when=log.start,
        instrument=meter.key,
    )


def _check(seconds: float) -> None:
    if not (math.isfinite(seconds) and seconds > 0.0):
        raise InputError.one("seconds", f"must be above zero; got {seconds:g}", "give the time after the step")


def _facts(temperature_c: float | None, **facts: float) -> dict[str, float]:
    return facts if temperature_c is None else {**facts, "temperature_c": temperature_c}


def _refusal(mohm: float, counts_mohm: float, step: Step, unit: Unit, meter: Meter) -> Remark | None:
    """Return why a step of voltage shows no resistance: too small, or the wrong way."""
    if mohm >= least_step_sd(unit, counts_mohm) * counts_mohm and mohm > 0.0:
        return None
    if mohm <= -LEAST_STEP_SD * counts_mohm:
        return rises_with_load(unit, mohm=mohm, step_a=abs(step.step_a))
    step_a = abs(step.step_a)
    small = SmallStep(step_v=step_a * mohm / 1000.0, doubt_v=step_a * counts_mohm / 1000.0, step_a=step_a)
    return step_too_small(unit, small, meter=meter, count_v=meter.volts.count)


def _of_unit(jumps: Sequence[Jump], unit: Unit) -> list[Jump]:
    """Return the jumps of this unit; all of them where the file names one thing only, by another name or none."""
    own = [jump for jump in jumps if jump.unit == unit.id]
    return own if own or len({jump.unit for jump in jumps}) > 1 else list(jumps)


def _counted(jump: Jump, seconds: float) -> Jump:
    """
    Return a jump with its time counted from the last sample before it, where that matters and nothing else is known.

    A step came between two samples. Where its stated moment is only that of the first sample with the new current, and
    the time asked for is no more than a few samples long, the last one before is taken: testers write a sample as a
    step ends. Over longer times the choice makes little; it is in the budget either way.
    """
    if not (jump.before.time_s.size and jump.after.time_s.size):
        return jump
    before, after = float(jump.before.time_s[-1]), float(jump.after.time_s[0])
    matters = jump.time_s >= after and seconds < _FEW_SAMPLES * (after - before)
    return replace(jump, time_s=before) if matters else jump


def _chosen(steps: Sequence[Step]) -> list[Step]:
    """Return the steps that count: of the best kind there is, all with at least half the current of the largest."""
    down = [step for step in steps if step.step_a > 0.0]
    kinds = ([step for step in down if step.from_rest], down, [step for step in steps if step.from_rest], list(steps))
    best = next((kind for kind in kinds if kind), [])
    largest = max((abs(step.step_a) for step in best), default=0.0)
    return [step for step in best if abs(step.step_a) >= LARGE_STEP_FRAC * largest]


def _scatter(mohms: Sequence[float]) -> float:
    """Return the standard deviation of one step among its like, from the median deviation; zero for one step."""
    if len(mohms) < 3:
        return abs(mohms[-1] - mohms[0]) / math.sqrt(2.0)
    middle = median(mohms)
    return _MAD_TO_SD * median(abs(mohm - middle) for mohm in mohms)


def _median_lines(steps: Sequence[Step], scatter: float) -> list[Line]:
    """Return the lines of a median's own doubt; a single step keeps its own. [mΩ]"""
    if len(steps) == 1:
        return list(steps[0].lines)
    # The scatter of a few steps is itself ill known: it counts where it is clearly more than the steps' own doubt.
    own = median(step.own_sd for step in steps)
    single = scatter if scatter > _MORE_SCATTER * own else own
    wider = _MEDIAN_SD if len(steps) > 2 else 1.0
    return [
        Line("scatter of the steps", single * wider / math.sqrt(len(steps))),
        Line(MOMENT, median(step.moment_sd for step in steps), Shape.RECTANGULAR),
    ]


def _step_remarks(step: Step, unit: Unit, seconds: float) -> list[Remark]:
    remarks = []
    if step.coarse_s > _COARSE_FRAC * seconds * (1.0 + 1e-6):
        remarks.append(coarse(unit, step.coarse_s, seconds))
    if step.unsteady:
        remarks.append(unsteady(unit, step.unsteady_frac))
    if step.drift_v != 0.0:
        remarks.append(base_drifts(unit, step.drift_v, step.step_v, seconds))
    return remarks


def _moment(unit: Unit, seconds: float) -> list[Remark]:
    if NEAR_S[0] <= seconds <= NEAR_S[1]:
        return []
    return [far_from_ten(unit, seconds, growth_frac(STANDARD_S, seconds), weight=Weight.NOTED)]


def _temperature(unit: Unit, temperature_c: float | None) -> list[Remark]:
    return [] if temperature_c is not None else [no_temperature(unit)]


def _differing(unit: Unit, steps: Sequence[Step], mohm: float, scatter: float) -> list[Remark]:
    if scatter <= _DIFFER_FRAC * mohm:
        return []
    mohms = [step.mohm for step in steps]
    return [steps_differ(unit, count=len(steps), low=min(mohms), high=max(mohms), scatter_frac=scatter / mohm)]

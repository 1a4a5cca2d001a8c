r"""
DC resistance of a whole unit: from two or more loads read by hand, and from steps of current.

Resistance here is the fall of voltage over the rise of current, at a stated time after the step; it is no property of a
unit without that time and its temperature. What is read at 1 kHz, or within a fraction of a second, is another
quantity, often half as large, and is never ranked beside it. Steps in a logger's file stand in `resistance_of_jumps`,
the refusal of a capacity in `health_resistance`; both are handed on here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from hotchpot.bench.estimate import Estimate, Line, Quantity, refused
from hotchpot.bench.load.health_resistance import capacity_from_resistance
from hotchpot.bench.load.loads import Loads
from hotchpot.bench.load.resistance_doubt import (
    LEAST_STEP_SD,
    NEAR_S,
    REPEATABILITY_FRAC,
    STANDARD_S,
    common_lines,
    least_step_sd,
    repeatability_line,
    to_standard,
)
from hotchpot.bench.load.resistance_of_jumps import resistance_at, resistance_of_log
from hotchpot.bench.load.resistance_remarks import (
    EARLIEST_S,
    LATEST_S,
    SmallStep,
    brought_to_ten,
    no_temperature,
    off_the_line,
    rises_with_load,
    small_load,
    step_too_small,
    wrong_moment,
)
from hotchpot.bench.meter import Meter
from hotchpot.bench.remark import Remark
from hotchpot.errors import Fault, InputError
from hotchpot.pile.unit import Unit

__all__ = [
    "REPEATABILITY_FRAC",
    "capacity_from_resistance",
    "resistance_at",
    "resistance_of_loads",
    "resistance_of_log",
    "resistance_of_steps",
]

SMALL_LOAD_HOURS = 20.0
_SMALL_LOAD_FRAC = 0.10  # what the first amps' own overvoltage may add: common practice, no source
_OFF_THE_LINE_SD = 2.5


def resistance_of_loads(
    volts: Sequence[float],
    amps: Sequence[float],
    *,
    unit: Unit,
    meter: Meter,
    seconds: float | None = None,
    count_v: float | None = None,
    temperature_c: float | None = None,
    when: str | None = None,
) -> Estimate:
    r"""
    Return the DC resistance of a unit from its voltage under two or more loads.

    Parameters
    ----------
    volts, amps : sequence of float, shape (n,), n ≥ 2
        Voltage at the unit's posts with each current, positive on discharge; a current of exactly 0 is no load at all
        and has no error. [V], [A]
    unit : Unit
        The pile entry.
    meter : Meter
        What volts and amps were read with.
    seconds : float, optional
        How long each load had been on when it was read; 10 when None. Other moments are brought to 10 s. [s]
    count_v : float, optional
        The last digit that the voltmeter showed; the meter's own when None. [V]
    temperature_c : float, optional
        Of the unit. [°C]
    when : str, optional
        ISO date of the reading.

    Returns
    -------
    Estimate
        RESISTANCE after 10 s, at `temperature_c`. [mΩ] Facts: ``seconds``, ``step_a``, ``step_v``, ``intercept_v``,
        ``loads``, ``temperature_c`` where it was noted, and ``as_read_mohm`` where it was read at another moment.
        Refused where the step drowns in the counts (``step-too-small``), the voltage rises with the load
        (``rises-with-load``), or the reading came too early or too late (``read-too-early``, ``read-too-late``).

    Raises
    ------
    InputError
        If the lists are unlike in length, hold fewer than two readings or a number that is none, a voltage is not above
        zero, or `seconds` or `count_v` is not above zero.

    Notes
    -----
    .. math::
        R = -\frac{\sum (I_i - \bar I)(V_i - \bar V)}{\sum (I_i - \bar I)^2}
        \quad\Bigl( = \frac{V_1 - V_2}{I_2 - I_1} \text{ for two} \Bigr)

    Least squares of volts on amps; two loads at fixed times as in IEC 61960-3 and IEC 60896-21 [1]_. Own errors:
    :math:`u_R = u_V / \sqrt{\sum (I_i - \bar I)^2}` from each voltage's counts and *R* times the like from each
    current's. The gains scale *R*. The clamp's zero cancels between loads, but not against a reading without load.
    The line is that of the lasting loads used: it ends well before a short circuit.

    Examples
    --------
    A lithium cell of 2.5 Ah, 3.950 V at 0.5 A and 3.870 V at 2.5 A:

    >>> from hotchpot.bench.meter import meter
    >>> cell = Unit(id="A1", chemistry="nmc", cells=1, rated_ah=2.5, rated_hours=5)
    >>> found = resistance_of_loads([3.950, 3.870], [0.5, 2.5], unit=cell, meter=meter("millivolt"))
    >>> print(f"{found.value:.1f} ± {found.sd:.1f} mΩ")
    40.0 ± 1.5 mΩ

    References
    ----------
    .. [1] Both second hand: IEC 61960-3, 7.7.3, from a description of the method; IEC 60896-21 from memory.
    """
    at_s = STANDARD_S if seconds is None else seconds
    _check(volts, amps, at_s, count_v)
    loads = Loads(tuple(volts), tuple(amps), meter, meter.volts.count if count_v is None else count_v)
    against = _refusals(loads, unit, at_s)
    if against:
        return refused(Quantity.RESISTANCE, *against, when=when, seconds=at_s, step_a=loads.step_a)
    factor, factor_sd = to_standard(unit, at_s)
    as_read = 1000.0 * loads.ohm
    mohm = factor * as_read
    doubts = [*_moment(as_read, factor_sd, at_s, unit), *_small(mohm, loads, unit), *_scattered(loads, unit, factor)]
    remarks = [remark for _, remark in doubts if remark is not None]
    if temperature_c is None:
        remarks.append(no_temperature(unit))
    return Estimate(
        quantity=Quantity.RESISTANCE,
        value=mohm,
        budget=(
            *(replace(line, sd=factor * line.sd) for line in loads.own_lines()),
            repeatability_line(mohm),
            *common_lines(mohm, unit=unit, meter=meter, temperature_c=temperature_c),
            *(line for line, _ in doubts),
        ),
        facts=_facts(loads, at_s, temperature_c) | ({} if factor == 1.0 else {"as_read_mohm": as_read}),
        remarks=tuple(remarks),
        when=when,
        instrument=meter.key,
    )


def resistance_of_steps(step_v: Sequence[float], step_a: Sequence[float]) -> Estimate:
    r"""
    Return the resistance behind steps of voltage and current that all begin at rest.

    Parameters
    ----------
    step_v, step_a : sequence of float, shape (n,)
        Change of voltage and of current at each step, both with their signs; which way current counts as positive does
        not matter, as long as it is the same for all. [V], [A]

    Returns
    -------
    Estimate
        RESISTANCE. [mΩ] Its budget holds contact and timing, and the scatter about the line, where there is more than
        one step; it knows no meter.

    Raises
    ------
    InputError
        If the lists are empty or unlike in length, hold a number that is none, or no current steps.

    Notes
    -----
    .. math:: R = \left| \frac{\sum \Delta V_i\,\Delta I_i}{\sum \Delta I_i^2} \right|, \quad
        u^2 = \frac{\sum (\Delta V_i - R\,\Delta I_i)^2}{(n-1) \sum \Delta I_i^2}

    Least squares through the origin: no step of current, no step of voltage.

    Examples
    --------
    Steps of +5, -5, +10 and -10 A on a cell of 7 mΩ, read to 0.1 mV:

    >>> round(resistance_of_steps([0.0351, -0.0350, 0.0699, -0.0701], [5, -5, 10, -10]).value, 2)
    7.00
    """
    faults = _unlike("step_v", step_v, "step_a", step_a, least=1)
    if not faults and not any(step_a):
        faults = [Fault("step_a", "no step has a current", "give the change of current of each step")]
    if faults:
        raise InputError(faults)
    power = sum(a * a for a in step_a)
    ohm = sum(v * a for v, a in zip(step_v, step_a, strict=True)) / power
    left = sum((v - ohm * a) ** 2 for v, a in zip(step_v, step_a, strict=True))
    mohm = 1000.0 * abs(ohm)
    lines = [repeatability_line(mohm)]
    if len(step_v) > 1:
        lines.append(Line("scatter of the steps", 1000.0 * math.sqrt(left / (len(step_v) - 1) / power)))
    facts = {"steps": float(len(step_v)), "largest_step_a": max(abs(a) for a in step_a)}
    return Estimate(quantity=Quantity.RESISTANCE, value=mohm, budget=tuple(lines), facts=facts)


def _check(volts: Sequence[float], amps: Sequence[float], seconds: float, count_v: float | None) -> None:
    faults = _unlike("volts", volts, "amps", amps, least=2)
    faults += [
        Fault("volts", f"{v:g} V is not above zero", "give the voltage at the posts, red lead on plus")
        for v in volts
        if v <= 0.0
    ]
    for name, number in (("seconds", seconds), ("count_v", count_v)):
        if number is not None and not (math.isfinite(number) and number > 0.0):
            faults.append(Fault(name, f"must be above zero; got {number:g}", "leave it out if it was not noted"))
    if faults:
        raise InputError(faults)


def _unlike(one: str, ones: Sequence[float], other: str, others: Sequence[float], *, least: int) -> list[Fault]:
    """Return what is wrong with two lists that run side by side."""
    if len(ones) != len(others):
        return [Fault(other, f"{len(others)} numbers beside {len(ones)} of {one}", "give one for each")]
    if len(ones) < least:
        return [Fault(one, f"{len(ones)} given", f"give {least} or more, each with its {other}")]
    return [
        Fault(name, f"number {k} is {number}", "give a plain number")
        for name, numbers in ((one, ones), (other, others))
        for k, number in enumerate(numbers, 1)
        if not math.isfinite(number)
    ]


def _facts(loads: Loads, seconds: float, temperature_c: float | None) -> dict[str, float]:
    facts = {
        "seconds": seconds,
        "step_a": loads.step_a,
        "step_v": loads.ohm * loads.step_a,
        "intercept_v": loads.intercept_v,
        "loads": float(len(loads.volts)),
    }
    return facts if temperature_c is None else {**facts, "temperature_c": temperature_c}


def _refusals(loads: Loads, unit: Unit, seconds: float) -> list[Remark]:
    """Return why there is no resistance in these readings: the step, or the moment."""
    against = []
    if not loads.amps_told_apart:
        against.append(_too_small(loads, unit))
    elif loads.ohm <= -LEAST_STEP_SD * loads.counts_ohm:
        against.append(rises_with_load(unit, mohm=1000.0 * loads.ohm, step_a=loads.step_a))
    elif loads.ohm < least_step_sd(unit, 1000.0 * loads.counts_ohm) * loads.counts_ohm:
        against.append(_too_small(loads, unit))
    if not EARLIEST_S <= seconds <= LATEST_S:
        against.append(wrong_moment(unit, seconds))
    return against


def _too_small(loads: Loads, unit: Unit) -> Remark:
    # The doubt of the step between the outermost loads: for two of them sqrt(2) of one reading's counts.
    apart = loads.amps_told_apart
    doubt_v = loads.counts_ohm * loads.step_a if apart else math.sqrt(2.0) * loads.meter.volts.own_sd(loads.count_v)
    small = SmallStep(
        step_v=loads.ohm * loads.step_a if apart else max(loads.volts) - min(loads.volts),
        doubt_v=doubt_v,
        step_a=loads.step_a if apart else 0.0,
        doubt_a=0.0 if apart else math.sqrt(2.0) * loads.meter.amps.own_sd(),
    )
    return step_too_small(unit, small, meter=loads.meter, count_v=loads.count_v)


def _moment(mohm: float, factor_sd: float, seconds: float, unit: Unit) -> list[tuple[Line, Remark | None]]:
    """Return the doubt of bringing a resistance from the moment it was read at to 10 s. [mΩ]"""
    if seconds == STANDARD_S:
        return []
    near = NEAR_S[0] <= seconds <= NEAR_S[1]
    return [(Line("not read at 10 s", mohm * factor_sd), None if near else brought_to_ten(unit, seconds, mohm))]


def _small(mohm: float, loads: Loads, unit: Unit) -> list[tuple[Line, Remark | None]]:
    """Return the doubt of loads so small that the first amps' own overvoltage counts."""
    least, most = unit.rated_ah / SMALL_LOAD_HOURS, max(abs(a) for a in loads.amps)
    if most >= least:
        return []
    return [(Line("small load", mohm * _SMALL_LOAD_FRAC), small_load(unit, most_a=most, least_a=least))]


def _scattered(loads: Loads, unit: Unit, factor: float) -> list[tuple[Line, Remark | None]]:
    """Return the doubt of three or more loads that do not lie on one line."""
    found, expected = loads.off_the_line_v, loads.expected_v
    if found <= _OFF_THE_LINE_SD * expected:
        return []
    line = Line("scatter about the line", factor * 1000.0 * found / math.sqrt(loads.spread_a2))
    return [(line, off_the_line(unit, found_v=found, expected_v=expected))]

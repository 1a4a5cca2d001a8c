"""What the bench says of a resistance: refusals, doubts and notices, each with its figures and what to do."""

from __future__ import annotations

import math
from dataclasses import dataclass

from hotchpot.bench.load.resistance_doubt import (
    GROWTH_SOURCE,
    LEAST_STEP_SD,
    NEAR_S,
    STANDARD_S,
    least_step_sd,
    to_standard,
)
from hotchpot.bench.meter import Meter
from hotchpot.bench.remark import Remark, Weight
from hotchpot.pile.unit import Unit

EARLIEST_S, LATEST_S = 1.0, 60.0
_PRACTICE = "common practice, no source"
_WANTED_FRAC = 0.10  # what the counts should leave of doubt


@dataclass(frozen=True, slots=True, kw_only=True)
class SmallStep:
    """A fall of voltage for a step of current, and the standard deviations that the meters' counts give the two."""

    step_v: float
    step_a: float
    doubt_v: float
    doubt_a: float = 0.0


def step_too_small(unit: Unit, small: SmallStep, *, meter: Meter, count_v: float) -> Remark:
    """Return the refusal of a step that the counts could have made; says what amps or which meter would do."""
    amps = f", and ± {small.doubt_a:.2g} A" if small.doubt_a > 0.0 else ""
    step_v, doubt_v, step_a = small.step_v, small.doubt_v, small.step_a
    times = least_step_sd(unit, 1000.0 * doubt_v / step_a) if step_a > 0.0 else LEAST_STEP_SD
    return Remark(
        code="step-too-small",
        weight=Weight.REFUSED,
        subject=unit.id,
        says=(
            f"The voltage of {unit.id} fell by {step_v:.3g} V for a step of {step_a:.3g} A; the meters' last digits "
            f"alone are worth ± {doubt_v:.2g} V{amps}."
        ),
        why="A step that the last digits could have made by themselves shows no resistance.",
        do=_what_would_do(unit, small, meter, count_v),
        source=f"JCGM 100:2008, 4.3.7 for the counts; {times:g} times their doubt: {_PRACTICE}",
        value=step_v,
        limit=times * doubt_v,
        unit="V",
    )


def _what_would_do(unit: Unit, small: SmallStep, meter: Meter, count_v: float) -> str:
    """Return how large a step, or how fine a meter, would leave a tenth of the resistance to the counts."""
    ohm = unit.chem.typical_mohm(unit.cells, unit.rated_ah) / 1000.0
    if small.step_a > 0.0:
        ohm = min(ohm, (max(0.0, small.step_v) + 2.0 * small.doubt_v) / small.step_a)
    needed_a = math.sqrt(2.0) * meter.volts.own_sd(count_v) / (_WANTED_FRAC * ohm)
    finer_v = min(0.001, count_v / 10.0)
    finer = f"a meter that shows {finer_v:g} V: then a step of {_amps(needed_a * finer_v / count_v)} would do"
    if needed_a <= most_amps(unit):
        return (
            f"Use a step of {_amps(needed_a)}, where the label, the load, its leads and clips allow it, or use {finer}."
        )
    return (
        f"It would take a step of {_amps(needed_a)}, more than the {_amps(most_amps(unit))} that may be asked of this "
        f"unit: use {finer}. Hold its probes on the posts, not on the load's clips."
    )


def most_amps(unit: Unit) -> float:
    """Return the largest current to ask of a unit: its label's, its protection board's or its chemistry's. [A]"""
    own = unit.max_discharge_a or unit.chem.num("discharge_c_cont") * unit.rated_ah
    return own if unit.bms_max_a is None else min(own, unit.bms_max_a)


def rises_with_load(unit: Unit, *, mohm: float, step_a: float) -> Remark:
    """Return the refusal of a voltage that rises as the current grows."""
    return Remark(
        code="rises-with-load",
        weight=Weight.REFUSED,
        subject=unit.id,
        says=f"The voltage of {unit.id} rises by {-mohm * step_a / 1000.0:.3g} V for {step_a:.3g} A more of load.",
        why="Voltage falls under load. Volts and amps were paired wrongly, or a charge was written as a load.",
        do="Check which voltage goes with which current and that discharge is positive; in doubt, read it again.",
        source="Ohm's law",
        value=mohm,
        limit=0.0,
        unit="mΩ",
    )


def wrong_moment(unit: Unit, seconds: float) -> Remark:
    """Return the refusal of a reading too soon or too late after the load came on."""
    early = seconds < EARLIEST_S
    return Remark(
        code="read-too-early" if early else "read-too-late",
        weight=Weight.REFUSED,
        subject=unit.id,
        says=f"{unit.id} was read {seconds:g} s after the load came on; what is wanted is the value after 10 s.",
        why=(
            "So early a reading, like one at 1 kHz, holds only the fast part, often half: in three batches of retired "
            "cells 53 to 73 % of the value 5 s later. What is missing differs from unit to unit."
            if early
            else "By then charge and the slow part have moved: the fall is that of a run, not of a step."
        ),
        do="Read the voltage 10 s after each load comes on, with some minutes of rest between.",
        source=f"{_PRACTICE}; open data: S. Tao et al., doi 10.1038/s41467-024-54454-0",
        value=seconds,
        limit=EARLIEST_S if early else LATEST_S,
        unit="s",
    )


def far_from_ten(unit: Unit, seconds: float, off_frac: float, *, weight: Weight = Weight.DOUBTFUL) -> Remark:
    """Return that a resistance was read well before or after 10 s, and by how much that may change it."""
    less = f"{100.0 * abs(off_frac):.0f} % {'less' if off_frac < 0.0 else 'more'}"
    return Remark(
        code="time-far-from-ten",
        weight=weight,
        subject=unit.id,
        says=f"{unit.id} was read {seconds:g} s after the step: a value of perhaps {less} than after 10 s.",
        why="The longer a load is on, the more of the slow part the fall holds; how much differs from unit to unit.",
        do="Read 10 s after the step, and never rank values of unlike moments.",
        source=GROWTH_SOURCE,
        value=seconds,
        limit=NEAR_S[0] if seconds < NEAR_S[0] else NEAR_S[1],
        unit="s",
    )


def brought_to_ten(unit: Unit, seconds: float, as_read_mohm: float) -> Remark:
    """Return that a resistance was read well before or after 10 s, and what bringing it there changed."""
    factor, sd = to_standard(unit, seconds)
    return Remark(
        code="time-far-from-ten",
        weight=Weight.DOUBTFUL,
        subject=unit.id,
        says=(
            f"{unit.id} was read {seconds:g} s after the load came on, {as_read_mohm:.3g} mΩ; brought to 10 s that is "
            f"{factor * as_read_mohm:.3g} mΩ, {100.0 * (factor - 1.0):+.0f} ± {100.0 * sd:.0f} %."
        ),
        why="The longer a load is on, the more of the slow part the fall holds; how much differs from unit to unit.",
        do="Read 10 s after each load comes on.",
        source=GROWTH_SOURCE if seconds < STANDARD_S else unit.chem.cite("r1_q"),
        value=seconds,
        limit=NEAR_S[0] if seconds < NEAR_S[0] else NEAR_S[1],
        unit="s",
    )


def small_load(unit: Unit, *, most_a: float, least_a: float) -> Remark:
    """Return that the loads were so small that the first amps' own overvoltage counts."""
    return Remark(
        code="small-load",
        weight=Weight.DOUBTFUL,
        subject=unit.id,
        says=f"The largest load on {unit.id} was {most_a:.3g} A, under a twentieth of its rated amp-hours.",
        why="The first amps cost more voltage each than those of a working load, so the resistance may read high.",
        do=f"Use loads up to about {_amps(min(4.0 * least_a, most_amps(unit)))}, where load, leads and clips allow it.",
        source=_PRACTICE,
        value=most_a,
        limit=least_a,
        unit="A",
    )


def off_the_line(unit: Unit, *, found_v: float, expected_v: float) -> Remark:
    """Return that three or more loads do not lie on one line."""
    return Remark(
        code="off-the-line",
        weight=Weight.DOUBTFUL,
        subject=unit.id,
        says=f"The readings of {unit.id} scatter by ± {found_v:.2g} V about one line; ± {expected_v:.2g} V is usual.",
        why="One reading is wrong or was taken at another moment, or the unit was still settling between the loads.",
        do="Read the loads again, smallest first, each at the same moment, with some minutes of rest between.",
        source=_PRACTICE,
        value=found_v,
        limit=expected_v,
        unit="V",
    )


def no_temperature(unit: Unit) -> Remark:
    """Return that the temperature of the unit was not noted with a resistance."""
    cold, room = (unit.chem.at_temperature("r_temp_mult", t) for t in (10.0, 25.0))
    return Remark(
        code="temperature-unread",
        weight=Weight.NOTED,
        subject=unit.id,
        says=f"No temperature noted with {unit.id}; its kind has {cold / room:.2g} times as much at 10 °C as at 25.",
        why="A resistance stands for the temperature it was read at; two are compared only at one temperature.",
        do="Note the temperature on the case, well away from the load.",
        source=unit.chem.cite("r_temp_mult"),
    )


def _amps(amps: float) -> str:
    return f"{amps:.1f} A" if amps < 10.0 else f"{math.ceil(amps)} A"

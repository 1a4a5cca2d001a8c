"""What the bench says of a step of current in a logger's file: why it shows nothing, or what makes it doubtful."""

from __future__ import annotations

from hotchpot.bench.load.step import Unseen
from hotchpot.bench.remark import Remark, Weight
from hotchpot.pile.unit import Unit

_PRACTICE = "common practice, no source"

# code: (what is said with found, wanted and seconds; why; what to do; unit)
_UNSEEN = {
    "no-base": (
        "no sample can be used before the step",
        "The fall of voltage is counted from where the unit stood before.",
        "Let the logger run some seconds before the load comes on.",
        "samples",
    ),
    "sampling-too-coarse": (
        "the samples leave {found:g} s open, too coarse for a value {seconds:g} s after the step",
        "Between samples that far apart nobody knows when the step came, nor how the voltage fell.",
        "Log every {every:g} s or faster around the step.",
        "s",
    ),
    "step-too-short": (
        "the samples after the step end at {found:g} s, before the {seconds:g} s asked for",
        "A value at a time that was not sampled would be a guess.",
        "Hold the load for {hold:g} s or longer, and log all of it.",
        "s",
    ),
    "load-unsteady": (
        "the current strayed by {percent:.0f} % of its step within {seconds:g} s",
        "The fall of voltage belongs to a current that lasted from the step to the reading.",
        "Use a steady load, a resistor or a bulb already warm, and change nothing else for {hold:g} s.",
        "of the step",
    ),
    "step-too-small": (
        "the current stepped by {found:.3g} A, of which the ammeter's counts may make {wanted:.2g} A by themselves",
        "A step that the last digits could have made shows no resistance.",
        "Use a larger load, where the label, its leads and clips allow it.",
        "A",
    ),
}


def unseen(unit: Unit, what: Unseen, seconds: float) -> Remark:
    """Return the refusal of a step that shows nothing at the moment asked for."""
    says, why, do, in_unit = _UNSEEN[what.code]
    figures = {
        "found": what.found,
        "wanted": what.wanted,
        "seconds": seconds,
        "percent": 100.0 * what.found,
        "every": seconds / 10.0,
        "hold": 1.5 * seconds,
    }
    return Remark(
        code=what.code,
        weight=Weight.REFUSED,
        subject=unit.id,
        says=f"Of {unit.id}, {says.format(**figures)}.",
        why=why,
        do=do.format(**figures),
        source=_PRACTICE,
        value=what.found,
        limit=what.wanted,
        unit=in_unit,
    )


def no_steps(unit: Unit, name: str) -> Remark:
    """Return the refusal of a log in which the current of this unit never steps."""
    return Remark(
        code="no-steps",
        weight=Weight.REFUSED,
        subject=unit.id,
        says=f"In {name} the current of {unit.id} never steps.",
        why="A resistance shows only where the current changes at once and the voltage follows.",
        do="Switch a load on and off while the logger runs, from rest, for half a minute each.",
        source=_PRACTICE,
    )


def coarse(unit: Unit, gap_s: float, seconds: float) -> Remark:
    """Return that the samples are sparse for the moment asked for."""
    return Remark(
        code="sampling-coarse",
        weight=Weight.DOUBTFUL,
        subject=unit.id,
        says=f"The samples of {unit.id} leave {gap_s:g} s open around a value {seconds:g} s after the step.",
        why="The moment of the step is known no better than the samples beside it.",
        do=f"Log every {seconds / 10.0:g} s or faster around the step.",
        source=_PRACTICE,
        value=gap_s,
        limit=seconds / 2.0,
        unit="s",
    )


def unsteady(unit: Unit, strayed_frac: float) -> Remark:
    """Return that the current was not steady from the step to the reading."""
    return Remark(
        code="load-unsteady",
        weight=Weight.DOUBTFUL,
        subject=unit.id,
        says=f"The current of {unit.id} strayed by {100.0 * strayed_frac:.0f} % of its step before the reading.",
        why="The slow part of the fall follows the current before the reading, not that of the reading.",
        do="Use a steady load, a resistor or a bulb already warm.",
        source=_PRACTICE,
        value=strayed_frac,
        limit=0.10,
        unit="of the step",
    )


def base_drifts(unit: Unit, drift_v: float, step_v: float, seconds: float) -> Remark:
    """Return that the unit had not come to rest before the step."""
    return Remark(
        code="base-drifts",
        weight=Weight.NOTED,
        subject=unit.id,
        says=(
            f"Before the step {unit.id} drifted by {1000.0 * drift_v:+.2g} mV in {seconds:g} s, beside a step of "
            f"{1000.0 * step_v:.3g} mV; its line was carried on."
        ),
        why="A unit that still settles moves by itself while the step is read; half of that is kept as doubt.",
        do="Let it rest an hour before the step.",
        source=_PRACTICE,
        value=abs(drift_v),
        unit="V",
    )


def steps_differ(unit: Unit, *, count: int, low: float, high: float, scatter_frac: float) -> Remark:
    """Return that the steps of one log show unlike resistances."""
    return Remark(
        code="steps-differ",
        weight=Weight.NOTED,
        subject=unit.id,
        says=f"{count} steps of {unit.id} show {low:.3g} to {high:.3g} mΩ; scatter ± {100.0 * scatter_frac:.0f} %.",
        why="Resistance changes with charge and temperature, so the steps need not agree.",
        do="To compare units, step each at the same temperature between 50 and 80 % of charge.",
        source=_PRACTICE,
        value=scatter_frac,
        limit=0.10,
        unit="of the median",
    )

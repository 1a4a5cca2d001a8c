"""What is said of runs that tell no capacity: begun half full, through a resistor unseen, beyond any label."""

from __future__ import annotations

from hotchpot.bench.remark import Remark, Weight
from hotchpot.pile.unit import Unit

_PRACTICE = "common practice, no source"


def not_from_full(unit: Unit, charged_frac: float) -> Remark:
    """Return that a run of a log began before the unit was full again."""
    return Remark(
        code="not-from-full",
        weight=Weight.REFUSED,
        subject=unit.id,
        says=f"before the run only {100 * charged_frac:.0f} % of the charge drawn before was put back",
        why="a run that does not begin full tells what was in the unit, not what it holds",
        do="Charge it fully, rest it, and run it down in one go.",
        source=_PRACTICE,
        value=charged_frac,
        limit=0.95,
    )


def full_not_shown(unit: Unit, ah: float) -> Remark:
    """Return that nothing in a log shows the unit full before a run."""
    return Remark(
        code="full-not-shown",
        weight=Weight.DOUBTFUL,
        subject=unit.id,
        says=f"the log does not show {unit.id} full before the run: it holds {ah:.3g} Ah at the least, perhaps more",
        why="a run that begins half full tells what was in the unit, not what it holds",
        do="Charge it fully, start the logger before that charge ends or in the rest after it, and run it again.",
        source=_PRACTICE,
        value=ah,
        unit="Ah",
    )


def few_volts(unit: Unit, count: int) -> Remark:
    """Return that a run through a resistor was hardly looked at."""
    return Remark(
        code="current-unseen",
        weight=Weight.REFUSED,
        subject=unit.id,
        says=f"a run through a resistor with {count} voltage{'' if count == 1 else 's'} noted",
        why="the current through a resistor follows the voltage, and between the readings nobody saw it",
        do="Note the volts at the start, now and then, and at the end: three at least, more near the end.",
        source="Ohm's law",
        value=float(count),
        limit=3.0,
    )


def implausible(unit: Unit, ah: float) -> Remark:
    """Return that a capacity is beyond any label."""
    return Remark(
        code="capacity-implausible",
        weight=Weight.REFUSED,
        subject=unit.id,
        says=f"{ah:.3g} Ah would be {ah / unit.rated_ah:.1f} times the rated {unit.rated_ah:g} Ah of {unit.id}",
        why="no unit holds that much more than its label: a slip (mA for A, minutes for hours), or a wrong label",
        do="Look at the amps, the hours and rated_ah again; with a log, at the columns that bench log shows.",
        source=_PRACTICE,
        value=ah / unit.rated_ah,
        limit=1.5,
    )


def too_old(unit: Unit, ah: float, sd: float, when: str | None) -> Remark:
    """Return that a capacity was read so long ago that the unit counts as untested."""
    return Remark(
        code="reading-too-old",
        weight=Weight.REFUSED,
        subject=unit.id,
        says=f"{ah:.3g} Ah of {when or 'an unknown day'} may be ± {sd:.2g} Ah by now",
        why="a unit ages between readings, and by now its age says as much as that reading",
        do="Charge it fully, rest it, and run it down again.",
        source="project rule: 0.15 of the value, the doubt of a prior by age",
        value=sd / ah,
        limit=0.15,
    )

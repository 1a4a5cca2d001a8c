"""
A guide: one test procedure on one unit, answered step by step, and what comes of it.

The answers are plain data (they live in a draft between two evenings): for each step's key what was typed, as it was
typed, or the moments at which a thing was done. Moments are local time, ISO 8601.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from hotchpot.bench.meter import meter as meter_of
from hotchpot.bench.procedure.fitness import remarks_for
from hotchpot.bench.procedure.procedures import (
    Procedure,
    Step,
    StepKind,
    brief_for,
    cautions_for,
    clock_hours,
    good_for,
    procedure,
    steps_after,
    steps_for,
)
from hotchpot.bench.procedure.procedures import procedures as all_procedures
from hotchpot.bench.remark import Remark, Weight
from hotchpot.bench.study import study
from hotchpot.desk.files import hold_against, load_readings
from hotchpot.desk.guiding.answers import Answers, is_sound, number, picked, seen_flags
from hotchpot.desk.guiding.watching import DONE, field_range, looked, value_of
from hotchpot.errors import InputError
from hotchpot.pile import Unit
from hotchpot.pile.reading import ReadingKind

DONE_WORDS = ("", "ok", "done", "yes", "y", "ready")

# A face takes the types from here: it may not reach into the bench itself.
__all__ = [
    "Guide",
    "Procedure",
    "Remark",
    "Step",
    "StepKind",
    "Weight",
    "answered",
    "check_procedure",
    "guide_for",
    "next_step",
    "now",
    "procedures",
    "refusals",
    "resumed",
    "seen_unit",
    "step_back",
    "steps_now",
    "take",
    "unusual",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Guide:
    """
    A procedure made ready for one unit: its steps, what speaks against it, how long it takes.

    `cautions` are all that concern the unit, in full; `brief` are the same, each in one line.
    """

    procedure: Procedure
    unit: Unit
    meter: str | None
    steps: tuple[Step, ...]
    cautions: tuple[str, ...]
    brief: tuple[str, ...]
    remarks: tuple[Remark, ...]
    good: str
    hours: float

    @property
    def refused(self) -> bool:
        """Whether this test must not be made on this unit."""
        return any(remark.weight is Weight.REFUSED for remark in self.remarks)


def now() -> datetime:
    """Return the local time, to the second."""
    return datetime.now().replace(microsecond=0)


def procedures() -> tuple[Procedure, ...]:
    """Return every procedure, in the order of a careful day at the bench."""
    return tuple(all_procedures().values())


def check_procedure(key: str) -> None:
    """Raise InputError where there is no such procedure, before anything is asked for it."""
    procedure(key)


def guide_for(key: str, unit: Unit, *, meter: str | None = None) -> Guide:
    """
    Return the guide of the procedure `key` for `unit`; it may be refused (`Guide.refused`).

    Raises
    ------
    InputError
        If there is no such procedure or meter; names the nearest.
    """
    chosen = procedure(key)
    return Guide(
        procedure=chosen,
        unit=unit,
        meter=meter,
        steps=steps_for(chosen, unit, instrument=meter_of(meter)),
        cautions=cautions_for(chosen, unit),
        brief=brief_for(chosen, unit),
        remarks=remarks_for(chosen, unit),
        good=good_for(chosen, unit),
        hours=clock_hours(chosen, unit),
    )


def steps_now(guide: Guide, answers: Answers) -> tuple[Step, ...]:
    """Return the steps of the branches taken so far."""
    return steps_after(guide.steps, answers)


def next_step(guide: Guide, answers: Answers) -> Step | None:
    """Return the first step that is not answered; None when all are."""
    return next((step for step in steps_now(guide, answers) if not answered(step, answers)), None)


def answered(step: Step, answers: Answers) -> bool:
    """Tell whether a step has its whole answer."""
    given = answers.get(step.key)
    if step.kind is StepKind.WAIT:
        return bool(given and given.get("ended"))
    if step.kind is StepKind.WATCH:
        return bool(given and given.get(DONE))
    return step.key in answers


def step_back(guide: Guide, answers: Answers) -> dict[str, Any]:
    """Return the answers without the last one; of a watch, without the last look."""
    kept = dict(answers)
    for step in reversed(steps_now(guide, answers)):
        if step.key not in kept:
            continue
        looks = kept[step.key].get("looks", []) if step.kind is StepKind.WATCH else []
        if looks:
            kept[step.key] = {"looks": looks[:-1]}
            return kept
        del kept[step.key]
        if step.kind not in (StepKind.WAIT, StepKind.WATCH):
            return kept
    return kept


def resumed(guide: Guide, answers: Answers) -> dict[str, Any]:
    """
    Return the answers of a draft as they still hold.

    Answers to steps that the guide no longer has, or that cannot be read, are dropped. A test broken off while its load
    was on for seconds begins again before that load: nobody leaves it on for so long, and a later reading is another
    reading.
    """
    kinds = {step.key: step.kind for step in guide.steps}
    kept = {key: value for key, value in answers.items() if key in kinds and is_sound(kinds[key], value)}
    if len(guide.procedure.again) != 2:
        return kept
    first, last = guide.procedure.again
    order = list(dict.fromkeys(step.key for step in guide.steps))
    if first in kept and last not in kept:
        for key in order[order.index(first) :]:
            kept.pop(key, None)
    return kept


def as_read(unit: Unit, book: Path) -> Unit:
    """
    Return a unit with the facts that the readings file beside it already holds: a unit that was seen swollen stays so.

    Raises
    ------
    InputError
        If the readings file is there and cannot be read, or has volts that the unit cannot have.
    """
    if not book.is_file():
        return unit
    own = [one for one in load_readings(book) if one.unit == unit.id and one.kind is not ReadingKind.LOG]
    faults = hold_against(own, [unit], name=book.name)
    if faults:
        raise InputError(faults)
    return study(unit, own).unit if own else unit


def take(guide: Guide, step: Step, text: str, answers: Answers, *, at: datetime, timers: bool = True) -> Any:
    """
    Return the answer that `text` gives to a step.

    Parameters
    ----------
    guide, step, answers
        The guide, the step asked, and the answers before it.
    text : str
        What was typed.
    at : datetime
        Local time now.
    timers : bool, default True
        Whether the wall clock counts; without it each look needs its hours or days in words.

    Raises
    ------
    InputError
        If the text does not answer the step: says what, and what would.
    """
    text = text.strip()
    if step.kind is StepKind.WATCH:
        return looked(guide.unit, step, text, answers, at=at, timers=timers)
    if step.kind is StepKind.DO:
        if text.casefold() not in DONE_WORDS:
            mend = "press Enter alone when it is done; if a stop limit is met, switch off and type stop"
            raise InputError.one(step.title, f"{text!r} is no answer here", mend)
        return at.isoformat()
    answer = _TYPED[step.kind](step, text)
    if step.above and answers.get(step.above):
        least, value = (number(t, step.unit, 0.0, step.high, where=step.title) for t in (answers[step.above], text))
        if value <= least:
            mend = "it must be more than with the load before: check both, and type back if that was the slip"
            raise InputError.one(step.title, f"{value:g} {step.unit} after {least:g} {step.unit}", mend)
    return answer


def _read(step: Step, text: str) -> str:
    if text or not step.optional:
        number(text, step.unit, step.low, step.high, where=step.title)
    return text


def _listed(step: Step, text: str) -> list[str]:
    items = text.replace(";", " ").replace("|", " ").split()
    if len(items) != step.count:
        what = f"{len(items)} number{'' if len(items) == 1 else 's'}"
        raise InputError.one(step.title, what, f"give {step.count}, with spaces between")
    for item in items:
        number(item, step.unit, step.low, step.high, where=step.title)
    return items


_TYPED: Mapping[StepKind, Callable[[Step, str], Any]] = {
    StepKind.PICK: picked,
    StepKind.FLAGS: seen_flags,
    StepKind.LIST: _listed,
    StepKind.READ: _read,
}


def unusual(guide: Guide, step: Step, answer: Any) -> str:
    """Return what a sound unit would have read where the answer is something else; empty where it is not."""
    if step.expect is None or not answer or (step.kind is StepKind.WATCH and answer.get(DONE)):
        return ""
    low, high = step.expect
    unit = step.unit
    if step.kind is StepKind.WATCH:
        look = answer["looks"][-1]
        unit = field_range(guide.unit, step, step.fields[0])[0]
        values = [value_of(guide.unit, step, look, step.fields[0])]
    else:
        texts = answer if isinstance(answer, list) else [answer]
        values = [number(text, unit, step.low, step.high, where=step.title) for text in texts]
    slack = 1e-6 * max(1.0, abs(high))
    if all(low - slack <= value <= high + slack for value in values):
        return ""
    usual = f"Usual is {low:.4g} to {high:.4g} {unit}".rstrip()
    return f"{usual}. Read once more; if it was a slip, type back; if it stays, go on."


def refusals(guide: Guide, answers: Answers) -> tuple[Remark, ...]:
    """Return what the answers so far say against going on: what was seen, and the volts before any load."""
    seen = seen_unit(guide, answers)
    return tuple(r for r in remarks_for(guide.procedure, seen) if r.weight is Weight.REFUSED)


def seen_unit(guide: Guide, answers: Answers) -> Unit:
    """Return the unit with what the answers add: flags, and the volts read before the test."""
    unit = guide.unit
    if flags := answers.get("flags"):
        unit = replace(unit, flags=tuple(dict.fromkeys((*unit.flags, *flags))))
    for step in guide.steps:
        if step.guards and answers.get(step.key):
            unit = replace(unit, rest_v=number(answers[step.key], step.unit, step.low, step.high, where=step.title))
    return unit

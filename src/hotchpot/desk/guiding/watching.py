"""Looking in now and then: a watch of a guide, its looks, its clock, and when the next look is due."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from hotchpot.bench.procedure.figures import figures
from hotchpot.bench.procedure.looking import next_look_h
from hotchpot.bench.procedure.procedures import Step
from hotchpot.desk.guiding.answers import Answers, number
from hotchpot.errors import InputError
from hotchpot.pile import Unit

_PER = {"hours": 3600.0, "days": 86400.0}
DONE = "done"


@dataclass(frozen=True, slots=True)
class Due:
    """When to look again: `at` on the step's own clock (hours or days), `when` by the wall clock, `last` the end."""

    at: float
    when: datetime | None
    last: bool


def looked(unit: Unit, step: Step, text: str, answers: Answers, *, at: datetime, timers: bool) -> dict[str, Any]:
    """Return a watch with one more look, or ended."""
    looks: list[dict[str, Any]] = list((answers.get(step.key) or {}).get("looks", []))
    least = 1 if step.end_v is None and step.clock == "hours" else 2
    if text.casefold() == DONE:
        if len(looks) < least:
            mend = "read once more first, or quit and come back"
            raise InputError.one(step.title, f"{len(looks)} of {least} looks needed", mend)
        return {"looks": looks, DONE: True}
    items = text.split()
    told, fields = len(items) == len(step.fields) + 1, " and ".join(step.fields)
    if not told and (len(items) != len(step.fields) or not timers):
        also = f"{step.clock} and {fields}" if not timers else f"{fields}, or {step.clock} and {fields}"
        raise InputError.one(step.title, f"{len(items)} number{'' if len(items) == 1 else 's'}", f"give {also}")
    moment = _clock_of(items.pop(0), step) if told else elapsed(step, answers, at=at)
    if looks and moment <= looks[-1]["at"]:
        raise InputError.one(
            step.title, f"{moment:.4g} {step.clock} is not after {looks[-1]['at']:.4g}", "looks come one after another"
        )
    look: dict[str, Any] = {"at": round(moment, 6)}
    for name, item in zip(step.fields, items, strict=True):
        number(item, *field_range(unit, step, name), where=f"{step.title}: {name}")
        look[name] = item
    looks.append(look)
    ends = step.end_v is not None and value_of(unit, step, look, "volts") <= step.end_v
    if ends and moment <= 0.0:
        mend = "switch off: it is empty, or a lead is off; type stop, or look again a minute later"
        raise InputError.one(step.title, f"{items[0]} V is the end of the run at its very beginning", mend)
    rested = step.clock == "hours" and step.end_at is not None and moment >= step.end_at
    return {"looks": looks, DONE: True} if ends or rested else {"looks": looks}


def _clock_of(text: str, step: Step) -> float:
    hours, colon, minutes = text.partition(":")
    if colon and hours.isdigit() and minutes.isdigit() and int(minutes) < 60 and step.clock == "hours":
        return int(hours) + int(minutes) / 60.0
    return number(text, "h" if step.clock == "hours" else "", 0.0, 100_000.0, where=f"{step.title}: {step.clock}")


def field_range(unit: Unit, step: Step, name: str) -> tuple[str, float, float]:
    """Return the unit and the possible range of one field of a watch; below zero volts only with nothing connected."""
    volts = "terminal_v" if step.end_v is None else "loaded_v"
    sign, key = {"volts": ("V", volts), "amps": ("A", "drawn_a"), "ah": ("Ah", "ah")}[name]
    low, high = figures(unit).ranges[key]
    return sign, low, high


def value_of(unit: Unit, step: Step, look: Mapping[str, Any], name: str) -> float:
    """Return one number of a look, in the unit its name says."""
    return number(str(look[name]), *field_range(unit, step, name), where=f"{step.title}: {name}")


def elapsed(step: Step, answers: Answers, *, at: datetime) -> float:
    """Return how long ago the step that a watch counts from was done, on the watch's clock; never below zero."""
    began = answers.get(step.since)
    if not began:
        return 0.0
    gone = max(0.0, (at - datetime.fromisoformat(began)).total_seconds()) / _PER[step.clock]
    before = answers.get(step.offset) if step.offset else None
    return gone + (number(before, "h", 0.0, 100_000.0, where="hours") if before else 0.0)


def due(unit: Unit, step: Step, answers: Answers) -> Due | None:
    """Return when to look at a watch again; None when nothing more is due."""
    looks = (answers.get(step.key) or {}).get("looks", [])
    marks = [look["at"] for look in looks]
    last = False
    if step.end_v is not None:
        volts = [value_of(unit, step, look, "volts") for look in looks]
        at = next_look_h(marks, volts, cutoff_v=step.end_v, run_h=figures(unit).run_h)
    else:
        end = step.end_at or 0.0
        middle = [(step.first_at + end) / 2] if step.clock == "days" and "volts" in step.fields else []
        wanted = [step.first_at, *middle, end] if step.clock == "days" else [end]
        ahead = [mark for mark in wanted if not marks or mark > marks[-1] + 1e-9]
        if not ahead:
            return None
        at, last = ahead[0], ahead[0] == end
    began = answers.get(step.since)
    if not began:
        return Due(at, None, last)
    before = answers.get(step.offset) if step.offset else None
    already = number(before, "h", 0.0, 100_000.0, where="hours") if before else 0.0
    seconds = max(0.0, at - already) * _PER[step.clock]
    return Due(at, datetime.fromisoformat(began) + timedelta(seconds=seconds), last)


def looks_of(step: Step, answers: Answers) -> Sequence[Mapping[str, Any]]:
    """Return the looks of a watch so far."""
    looks: Sequence[Mapping[str, Any]] = (answers.get(step.key) or {}).get("looks", [])
    return looks

"""The answers of a guide as one reading: a fact, as it was noted, for the readings file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from hotchpot.bench.procedure.procedures import Step, StepKind
from hotchpot.desk.guiding.answers import Answers, count_of, number
from hotchpot.desk.guiding.guide import Guide, steps_now
from hotchpot.desk.guiding.watching import looks_of, value_of
from hotchpot.pile.reading import Reading, ReadingKind


def reading_of(guide: Guide, answers: Answers, *, when: datetime | None = None) -> Reading:
    """Return the answers of a guide as one row of the readings file; `when` is local time."""
    sheet = _Sheet(guide, {step.key: step for step in steps_now(guide, answers)}, answers)
    kind = guide.procedure.reading
    return Reading(
        unit=guide.unit.id,
        kind=kind,
        when=None if when is None else when.isoformat(timespec="minutes"),
        temperature_c=sheet.value("temperature_c"),
        note=sheet.note(),
        **_FIELDS[kind](sheet),
    )


def seen_reading(guide: Guide, answers: Answers, *, when: datetime | None = None) -> Reading | None:
    """Return what was seen before a test as a look; None where nothing was."""
    flags = answers.get("flags") or []
    if not flags:
        return None
    moment = None if when is None else when.isoformat(timespec="minutes")
    return Reading(unit=guide.unit.id, kind=ReadingKind.LOOK, when=moment, flags=tuple(flags))


@dataclass(frozen=True, slots=True)
class _Sheet:
    """The steps that were taken, by key, with their answers."""

    guide: Guide
    steps: Mapping[str, Step]
    answers: Answers

    def value(self, key: str) -> float | None:
        """Return the number of a reading step; None where it was left out."""
        step, text = self.steps.get(key), self.answers.get(key)
        if step is None or not text:
            return None
        return number(str(text), step.unit, step.low, step.high, where=step.title)

    def column(self, name: str) -> tuple[float, ...]:
        """Return one field of every look of the watch."""
        watch = self.steps["watch"]
        return tuple(value_of(self.guide.unit, watch, look, name) for look in looks_of(watch, self.answers))

    def marks(self) -> tuple[float, ...]:
        """Return when the looks were, on the watch's clock."""
        return tuple(float(look["at"]) for look in looks_of(self.steps["watch"], self.answers))

    def count_v(self) -> float | None:
        """Return the last digit of the volts of the watch."""
        return count_of([str(look["volts"]) for look in looks_of(self.steps["watch"], self.answers)])

    def waited_s(self, key: str) -> float:
        """Return how long a wait lasted: as planned, or what it was when it was cut short."""
        step, given = self.steps[key], self.answers[key]
        if not given.get("early"):
            return step.wait_s
        gone = datetime.fromisoformat(given["ended"]) - datetime.fromisoformat(given["began"])
        return min(step.wait_s, max(0.0, gone.total_seconds()))

    def note(self) -> str:
        """Return what is to be said of waits that were cut short."""
        waits = [key for key, step in self.steps.items() if step.kind is StepKind.WAIT]
        early = [key for key in waits if self.answers[key].get("early")]
        return "; ".join(f"early: {self.waited_s(key):.0f} of {self.steps[key].wait_s:.0f} s" for key in early)


def _rest(sheet: _Sheet) -> dict[str, Any]:
    return {
        "volts": sheet.column("volts"),
        "hours": sheet.marks(),
        "meter": sheet.guide.meter,
        "count_v": sheet.count_v(),
    }


def _loads(sheet: _Sheet) -> dict[str, Any]:
    return {
        "volts": (sheet.value("light_v"), sheet.value("heavy_v")),
        "amps": (sheet.value("light_amps"), sheet.value("heavy_amps")),
        "seconds": min(sheet.waited_s("light_wait"), sheet.waited_s("heavy_wait")),
        "meter": sheet.guide.meter,
        "count_v": count_of([str(sheet.answers[key]) for key in ("light_v", "heavy_v")]),
    }


def _run(sheet: _Sheet) -> dict[str, Any]:
    watch, steady = sheet.steps["watch"], sheet.value("amps")
    each = sheet.column("amps") if "amps" in watch.fields else ()
    return {
        "volts": sheet.column("volts"),
        "hours": sheet.marks(),
        "amps": each if steady is None else (steady,),
        "ohms": sheet.value("ohms"),
        "cutoff_v": watch.end_v,
        "meter": sheet.guide.meter,
        "count_v": sheet.count_v(),
    }


def _gravity(sheet: _Sheet) -> dict[str, Any]:
    step = sheet.steps["gravity"]
    texts = sheet.answers["gravity"]
    return {"gravity": tuple(number(text, "", step.low, step.high, where=step.title) for text in texts)}


def _leak(sheet: _Sheet) -> dict[str, Any]:
    name = sheet.steps["watch"].fields[0]
    counted = {"count_v": sheet.count_v()} if name == "volts" else {}
    return {name: sheet.column(name), "days": sheet.marks(), "meter": sheet.guide.meter, **counted}


def _look(sheet: _Sheet) -> dict[str, Any]:
    return {"flags": tuple(sheet.answers["flags"]), "rest_rise_k": sheet.value("rest_rise_k")}


_FIELDS = {
    ReadingKind.REST: _rest,
    ReadingKind.LOADS: _loads,
    ReadingKind.RUN: _run,
    ReadingKind.GRAVITY: _gravity,
    ReadingKind.LEAK: _leak,
    ReadingKind.LOOK: _look,
}

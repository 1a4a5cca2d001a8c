"""
The test procedures: what each needs, gives and warns of, and its steps with the numbers of the unit at hand.

All words stand in ``data/procedures.toml``, all numbers come from `figures`. A procedure that would be dangerous or
senseless for a unit is refused with a remark (bench/fitness.py); one that tells little is called doubtful.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from typing import Any

from hotchpot.bench.meter import Meter
from hotchpot.bench.procedure.figures import HOURS_A_DAY, Figures, book, figures, leak_ways, setting, settings
from hotchpot.bench.procedure.stepwords import words_for
from hotchpot.errors import InputError, nearest
from hotchpot.pile.reading import ReadingKind
from hotchpot.pile.unit import Unit

ORDER = ("look", "rest", "resistance", "capacity", "gravity", "leakage")


class StepKind(StrEnum):
    """What a step asks of the person."""

    DO = "do"
    WAIT = "wait"
    READ = "read"
    LIST = "list"
    PICK = "pick"
    FLAGS = "flags"
    WATCH = "watch"


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """
    One step of a procedure, with the numbers of the unit filled in.

    - do: nothing is read; its answer is the time it was done
    - wait: `wait_s` seconds
    - read: one number in `unit`, `low` to `high` possible, `expect` usual
    - list: `count` such numbers
    - pick: one of `options`
    - flags: what is seen, from the pile file's flags
    - watch: `fields` read now and then, against `clock` (hours or days) since the step `since`, plus what was read at
      `offset`; it ends at `end_v` volts or is due to end at `end_at` of the clock; the first is due at `first_at`

    `given` is (key, answer): the step comes only after that answer. `guards`: the reading is held against the limits
    that refuse the procedure. `above`: the number must be more than the answer of that key. `stop_if` says when to
    break off, `cautions` what to mind just here, each in one line.
    """

    key: str
    kind: StepKind
    title: str
    do: str
    stop_if: str = ""
    cautions: tuple[str, ...] = ()
    unit: str = ""
    low: float | None = None
    high: float | None = None
    expect: tuple[float, float] | None = None
    count: int = 1
    optional: bool = False
    guards: bool = False
    above: str = ""
    wait_s: float = 0.0
    options: tuple[str, ...] = ()
    given: tuple[str, str] | None = None
    fields: tuple[str, ...] = ()
    clock: str = ""
    since: str = ""
    offset: str = ""
    first_at: float = 0.0
    end_at: float | None = None
    end_v: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Procedure:
    """
    One test as data: what it yields, needs, gives, suits and warns of; `cautions` are names of the data file.

    Broken off after the first step of `again` and before the second, a test begins anew at the first.
    """

    key: str
    title: str
    reading: ReadingKind
    gives: str
    needs: tuple[str, ...]
    hands_on_min: float
    suits: str
    good: str
    kinds: tuple[str, ...]
    chemistries: tuple[str, ...]
    cautions: tuple[str, ...]
    again: tuple[str, ...]
    steps: tuple[Mapping[str, Any], ...]

    def for_chemistry(self, unit: Unit) -> bool:
        """Tell whether the test suits the unit's chemistry at all."""
        return unit.chem.kind in self.kinds or unit.chemistry in self.chemistries


@cache
def procedures() -> Mapping[str, Procedure]:
    """Return every procedure by its key, in the order of a careful day at the bench."""
    return {key: _procedure(key, book()[key]) for key in ORDER}


def procedure(key: str) -> Procedure:
    """
    Return the procedure with this key.

    Raises
    ------
    InputError
        If there is none; names the nearest.
    """
    if key not in procedures():
        raise InputError.one(f"procedure {key!r}", "no such procedure", nearest(key, procedures()))
    return procedures()[key]


def _procedure(key: str, row: Mapping[str, Any]) -> Procedure:
    return Procedure(
        key=key,
        title=row["title"],
        reading=ReadingKind(row["reading"]),
        gives=row["gives"],
        needs=tuple(row["needs"]),
        hands_on_min=float(row["hands_on_min"]),
        suits=row["suits"],
        good=row["good"],
        kinds=tuple(row.get("kinds", ())),
        chemistries=tuple(row.get("chemistries", ())),
        cautions=tuple(row["cautions"]),
        again=tuple(row.get("again", ())),
        steps=tuple(row["steps"]),
    )


def steps_for(procedure: Procedure, unit: Unit, *, instrument: Meter | None = None) -> tuple[Step, ...]:
    """
    Return the steps of a procedure with the unit's numbers filled in.

    Steps of several branches (how the load is made) are all there; `Step.given` says after which answer each comes.

    Parameters
    ----------
    procedure : Procedure
        One of `procedures`.
    unit : Unit
        The unit at hand.
    instrument : Meter, optional
        What volts and amps are read with; None takes the usual hand meter.

    Examples
    --------
    >>> agm = Unit(id="A1", chemistry="lead_agm", cells=6, rated_ah=100, rated_hours=20)
    >>> step = next(s for s in steps_for(procedures()["capacity"], agm) if s.key == "watch")
    >>> step.end_v, step.fields
    (10.5, ('volts',))
    """
    told = figures(unit, instrument=instrument)
    words = words_for(unit, told)
    return tuple(_step(row, unit, told, words) for row in procedure.steps if _meant_for(row, unit))


def cautions_for(procedure: Procedure, unit: Unit) -> tuple[str, ...]:
    """Return the cautions of a procedure that concern this unit, in full, in the order of the data file."""
    return _cautions(procedure.cautions, unit, words_for(unit, figures(unit)), "text")


def brief_for(procedure: Procedure, unit: Unit) -> tuple[str, ...]:
    """Return the same cautions, each in one short line."""
    return _cautions(procedure.cautions, unit, words_for(unit, figures(unit)), "short")


def caution_for(name: str, unit: Unit) -> str:
    """Return one caution of the data file in full; empty where it does not concern this unit."""
    return "".join(_cautions((name,), unit, words_for(unit, figures(unit)), "text"))


def _cautions(names: Sequence[str], unit: Unit, words: Mapping[str, str], form: str) -> tuple[str, ...]:
    most_v = unit.cells * unit.chem.num("charge_max_v")
    rows = [book()["cautions"][name] for name in names]
    return tuple(
        row[form].format_map(words)
        for row in rows
        if _meant_for(row, unit)
        and ("above_v" not in row or most_v > setting(row["above_v"]))
        and ("{cell_floor}" not in row["text"] or unit.cells > 1)
    )


def good_for(procedure: Procedure, unit: Unit) -> str:
    """Return what a good result looks like for this unit."""
    return procedure.good.format_map(words_for(unit, figures(unit)))


def clock_hours(procedure: Procedure, unit: Unit) -> float:
    """Return how long the procedure takes by the clock, waits and all. [h]"""
    told = figures(unit)
    by_key = {
        "rest": told.rest_h,
        "capacity": unit.rated_ah / told.charge_a + told.settle_h + told.run_h,
        "leakage": settings("stand_days")[0] * HOURS_A_DAY,
    }
    return by_key.get(procedure.key, 0.0) + procedure.hands_on_min / 60.0


def _meant_for(row: Mapping[str, Any], unit: Unit) -> bool:
    if unit.chemistry in row.get("unless", ()):
        return False
    if "kinds" not in row and "chemistries" not in row:
        return True
    return unit.chem.kind in row.get("kinds", ()) or unit.chemistry in row.get("chemistries", ())


def _step(row: Mapping[str, Any], unit: Unit, told: Figures, words: Mapping[str, str]) -> Step:
    kind = StepKind(row["kind"])
    wanted = row.get("range")
    low, high = told.ranges[wanted] if wanted else (None, None)
    options = row.get("options", ())
    first_at = told.rest_h / HOURS_A_DAY if row.get("first_at") == "rest_d" else 0.0
    return Step(
        key=row["key"],
        kind=kind,
        title=row["title"].format_map(words),
        do=row["do"].format_map(words),
        stop_if=row.get("stop", "").format_map(words),
        cautions=_cautions(row.get("cautions", ()), unit, words, "short"),
        unit=row.get("unit", ""),
        low=low,
        high=high,
        expect=told.bands[row["expect"]] if "expect" in row else None,
        count=unit.cells if row.get("count") == "cells" else 1,
        optional=row.get("optional", False),
        guards=row.get("guards", False),
        above=row.get("above", ""),
        wait_s=_wait_s(row.get("wait", ""), told),
        options=leak_ways(unit) if options == "leak_ways" else tuple(options),
        given=(row["given"][0], row["given"][1]) if "given" in row else None,
        fields=tuple(row.get("fields", ())),
        clock=row.get("clock", ""),
        since=row.get("since", ""),
        offset=row.get("offset", ""),
        first_at=first_at,
        end_at={"rest_h": told.rest_h, "stand_d": first_at + settings("stand_days")[0]}.get(row.get("end_at", "")),
        end_v=told.cutoff_v if row.get("end_v") == "cutoff_v" else None,
    )


def _wait_s(name: str, told: Figures) -> float:
    if not name:
        return 0.0
    return told.settle_h * 3600.0 if name == "settle_s" else setting(name)


def steps_after(steps: Sequence[Step], answers: Mapping[str, Any]) -> tuple[Step, ...]:
    """Return the steps that come after the answers given, in order: those of branches not taken are left out."""
    return tuple(s for s in steps if s.given is None or answers.get(s.given[0]) == s.given[1])

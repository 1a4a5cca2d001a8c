"""The test procedures as a page for people, made from their data, with the numbers of an invented unit."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from hotchpot.bench.procedure.figures import figures, setting
from hotchpot.bench.procedure.procedures import (
    Procedure,
    Step,
    caution_for,
    cautions_for,
    clock_hours,
    good_for,
    procedures,
    steps_for,
)
from hotchpot.bench.procedure.stepwords import amps, ohms, span, volts, watts
from hotchpot.chemistry import KEYS, chemistry
from hotchpot.pile import Unit

_SIZE_AH, _LABEL_V = 100.0, 12.0
_HIGH_CELLS = 30  # lead beyond the voltage that may be touched
_WHOSE = {"lead": "Sealed lead", "lithium": "Lithium and sodium", "nickel": "Nickel"}
_KINDS = {
    "do": "do",
    "wait": "wait",
    "read": "read one number",
    "list": "read a list",
    "pick": "choose",
    "flags": "look",
    "watch": "read now and then",
}


def sample_unit(key: str) -> Unit:
    """Return an invented unit of a chemistry: a 12 V block, or as near as its cells come, of 100 Ah."""
    chem = chemistry(key)
    cells = max(1, round(_LABEL_V / chem.num("nominal_v")))
    return Unit(id="A3", chemistry=key, cells=cells, rated_ah=_SIZE_AH, rated_hours=chem.num("rated_h"))


def procedures_markdown() -> str:
    """Return the generated part of `docs/bench-tests.md`: an overview, numbers by chemistry, and each test in full."""
    parts = [*_overview(), "", *_numbers()]
    for one in procedures().values():
        parts += ["", *_page(one, sample_unit("lead_flooded"))]
    return "\n".join(parts) + "\n"


def _overview() -> Iterator[str]:
    yield "| test | what it is | gives | kind of reading | hands on | by the clock | suits |"
    yield "|---|---|---|---|---|---|---|"
    for one in procedures().values():
        hours = sorted(clock_hours(one, unit) for unit in map(sample_unit, KEYS) if one.for_chemistry(unit))
        low, high = span(hours[0]), span(hours[-1])
        clock = low if low == high else f"{low} to {high}"
        yield (
            f"| [`{one.key}`](#{_anchor(one)}) | {one.title} | {one.gives} | `{one.reading}` "
            f"| {one.hands_on_min:g} min | {clock} | {one.suits} |"
        )


def _numbers() -> Iterator[str]:
    yield "### Currents and limits by chemistry"
    yield ""
    yield f"For an invented unit of {_SIZE_AH:g} Ah, never tested, without limits of its own, and the usual hand meter."
    yield ""
    yield "| chemistry | cells | rest | discharge at | lasts | down to | ohms | heat | two loads | set aside below |"
    yield "|---|---|---|---|---|---|---|---|---|---|"
    for key in KEYS:
        unit = sample_unit(key)
        told = figures(unit)
        floor = volts(told.reject_v) if told.reject_v > 0 else "zero"
        run = f"{amps(told.run_a)} ({amps(told.run_low_a)} to {amps(told.run_high_a)})"
        yield (
            f"| `{key}` | {unit.cells} | {span(told.rest_h)} | {run} | {span(told.run_h)} | {volts(told.cutoff_v)} "
            f"| {ohms(told.run_ohm)} | {watts(told.run_w)} | {amps(told.light_a)}, {amps(told.heavy_a)} | {floor} |"
        )


def _anchor(one: Procedure) -> str:
    return one.title.lower().replace(",", "").replace(" ", "-")


def _page(one: Procedure, unit: Unit) -> Iterator[str]:
    yield f"### {one.title}"
    yield ""
    yield f"- Command: `hotchpot bench guide {one.key}`; a `{one.reading}` reading."
    yield f"- Gives {one.gives}."
    yield f"- Suits {one.suits}."
    yield f"- Needs {'; '.join(one.needs)}."
    yield f"- Good, for the unit of the example: {good_for(one, unit)}."
    yield ""
    yield "Cautions:"
    yield ""
    yield from _cautions(one, unit)
    yield ""
    yield "| step | kind | what to do | stop if |"
    yield "|---|---|---|---|"
    yield from (_row(step) for step in steps_for(one, unit))


def _cautions(one: Procedure, unit: Unit) -> Iterator[str]:
    """Yield every caution of a test: those of the example, then those of other batteries, with whose they are."""
    yield from (f"- {text}" for text in cautions_for(one, unit))
    others = [other for other in map(sample_unit, KEYS) if one.for_chemistry(other)]
    high = replace(unit, cells=_HIGH_CELLS)
    for name in one.cautions:
        if caution_for(name, unit):
            continue
        if text := caution_for(name, high):
            yield f"- Above {setting('touch_v'):g} V: {text}"
            continue
        other, text = next((o, text) for o in others if (text := caution_for(name, o)))
        yield f"- {_WHOSE[other.chem.kind]}, here `{other.chemistry}`: {text}"


def _row(step: Step) -> str:
    only = "" if step.given is None else f" (after `{step.given[1]}`)"
    wait = f" {span(step.wait_s / 3600)}" if step.wait_s >= 120 else f" {step.wait_s:g} s" if step.wait_s else ""
    return f"| {step.title}{only} | {_KINDS[step.kind]}{wait} | {step.do} | {step.stop_if} |"

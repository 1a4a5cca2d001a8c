"""Checks on what opens: a unit's own protection, fuses, the last branch; what lies across the gap, what would meet."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from hotchpot.bank.bank import Node, sum_over_cells
from hotchpot.bank.verdict import Verdict
from hotchpot.circuit.record import Event
from hotchpot.trial.look import Figure, Look, Said, after, span
from hotchpot.trial.texts import MOST_NAMED
from hotchpot.trial.wired import is_out

MAIN = "main"  # as a run's events name the main fuse
REASONS = {
    "electronics-low": "by a low voltage",
    "electronics-high": "by a high voltage",
    "electronics-amps": "by its current",
}


def _nothing_flows(look: Look) -> Iterator[Said]:
    ended = look.record.ended
    if ended.kind == "open":
        opened = [event for event in look.record.events if event.kind == "fuse" or event.kind in REASONS]
        what = ", ".join(dict.fromkeys(event.unit or "?" for event in opened[-MOST_NAMED:])) or "the last branch"
        when = after(ended.time_s)
        facts = {"when": when[0].upper() + when[1:], "what": what}
        yield Said(code="trial-open", verdict=Verdict.ONLY_IF, subject=look.record.ids, facts=facts, value=ended.value)


def _cycling(look: Look) -> Iterator[Said]:
    """Tell of a run that stopped as too much happened in it: loads that come and go, or a charger that does."""
    record = look.record
    if record.ended.kind != "too-many-events":
        return
    loads = sum(event.kind == "loads-off" for event in record.events)
    stages = sum(event.kind in ("absorb", "bulk", "float") for event in record.events)
    if loads >= stages:
        what, why = "loads are cut off and come back", "The bank sags under load by more than the reconnect allows."
        do = "Set the reconnect higher above the cut-off, use a smaller load, or add units."
    else:
        what, why = "the charger changes its stage", "Its voltages lie closer together than the bank rises and falls."
        do = "Set the charger's stages further apart."
    facts = {"when": span(record.ended.time_s), "times": max(loads, stages), "what": what, "why": why, "do": do}
    yield Said(
        code="trial-cycling", verdict=Verdict.ONLY_IF, subject=record.ids, facts=facts, value=float(max(loads, stages))
    )


def _electronics(look: Look) -> Iterator[Said]:
    for event in look.record.events:
        if event.kind in REASONS:
            yield from _opened(look, event)


def _opened(look: Look, event: Event) -> Iterator[Said]:
    name = event.unit or ""
    bears = look.bank.states[name].unit.bms_max_v
    amps = "" if event.amps is None else f" at {Figure(abs(event.amps)):.3g} A"
    now = "an unknown voltage" if event.value is None else f"{Figure(event.value):.3g} V"
    facts: dict[str, Any] = {"when": after(event.time_s), "now": now, "reason": REASONS[event.kind] + amps}
    may_v, of = may_see_v(look, event)
    if bears is not None and may_v > bears:
        yield Said(
            code="trial-electronics-overstressed", verdict=Verdict.FORBID, subject=(name,), facts={**facts, "of": of},
            value=may_v, limit=bears,
        )  # fmt: skip
    facts["bears"] = f", of the {bears:.3g} V it bears" if bears else "; what it bears is not known: ask its maker"
    facts["lie"] = "lies" if event.value is None else "lie"
    facts["again"] = _again(look, name)
    facts["may"] = f"up to {Figure(may_v):.3g} V can come to lie there ({of})"
    yield Said(
        code="trial-electronics", verdict=Verdict.CAUTION if bears else Verdict.ONLY_IF, subject=(name,), facts=facts,
        value=event.value, limit=bears,
    )  # fmt: skip


def may_see_v(look: Look, event: Event) -> tuple[float, str]:
    """
    Return the most voltage that a unit's open switch may come to bear, and what it is. [V]

    The largest of what lies across it now, the charger's ceiling (without a charger what its string may be charged to),
    and its string's voltage when it opened: a load pulls the rest of the string all across the gap.
    """
    string = string_of(look.bank.root, event.unit or "")
    charge, record = look.scenario.drive.charge, look.record
    if charge is not None:
        top = charge.absorb_v + max(0.0, charge.per_k * (look.scenario.ambient_c - 25.0)), "the charger's ceiling"
    else:
        top = sum_over_cells(string, "charge_max_v"), "its string's highest charge voltage"
    row = _row(look, event.time_s)
    volts = dict(zip(record.ids, map(float, record.unit_volts[row]), strict=True))
    seen = [(event.value or 0.0, "what lies there now"), top, (volts_of(string, volts), "its string's voltage then")]
    return max(seen)


def _row(look: Look, time_s: float) -> int:
    import numpy as np

    return min(int(np.searchsorted(look.record.time_s, time_s)), len(look.record.time_s) - 1)


def string_of(root: Node, unit: str) -> Node:
    """Return the outermost string that a unit is in, or the unit by itself."""
    node = root
    while node.children and not node.is_series:
        node = next(child for child in node.children if unit in child.ids)
    return node


def volts_of(node: Node, volts: Mapping[str, float]) -> float:
    """Return the voltage of a block from its units': strings add up, of branches the highest. [V]"""
    if not node.children:
        return volts[node.ids[0]]
    parts = [volts_of(child, volts) for child in node.children]
    return sum(parts) if node.is_series else max(parts)


def _again(look: Look, unit: str) -> str:
    """Say what would meet if an open switch closed again at the end of the run."""
    met = meets(look, unit)
    if met is None:
        return "closed again, the bank's own current flows through it at once"
    return f"closed again at the end, {Figure(met[0]):.2g} V and about {Figure(met[1]):.3g} A would meet"


def meets(look: Look, unit: str) -> tuple[float, float] | None:
    """Return the volts and about the amps between a unit's branch and those beside it at the end, or None if none."""
    record = look.record
    opened = {
        name for event in record.events if event.kind in (*REASONS, "fuse") for name in (event.unit or "").split()
    }
    gone = {*opened, *look.scenario.lost}
    volts = dict(zip(record.ids, map(float, record.unit_volts[-1]), strict=True))
    volts |= {name: _rest_v(look, name) for name in opened if name in volts}
    groups = [node for node in look.bank.root.walk() if node.is_parallel and unit in node.ids]
    for group in sorted(groups, key=lambda node: len(node.ids)):
        own = next(child for child in group.children if unit in child.ids)
        beside = [child for child in group.children if child is not own and not is_out(child, look.scenario.lost)]
        live = [child for child in beside if not is_out(child, gone)] or beside  # if all opened, all close again
        if live:
            link = look.bank.branch_ohm
            rest_ohm = 1.0 / sum(1.0 / (child.resistance_ohm.value + link) for child in live)
            gap = abs(max(volts_of(child, volts) for child in live) - volts_of(own, volts))
            return gap, gap / (own.resistance_ohm.value + link + rest_ohm)
    return None


def _rest_v(look: Look, unit: str) -> float:
    """Return what a unit that is open comes back to, from its charge at the end. [V]"""
    k = look.record.ids.index(unit)
    soc = min(max(float(look.record.soc_frac[-1, k]), 0.0), 1.0)
    return look.cells[k] * look.states[k].ocv_curve.volts(soc)


def _fuses(look: Look) -> Iterator[Said]:
    blown = [event for event in look.record.events if event.kind == "fuse"]
    for event in blown:
        yield Said(
            code="trial-fuse", verdict=Verdict.ONLY_IF, subject=(event.unit or "main",),
            facts={"when": after(event.time_s), "whose": whose(event)}, value=fuse_a(event, blown),
        )  # fmt: skip


def fuse_a(event: Event, events: Iterable[Event]) -> float:
    """Return what a fuse opened at; of those that open at one moment the second carries nothing any more. [A]"""
    return max(abs(_amps(other)) for other in events if (other.kind, other.time_s) == (event.kind, event.time_s))


def whose(event: Event) -> str:
    """Return whose fuse opened, as a sentence begins."""
    names = (event.unit or MAIN).split()
    more = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
    return "The main fuse" if names == [MAIN] else f"The fuse of {', '.join(names[:MOST_NAMED])}{more}"


def _amps(event: Event) -> float:
    return event.amps if event.amps is not None else event.value or 0.0


OPENINGS = (_nothing_flows, _cycling, _electronics, _fuses)

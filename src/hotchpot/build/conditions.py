"""Conditions of an only-if verdict as steps, each where in the work it has to be met, and cautions as lines."""

from __future__ import annotations

from collections.abc import Iterator
from enum import StrEnum

from hotchpot.bank.rules.registry import RULES
from hotchpot.bank.verdict import Finding, Gate, Judgement, Verdict
from hotchpot.build.step import Step, gathered, names, step

MOST_OF_ONE_RULE = 6
MOST_CAUTIONS = 12


class Place(StrEnum):
    """Where in the work a condition is met."""

    SITE = "site"
    UNITS = "units"
    PARTS = "parts"
    CHARGE = "charge"
    FIRST_LOAD = "first load"
    FIRST_CHARGE = "first charge"


_BY_CODE = {
    "join-rest": Place.UNITS,
    "join-surge": Place.CHARGE,
    "series-charge": Place.CHARGE,
    "share-worst": Place.FIRST_LOAD,
    "packs-alone": Place.FIRST_LOAD,
    "discharge-rate": Place.FIRST_LOAD,
    "disconnect": Place.FIRST_LOAD,
    "discharge-temperature": Place.FIRST_LOAD,
    "plates-parallel": Place.FIRST_CHARGE,
    "cells-series": Place.FIRST_CHARGE,
    "nickel-parallel": Place.FIRST_CHARGE,
}
_DONE = ("fuse-string", "precharge")  # the plan has steps of its own for these
_ANEW = ("unit-untested", "unit-contradiction", "join-rest")  # their answer changes every number of the plan
_BY_GATE = {
    Gate.UNIT: Place.UNITS,
    Gate.SITE: Place.SITE,
}

CAUTIONS = (
    "Local codes and your insurer come first; have a licensed electrician do or check what they ask for.",
    "Never work alone: someone within call knows where the isolator is and how to get help.",
    "Take off rings, watches and chains; wear goggles, gloves and long sleeves; use insulated tools.",
    "Handle one lead at a time, cap every free lug, and never lay a tool on a battery.",
    "No sparks, flames or smoking; air the room before you start, and make no last joint near a vent.",
    "Keep water and soda at hand for acid (water and vinegar for alkali), and a way out clear for lithium.",
    "Stop at any heat, hiss, smell, swelling or reading outside its limits: open the fuse, step back, find out why.",
)


def conditions(judgement: Judgement, place: Place) -> Iterator[Step]:
    """Yield a step for each condition to be met at one place; like ones of many units in one step."""
    wanted = [
        f for f in judgement.findings if f.verdict is Verdict.ONLY_IF and _place(f) is place and f.code not in _DONE
    ]
    for alike in gathered(wanted, lambda f: f.code, most=len(wanted)):
        for group in gathered(alike, lambda f: f.do, lambda f: f.code, most=MOST_OF_ONE_RULE):
            yield _condition(group)


def _place(finding: Finding) -> Place:
    named = _BY_CODE.get(finding.code)
    if named is not None:
        return named
    if finding.gate is Gate.WINDOW and finding.code.startswith("charge-"):
        return Place.FIRST_CHARGE
    return _BY_GATE.get(finding.gate, Place.FIRST_CHARGE if finding.code == "charge-rate" else Place.PARTS)


def _condition(group: list[Finding]) -> Step:
    first = group[0]
    units = list(dict.fromkeys(name for finding in group for name in finding.subject))
    does = list(dict.fromkeys(finding.do for finding in group))
    again = " Enter what it gives and judge again before going on." if first.code in _ANEW else ""
    do = does[0] if len(does) == 1 else " ".join(f"{names(f.subject)}: {f.do}" for f in group)
    says = first.says if len(group) == 1 else f"{first.says} So for {names(units)}."
    title = RULES[first.code].title if first.code in RULES else first.quantity
    return step(
        f"Condition: {title.lower() if title[:2] != title[:2].upper() else title}",
        do + again,
        units=units,
        stop_if="this cannot be done: do not join.",
        why=f"{says} {first.why}",
    )


def cautions(judgement: Judgement) -> tuple[str, ...]:
    """Return the usual cautions, then what the judge wants watched."""
    found = [f for f in judgement.findings if f.verdict is Verdict.CAUTION]
    groups = gathered(found, lambda f: (f.code, f.do), lambda f: f.code, most=MOST_CAUTIONS)
    lines = []
    for group in groups:
        more = f" (and {len(group) - 1} more like it)" if len(group) > 1 else ""
        lines.append(f"{group[0].says}{more} {group[0].do}")
    return (*CAUTIONS, *lines)

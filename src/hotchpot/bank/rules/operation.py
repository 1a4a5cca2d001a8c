"""How the bank is run: what takes a wind turbine's power when the bank cannot."""

from __future__ import annotations

from collections.abc import Iterator

from hotchpot.bank.rules.registry import Case, Outcome, Rule, rule
from hotchpot.bank.verdict import Gate, Verdict


@rule(
    "dump-load",
    title="Somewhere for the wind to go",
    gate=Gate.PROTECTION,
    questions=("operate", "charge", "build"),
    decides="whether a wind turbine has a dump load or brake that acts before protection opens",
    source="small-wind practice: a turbine must never run open-circuit",
)
def dump_load(self: Rule, case: Case) -> Iterator[Outcome]:
    """Never let a turbine lose its load."""
    charger = case.plan.charger
    if charger.source != "wind" or charger.dump_load:
        return
    lithium = any(s.chem.kind == "lithium" for s in case.units)
    unknown = charger.dump_load is None
    yield self.finding(
        Verdict.ONLY_IF if unknown or not lithium else Verdict.FORBID,
        [s.unit.id for s in case.units],
        "dump load",
        says="A wind turbine charges this bank and "
        + ("nobody says whether there is a dump load." if unknown else "there is no dump load."),
        why="When protection opens, the turbine loses its load: it overspeeds and its voltage destroys what is connected."
        if lithium
        else "A full bank is overcharged for as long as the wind blows.",
        do="Fit a dump load or short-circuit brake of at least the turbine's peak power that acts before the protection does.",
    )

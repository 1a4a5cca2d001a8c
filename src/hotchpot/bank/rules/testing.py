"""Tests that are meant to be made: the wrong tool ruins the cell, or says nothing."""

from __future__ import annotations

from collections.abc import Iterator

from hotchpot.bank.rules.registry import EVERY_USE, Case, Outcome, Rule, rule
from hotchpot.bank.verdict import Gate, Verdict
from hotchpot.bench.state import State
from hotchpot.chemistry import Chemistry


@rule(
    "test-hydrometer",
    title="Hydrometer on the right cells",
    gate=Gate.UNIT,
    questions=(*EVERY_USE, "test", "site"),
    decides="chemistry of the cells a hydrometer is, or was, put into",
    source="common practice, no source; chemistry data (hazards)",
)
def hydrometer(self: Rule, case: Case) -> Iterator[Outcome]:
    """Keep an acid hydrometer out of alkaline cells, and out of cells that have nothing to draw."""
    planned = case.plan.bench.tool == "acid_hydrometer"
    for state in case.units:
        if not (planned or state.unit.gravity):
            continue
        chem = state.chem
        if chem.key == "lead_flooded":
            continue
        if chem.kind == "nickel":
            yield self.finding(
                Verdict.FORBID,
                [state.unit.id],
                "hydrometer",
                says=f"An acid hydrometer on {state.unit.id}, {chem.name}.",
                why="Traces of acid in the alkali destroy the cell, and its gravity does not show the charge anyway.",
                do="Keep separate, marked tools for alkaline cells; count amp-hours for the charge. "
                "If acid went in, take the cell out of use.",
            )
        else:
            yield _sealed(self, state.unit.id, chem)


def _sealed(self: Rule, name: str, chem: Chemistry) -> Outcome:
    return self.finding(
        Verdict.FORBID if chem.kind == "lithium" else Verdict.ONLY_IF,
        [name],
        "hydrometer",
        says=f"A hydrometer on {name}, {chem.name}: sealed, with no free acid to draw.",
        why="Opening a lithium cell starts a fire."
        if chem.kind == "lithium"
        else "Opening the valves dries the cell out.",
        do="Never open it; use rest voltage and a capacity run."
        if chem.kind == "lithium"
        else "Check the chemistry entered; on a sealed unit use rest voltage and a capacity run instead.",
    )


def _charge_doubt(state: State) -> float:
    """How far a rest voltage leaves the state of charge open, with the whole doubt of the curve."""
    assert state.unit.rest_v is not None
    curve, cell_v = state.ocv_curve, state.unit.rest_v / state.unit.cells
    doubt = state.ocv_sd_at(curve.soc_at(cell_v))
    return (curve.soc_at(cell_v + doubt) - curve.soc_at(cell_v - doubt)) / 2


@rule(
    "test-plateau",
    title="Charge from voltage on a flat curve",
    gate=Gate.UNIT,
    questions=("test",),
    decides="how far rest voltage pins down the state of charge",
    source="open-circuit curve and its doubt, chemistry data",
)
def plateau(self: Rule, case: Case) -> Iterator[Outcome]:
    """Say when a rest voltage cannot tell the charge."""
    for state in case.units:
        if state.unit.rest_v is None or (state.unit.soc_frac is not None and "test" not in case.plan.question):
            continue
        doubt = _charge_doubt(state)
        if doubt <= 0.10:
            continue
        yield self.finding(
            Verdict.CAUTION,
            [state.unit.id],
            "doubt of charge from voltage",
            value=doubt,
            limit=0.10,
            says=f"{state.unit.rest_v:.2f} V tells the charge of {state.unit.id} only to ± {100 * doubt:.0f} %.",
            why=f"Its curve is flat there: {_curve_doubt(state)} span that much.",
            do="Charge it to full, rest it, and count amp-hours from there.",
            source=state.chem.cite("ocv_curve_sd"),
        )


def _curve_doubt(state: State) -> str:
    assert state.unit.rest_v is not None
    cell_v = state.unit.rest_v / state.unit.cells
    doubt = 1000 * state.ocv_sd_at(state.ocv_curve.soc_at(cell_v))
    if state.ocv_curve is state.chem.ocv:
        return f"the {doubt:.0f} mV a cell by which units of one label differ"
    return f"the {doubt:.2g} mV a cell to which its own curve is known"

"""Reports as plain dictionaries, one shape through every door (command line and, later, the API)."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

from hotchpot.bank.ratings import Ratings
from hotchpot.bank.verdict import Finding, Judgement
from hotchpot.desk.asking import ArrangeReport, JoinReport, JudgeReport, RuleCard, UnitCard
from hotchpot.desk.showcase import Showcase
from hotchpot.errors import HotchpotError, InputError
from hotchpot.measure import Measure

NOTHING = 1e-9


def judge_wire(report: JudgeReport) -> dict[str, Any]:
    """Return a judge's report in its JSON shape (docs/commands.md)."""
    return {
        "arrangement": report.arrangement,
        **_judgement(report.judgement),
        "ratings": None if report.ratings is None else _ratings(report.ratings),
        "units": {card.id: _unit(card) for card in report.units},
        "cautions": list(report.cautions),
    }


def arrange_wire(report: ArrangeReport) -> dict[str, Any]:
    """Return a search's report in its JSON shape (docs/commands.md)."""
    search = report.search
    proposals = []
    for text, p in zip(report.expressions, search.proposals, strict=True):
        proposals.append(
            {
                "arrangement": text,
                "verdict": str(p.verdict),
                "usable_ah": _num(p.usable_ah.value),
                "usable_sd_ah": _num(p.usable_ah.sd),
                "usable_wh": _num(p.usable_wh.value),
                "usable_sd_wh": _num(p.usable_wh.sd),
                "bound_wh": _num(p.bound_wh),
                "gap_frac": _num(p.gap_frac),
                "left_over": list(p.left_over),
                "links": p.links,
                "strings": p.strings,
                "why": p.why,
                "findings": [_finding(f) for f in p.judgement.findings],
            }
        )
    return {
        "proposals": proposals,
        "proven_optimal": search.proven_optimal,
        "families": list(search.families),
        "considered": search.considered,
        "rejected": dict(search.rejected),
        "seconds": round(report.seconds, 3),
        "seed": report.seed,
        "cautions": list(report.cautions),
    }


def join_wire(report: JoinReport) -> dict[str, Any]:
    """Return a joining plan as JSON."""
    plan = report.plan
    return {
        "arrangement": report.arrangement,
        "verdict": str(plan.verdict),
        "charge_first": {name: _num(volts) for name, volts in plan.charge_first.items()},
        "resistors": [_clean(asdict(resistor)) for resistor in plan.resistors],
        "order": [list(branch) for branch in plan.order],
        "steps": [_clean(asdict(step)) for step in plan.steps],
        "cautions": list(plan.cautions),
        "findings": [_finding(f) for f in report.judgement.findings],
    }


def showcase_wire(found: Showcase) -> dict[str, Any]:
    """Return the demo as JSON, one answer after another."""
    return {
        "invented": True,
        "pile": judge_wire(found.pile),
        "tempting": judge_wire(found.tempting),
        "arrange": arrange_wire(found.search),
        "chosen": judge_wire(found.chosen),
        "join": join_wire(found.joining),
    }


def rules_wire(cards: tuple[RuleCard, ...]) -> dict[str, Any]:
    """Return rules as JSON."""
    return {"rules": [{**asdict(card), "questions": list(card.questions)} for card in cards]}


def error_wire(error: HotchpotError) -> dict[str, Any]:
    """Return an error as JSON: every fault with its place and mending."""
    faults = [asdict(fault) for fault in error.faults] if isinstance(error, InputError) else []
    return {"error": str(error), "faults": faults}


def _judgement(judgement: Judgement) -> dict[str, Any]:
    decisive = judgement.decisive
    return {
        "verdict": str(judgement.verdict),
        "decided_by": None if decisive is None else decisive.code,
        "findings": [_finding(finding) for finding in judgement.findings],
        "not_judged": [asdict(unasked) for unasked in judgement.unasked],
    }


def _finding(finding: Finding) -> dict[str, Any]:
    return {
        "code": finding.code,
        "gate": finding.gate.name.lower(),
        "verdict": str(finding.verdict),
        "subject": list(finding.subject),
        "quantity": finding.quantity,
        "value": _num(finding.value),
        "sd": _num(finding.sd),
        "limit": _num(finding.limit),
        "unit": finding.unit,
        "says": finding.says,
        "why": finding.why,
        "do": finding.do,
        "source": finding.source,
    }


def _ratings(ratings: Ratings) -> dict[str, Any]:
    return {
        "nominal_v": _num(ratings.nominal_v),
        "cells": ratings.cells,
        "capacity_ah": _num(ratings.capacity_ah.value),
        "capacity_sd_ah": _num(ratings.capacity_ah.sd),
        "energy_wh": _num(ratings.energy_wh.value),
        "resistance_mohm": _num(ratings.resistance_mohm.value),
        "limiting_units": list(ratings.limiting_units),
        "charge_v_max": _num(ratings.charge_v_max),
        "discharge_v_min": _num(ratings.discharge_v_min),
        "charge_a_max": _num(ratings.charge_a_max),
        "discharge_a_max": _num(ratings.discharge_a_max),
        "limits": {name: list(ids) for name, ids in ratings.limits.items()},
    }


def _unit(card: UnitCard) -> dict[str, Any]:
    state = card.state
    return {
        "capacity_ah": _num(state.capacity_ah.value),
        "capacity_sd_ah": _num(state.capacity_ah.sd),
        "basis": str(state.basis),
        "grade": card.grade,
        "chemistry": state.unit.chemistry,
        "cells": state.unit.cells,
        "resistance_mohm": _num(state.resistance_mohm.value),
        "resistance_basis": str(state.resistance_mohm.basis),
        "soc_frac": None if state.soc_frac is None else _num(state.soc_frac.value),
        "ocv_v": None if state.ocv_v is None else _num(state.ocv_v.value),
    }


def _clean(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _clean(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_clean(item) for item in value]
    if isinstance(value, Measure):
        return _num(value.value)
    return _num(value) if isinstance(value, float) else value


def _num(value: float | None) -> float | None:
    """Six significant digits: more would claim what no meter reads. Infinities are not JSON, rounding is nothing."""
    if value is None or not math.isfinite(value):
        return None
    return 0.0 if abs(value) < NOTHING else float(f"{value:.6g}")

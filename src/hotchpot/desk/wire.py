"""Reports as plain dictionaries, one shape through every door (command line and, later, the API)."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from hotchpot.bank.ratings import Ratings
from hotchpot.bank.verdict import Judgement
from hotchpot.desk.asking import ArrangeReport, JoinReport, JudgeReport, RuleCard
from hotchpot.desk.plain import clean, finding_wire, num, unit_wire
from hotchpot.desk.showcase import Showcase
from hotchpot.desk.wire_bench import bench_wire
from hotchpot.desk.wire_trial import trial_wire
from hotchpot.errors import HotchpotError, InputError


def judge_wire(report: JudgeReport) -> dict[str, Any]:
    """Return a judge's report in its JSON shape (docs/commands.md)."""
    return {
        "arrangement": report.arrangement,
        **_judgement(report.judgement),
        "ratings": None if report.ratings is None else _ratings(report.ratings),
        "units": {card.id: unit_wire(card) for card in report.units},
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
                "usable_ah": num(p.usable_ah.value),
                "usable_sd_ah": num(p.usable_ah.sd),
                "usable_wh": num(p.usable_wh.value),
                "usable_sd_wh": num(p.usable_wh.sd),
                "bound_wh": num(p.bound_wh),
                "gap_frac": num(p.gap_frac),
                "left_over": list(p.left_over),
                "links": p.links,
                "strings": p.strings,
                "why": p.why,
                "findings": [finding_wire(f) for f in p.judgement.findings],
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
        "charge_first": {name: num(volts) for name, volts in plan.charge_first.items()},
        "resistors": [clean(asdict(resistor)) for resistor in plan.resistors],
        "order": [list(branch) for branch in plan.order],
        "steps": [clean(asdict(step)) for step in plan.steps],
        "cautions": list(plan.cautions),
        "findings": [finding_wire(f) for f in report.judgement.findings],
    }


def showcase_wire(found: Showcase) -> dict[str, Any]:
    """Return the demo as JSON, one answer after another."""
    return {
        "invented": True,
        "pile": judge_wire(found.pile),
        "bench": bench_wire(found.bench),
        "tempting": judge_wire(found.tempting),
        "arrange": arrange_wire(found.search),
        "chosen": judge_wire(found.chosen),
        "trial": trial_wire(found.trial),
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
        "findings": [finding_wire(finding) for finding in judgement.findings],
        "not_judged": [asdict(unasked) for unasked in judgement.unasked],
    }


def _ratings(ratings: Ratings) -> dict[str, Any]:
    return {
        "nominal_v": num(ratings.nominal_v),
        "cells": ratings.cells,
        "capacity_ah": num(ratings.capacity_ah.value),
        "capacity_sd_ah": num(ratings.capacity_ah.sd),
        "energy_wh": num(ratings.energy_wh.value),
        "resistance_mohm": num(ratings.resistance_mohm.value),
        "limiting_units": list(ratings.limiting_units),
        "charge_v_max": num(ratings.charge_v_max),
        "discharge_v_min": num(ratings.discharge_v_min),
        "charge_a_max": num(ratings.charge_a_max),
        "discharge_a_max": num(ratings.discharge_a_max),
        "limits": {name: list(ids) for name, ids in ratings.limits.items()},
    }

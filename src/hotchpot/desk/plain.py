"""What all reports have in common as plain data: numbers rounded to what a meter reads, and a unit as a dictionary."""

from __future__ import annotations

import math
from typing import Any

from hotchpot.bank.verdict import Finding
from hotchpot.desk.asking import UnitCard
from hotchpot.measure import Measure

NOTHING = 1e-9


def unit_wire(card: UnitCard) -> dict[str, Any]:
    """Return a unit as JSON: what it is now, with basis and grade."""
    state = card.state
    return {
        "capacity_ah": num(state.capacity_ah.value),
        "capacity_sd_ah": num(state.capacity_ah.sd),
        "basis": str(state.basis),
        "grade": card.grade,
        "chemistry": state.unit.chemistry,
        "cells": state.unit.cells,
        "resistance_mohm": num(state.resistance_mohm.value),
        "resistance_basis": str(state.resistance_mohm.basis),
        "soc_frac": None if state.soc_frac is None else num(state.soc_frac.value),
        "ocv_v": None if state.ocv_v is None else num(state.ocv_v.value),
    }


def finding_wire(finding: Finding) -> dict[str, Any]:
    """Return a finding as JSON."""
    return {
        "code": finding.code,
        "gate": finding.gate.name.lower(),
        "verdict": str(finding.verdict),
        "subject": list(finding.subject),
        "quantity": finding.quantity,
        "value": num(finding.value),
        "sd": num(finding.sd),
        "limit": num(finding.limit),
        "unit": finding.unit,
        "says": finding.says,
        "why": finding.why,
        "do": finding.do,
        "source": finding.source,
    }


def clean(value: Any) -> Any:
    """Return nested data with every number rounded and every measure as its value."""
    if isinstance(value, dict):
        return {key: clean(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [clean(item) for item in value]
    if isinstance(value, Measure):
        return num(value.value)
    return num(value) if isinstance(value, float) else value


def num(value: float | None) -> float | None:
    """Six significant digits: more would claim what no meter reads. Infinities are not JSON, rounding is nothing."""
    if value is None or not math.isfinite(value):
        return None
    return 0.0 if abs(value) < NOTHING else float(f"{value:.6g}")

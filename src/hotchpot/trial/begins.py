"""What every scenario begins with: numbers above nought, the charge of each unit, and what is tapped besides."""

from __future__ import annotations

import math

from hotchpot.bank.bank import Bank
from hotchpot.bank.plan import Plan
from hotchpot.errors import Fault, InputError
from hotchpot.trial.wired import taps_of


def all_at(bank: Bank, soc: float | None) -> dict[str, float]:
    """Return the charge of every unit, by id; none where each begins as its state says."""
    if soc is None:
        return {}
    if not 0.0 <= soc <= 1.0:
        raise InputError.one("from_soc", f"it is {soc:g}", "give a fraction, 0 to 1")
    return {state.unit.id: soc for state in bank.units}


def tapped(plan: Plan) -> str:
    """Return a sentence on what is tapped besides, as its mean over the day; nothing where the plan has no tap."""
    named = [f"{amps:.3g} A at the plus of {unit}" for unit, amps in taps_of(plan.wiring)]
    return f" Tapped besides, as a mean over the day: {', '.join(named)}." if named else ""


def begun(soc: float | None) -> str:
    """Return where the units begin, in words."""
    return "from where each unit stands" if soc is None else "from full" if soc == 1.0 else f"from {100 * soc:.0f} %"


def positive(**given: float | None) -> None:
    """Refuse what is not above nought, all of it at once, by name."""
    faults = [
        Fault(name, f"it is {value:g}", "give a number above nought")
        for name, value in given.items()
        if value is not None and not (math.isfinite(value) and value > 0.0)
    ]
    if faults:
        raise InputError(faults)

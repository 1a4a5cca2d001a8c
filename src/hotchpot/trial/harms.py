"""Checks on what breaks: sums that fail, loads that collapse, what opens, cells driven below empty or above full."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from hotchpot.bank.verdict import Verdict
from hotchpot.circuit.record import Event, Record
from hotchpot.trial.look import Look, Said, span
from hotchpot.trial.shares import TAPS
from hotchpot.trial.texts import MOST_NAMED

SHORTS_AT = -0.12  # charge of a lithium unit; chemistry data, overdischarge
BELOW_FRAC = 0.01  # less than this part of its capacity below empty is the end of a discharge, not a reversal
CHARGE_ERROR, ENERGY_ERROR = 1e-6, 1e-3
REASONS = {
    "electronics-low": "a low voltage",
    "electronics-high": "a high voltage",
    "electronics-amps": "its current",
}


def _sums(look: Look) -> Iterator[Said]:
    balance = look.record.balance
    # A run's own sum of energy leaves out what taps drew. Written so that a sum that is no number fails too.
    energy_holds = balance.energy_error_frac <= ENERGY_ERROR or look.share(TAPS) != 0.0
    if not (balance.charge_error_frac <= CHARGE_ERROR and energy_holds):
        facts = {"charge": balance.charge_error_frac, "energy": balance.energy_error_frac}
        yield Said(
            code="trial-balance", verdict=Verdict.FORBID, subject=look.record.ids, facts=facts,
            value=balance.energy_error_frac, limit=ENERGY_ERROR,
        )  # fmt: skip


def _ending(look: Look) -> Iterator[Said]:
    ended, ids = look.record.ended, look.record.ids
    when = {"when": span(ended.time_s)}
    if ended.kind == "collapse":
        yield Said(code="trial-collapse", verdict=Verdict.FORBID, subject=ids, facts=when, value=ended.value)
    if ended.kind in ("open", "too-many-events"):
        opened = [
            event for event in look.record.events if event.kind == "fuse" or event.kind.startswith("electronics-")
        ]
        what = ", ".join(dict.fromkeys(event.unit or "?" for event in opened[-MOST_NAMED:])) or "the last branch"
        yield Said(
            code="trial-open", verdict=Verdict.ONLY_IF, subject=ids, facts={**when, "what": what}, value=ended.value
        )
    wanted_s = look.scenario.drive.seconds
    asked = look.scenario.name.startswith(("profile", "day")) or ", for " in look.scenario.says
    if asked and ended.kind not in ("time", "charged", "settled") and ended.time_s < wanted_s:
        facts = {**when, "wanted": wanted_s / 3600.0, "reason": look.ends}
        yield Said(
            code="trial-short", verdict=Verdict.CAUTION, subject=ids, facts=facts, value=ended.time_s / 3600.0,
            limit=wanted_s / 3600.0,
        )  # fmt: skip


def _electronics(look: Look) -> Iterator[Said]:
    bears = {state.unit.id: state.unit.bms_max_v for state in look.states}
    for event in look.record.events:
        name = event.unit or ""
        facts: dict[str, Any] = {"when": span(event.time_s)}
        if event.kind == "electronics-overstressed":
            yield Said(
                code="trial-electronics-overstressed", verdict=Verdict.FORBID, subject=(name,), facts=facts,
                value=event.value, limit=bears[name],
            )  # fmt: skip
        elif event.kind in REASONS:
            limit = bears[name]
            facts["bears"] = (
                f", of the {limit:.3g} V it bears" if limit else "; what it bears is not known: ask its maker"
            )
            facts["reason"] = f"by {REASONS[event.kind]}"
            facts["across"] = "an unknown voltage lies" if event.value is None else f"{event.value:.3g} V lie"
            yield Said(
                code="trial-electronics", verdict=Verdict.CAUTION if limit else Verdict.ONLY_IF, subject=(name,),
                facts=facts, value=event.value, limit=limit,
            )  # fmt: skip


def _fuses(look: Look) -> Iterator[Said]:
    blown = [event for event in look.record.events if event.kind == "fuse"]
    for event in blown:
        # Of fuses that open at one moment the second carries nothing any more: the largest current is that of all.
        amps = max(abs(other.value or 0.0) for other in blown if other.time_s == event.time_s)
        yield Said(
            code="trial-fuse", verdict=Verdict.ONLY_IF, subject=(event.unit or "main",),
            facts={"when": span(event.time_s)}, value=amps,
        )  # fmt: skip


HARM_BELOW = {
    "lithium": "Below empty copper dissolves from the collector; an internal short grows on recharge, and can burn.",
    "lead": "A reversed lead cell sulphates and its plates change sign; the harm grows with the Ah forced through.",
    "nickel": "A reversed nickel cell makes hydrogen, and vents or bursts where it is sealed.",
}


def _below_empty(look: Look) -> Iterator[Said]:
    record = look.record
    for k, state in enumerate(look.states):
        under_ah, lowest = float(record.under_ah[k]), float(record.soc_frac[:, k].min())
        volts = record.unit_volts[:, k]
        reversed_at = _event(record, "reversed", state.unit.id)
        floor_v = state.unit.cells * state.chem.num("abs_min_v")
        if record.ended.time_s <= 0.0 or (lowest > -BELOW_FRAC and volts.min() >= floor_v and reversed_at is None):
            continue
        kind, source = state.chem.kind, state.chem.cite("reversal_v")
        first = _event(record, "empty", state.unit.id) or reversed_at or record.ended
        said = reversed_at or first
        facts = {
            "under_ah": under_ah, "percent": 100.0 * lowest, "low_v": float(volts.min()), "harm": HARM_BELOW[kind],
            "when": span(said.time_s), "depth": "reversed" if reversed_at else "below empty",
            "safe_ah": _given_by(record, first),
        }  # fmt: skip
        if kind == "lithium" and lowest < SHORTS_AT:
            yield Said(
                code="trial-internal-short", verdict=Verdict.FORBID, subject=(state.unit.id,), facts=facts,
                value=lowest, limit=SHORTS_AT, source=source,
            )  # fmt: skip
        verdict = Verdict.FORBID if kind == "lithium" else Verdict.ONLY_IF if reversed_at else Verdict.CAUTION
        yield Said(
            code="trial-reversed", verdict=verdict, subject=(state.unit.id,), facts=facts, value=under_ah,
            limit=BELOW_FRAC * state.capacity_ah.value, source=source,
        )  # fmt: skip


def _event(record: Record, kind: str, unit: str) -> Event | None:
    return next((event for event in record.events if event.kind == kind and event.unit == unit), None)


def _given_by(record: Record, event: Event) -> float:
    """Return the charge that the bank had given when something happened. [Ah]"""
    import numpy as np

    before = record.time_s <= event.time_s
    return float(np.trapezoid(np.maximum(record.amps[before], 0.0), record.time_s[before])) / 3600.0


HARM_ABOVE = {
    "lithium": "Above its limit a lithium cell plates, gasses and can burn.",
    "lead": "It gasses, dries out and sheds its plates.",
    "nickel": "It gasses and heats.",
}


def _over_voltage(look: Look) -> Iterator[Said]:
    """Tell of the unit that goes furthest above its own charge voltage while it takes charge."""
    import numpy as np

    record = look.record
    allowed = np.array([state.unit.cells * state.chem.num("charge_max_v") for state in look.states])
    taken = np.where(record.unit_amps < 0.0, record.unit_volts, 0.0) / allowed
    at, k = np.unravel_index(int(taken.argmax()), taken.shape)
    ratio, state = float(taken[at, k]), look.states[k]
    if ratio <= 0.0 or record.bank_in_ah <= 0.0:
        return
    over = ratio > 1.0 + 1e-3
    worst = Verdict.FORBID if state.chem.kind == "lithium" else Verdict.ONLY_IF
    value = ratio * float(allowed[k])
    facts = {
        "when": span(float(record.time_s[at])), "per_cell": value / state.unit.cells,
        "harm": HARM_ABOVE[state.chem.kind],
    }  # fmt: skip
    yield Said(
        code="trial-over-voltage", verdict=worst if over else Verdict.FINE, subject=(state.unit.id,), facts=facts,
        value=value, limit=float(allowed[k]), source=state.chem.cite("charge_max_v"),
    )  # fmt: skip


HARMS = (_sums, _ending, _electronics, _fuses, _below_empty, _over_voltage)

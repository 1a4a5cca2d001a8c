"""Checks on whether a charge fills: what is far from full when the charger is done, and what would fill it."""

from __future__ import annotations

from collections.abc import Iterator

from hotchpot.bank.rules.charging import VOLT_TOLERANCE
from hotchpot.bank.verdict import Verdict
from hotchpot.circuit.record import Record
from hotchpot.trial.days import DAY_S
from hotchpot.trial.look import Figure, Look, Said, few

TAIL_FRAC = 1.05  # of the tail current: a charge that ends above has run out of time
FULL_FRAC = 0.9  # a unit with less charge when the charger is done is told of; project rule
MORE_TIME = "Give it more hours or more amps, or look for the unit that holds it back."
LEFT_LOW = {
    "lithium": "What is not filled is not there to be used, and small differences between units show at full only.",
    "lead": "Lead that is left there sulphates, and loses its capacity for good.",
    "nickel": "Nickel that is never filled loses capacity.",
}
WARM_ENOUGH = "where it is warm enough to be charged; its maker's print goes first"


def ended_early(look: Look) -> str:
    """Return why a charge that has ended is not full, or nothing."""
    record, charge = look.record, look.scenario.drive.charge
    if charge is None or not look.scenario.name.startswith("charge"):
        return ""
    amps = -float(record.amps[-1])
    if record.ended.kind == "time":
        return f"its time is over with {Figure(max(amps, 0.0)):.3g} A still flowing, before it is charged"
    if record.ended.kind == "charged" and 0.0 < TAIL_FRAC * charge.tail_a < amps:
        tail = f"above the {Figure(charge.tail_a):.3g} A of a full bank"
        return f"the time of the charger's stage is over at {Figure(amps):.3g} A, {tail}"
    return ""


def _left_low(look: Look) -> Iterator[Said]:
    """
    Tell of units that are far from full when the charger is done, as where its volts are too low.

    Of days looked at: the fullest while the charger last floated, of a long float in its last day.
    """
    record, scenario = look.record, look.scenario
    floated = _last_float(record) if scenario.name.startswith("day") else None
    daily, done = floated is not None, record.ended.kind == "charged" and scenario.name.startswith("charge")
    if scenario.shorted or not (daily or done):
        return  # a unit with a shorted cell is never to be filled
    fullest = record.soc_frac[floated or slice(-1, None)].max(axis=0)
    low = sorted((k for k in look.there if look.cells[k] and fullest[k] < FULL_FRAC), key=lambda k: float(fullest[k]))
    if not low:
        return
    state = next((look.states[k] for k in low if look.states[k].chem.kind == "lead"), look.states[low[0]])
    names = [record.ids[k] for k in low]
    needs, do = _filling(look, names, daily=daily)
    done_at = "once the charger has gone to float" if daily else f"when the charger is done{_at_once(record)}"
    others = f" Below that mark too: {few(names[1:])}." if names[1:] else ""
    yield Said(
        code="trial-unfilled",
        verdict=Verdict.ONLY_IF if state.chem.kind == "lead" and not daily else Verdict.CAUTION,
        subject=tuple(names), value=100.0 * float(fullest[low[0]]), limit=100.0 * FULL_FRAC,
        facts={"own": names[0], "done": done_at, "needs": needs, "others": others, "why": LEFT_LOW[state.chem.kind],
               "do": do},
        source=state.chem.cite("absorb_v"),
    )  # fmt: skip


def _last_float(record: Record) -> slice | None:
    """Return the records while the charger last floated, the last day of them; None if it never did."""
    import numpy as np

    turns = [event for event in record.events if event.kind in ("float", "bulk")]
    floats = [event.time_s for event in turns if event.kind == "float"]
    if not floats:
        return None
    end_s = next((e.time_s for e in turns if e.kind == "bulk" and e.time_s >= floats[-1]), record.ended.time_s)
    first, last = np.searchsorted(record.time_s, [max(floats[-1], end_s - DAY_S), end_s])
    return slice(int(min(first, len(record.time_s) - 1)), int(last) + 1)


def _at_once(record: Record) -> str:
    return ", at once and with nothing taken" if record.ended.time_s <= 0.0 else ""


def _filling(look: Look, names: list[str], *, daily: bool) -> tuple[str, str]:
    """Return what the charger's volts lack, if they do, and what to do."""
    charge, cells = look.scenario.drive.charge, look.bank.root.cells
    chems = {state.chem.key: state.chem for state in look.states}
    bands = [chem.band("absorb_v") for chem in chems.values()]
    volts = None if charge is None else charge.absorb_v
    if volts is not None and len(bands) == 1 and bands[0] is not None:
        low, high = (cells * cell_v for cell_v in bands[0])
        if volts < low - VOLT_TOLERANCE * cells:
            wanted = f"{Figure(low):.3g} to {Figure(high):.3g} V"
            told = f" Its charger goes up to {Figure(volts):.4g} V; to be filled the bank needs {wanted} (at 25 °C)."
            return told, f"Set the charger to {wanted} and charge it again {WARM_ENOUGH}."
    if daily or ended_early(look):
        return "", f"Give the charger more hours at its volts or more amps, {WARM_ENOUGH}."
    return "", f"Take what holds it back out of the way: charge {few(names)} to full each by itself {WARM_ENOUGH}."


FILLED = (_left_low,)

"""Checks on what breaks: sums that fail, loads that collapse, ends before time, cells below empty or above full."""

from __future__ import annotations

from collections.abc import Iterator

from hotchpot.bank.rules.charging import LEAD_SLIP_V, VOLT_TOLERANCE
from hotchpot.bank.verdict import Verdict
from hotchpot.circuit.record import Event, Record
from hotchpot.trial import passed
from hotchpot.trial.allowed import FLOWS_C, OVER_FRAC, Reached, highest
from hotchpot.trial.filled import MORE_TIME, ended_early
from hotchpot.trial.look import Figure, Look, Said, after, few, span
from hotchpot.trial.passed import BELOW_FRAC, SHORTS_AT

CHARGE_ERROR, ENERGY_ERROR = 1e-6, 1e-3
MOST_DIGITS = 7
TOLD_FRAC = 5e-3  # less of a unit's capacity is not told as forced through it, nor as what is safe
RUINED_FRAC = 0.5  # lead or nickel turned round by more of its capacity is what the judge scraps; project rule
TOO_MUCH = "What was asked for is more than the bank gives."
LESS_LOAD = "Use a smaller load or more units."
NOT_FULL = "The current has not tailed off: the bank is not full, and lead that is not filled sulphates."


def _sums(look: Look) -> Iterator[Said]:
    balance = look.record.balance
    # Written so that a sum that is no number fails too.
    if not (balance.charge_error_frac <= CHARGE_ERROR and balance.energy_error_frac <= ENERGY_ERROR):
        facts = {"charge": balance.charge_error_frac, "energy": balance.energy_error_frac}
        yield Said(
            code="trial-balance", verdict=Verdict.FORBID, subject=look.record.ids, facts=facts,
            value=balance.energy_error_frac, limit=ENERGY_ERROR,
        )  # fmt: skip


def _collapse(look: Look) -> Iterator[Said]:
    ended, ids = look.record.ended, look.record.ids
    if ended.kind == "collapse":
        facts = {"when": after(ended.time_s)}
        yield Said(code="trial-collapse", verdict=Verdict.FORBID, subject=ids, facts=facts, value=ended.value)


def _too_short(look: Look) -> Iterator[Said]:
    """Tell of a run that ends before its time, and of a charge that ends by its time and not by being full."""
    ended, wanted_s, scenario = look.record.ended, look.scenario.drive.seconds, look.scenario
    asked = scenario.name.startswith(("profile", "day")) or ", for " in scenario.says
    early = asked and ended.kind not in ("time", "charged", "settled") and ended.time_s < wanted_s
    unfilled = ended_early(look)
    if not early and not unfilled:
        return
    facts = {
        "when": after(ended.time_s), "wanted": span(wanted_s), "reason": unfilled or look.ends,
        "why": NOT_FULL if unfilled else TOO_MUCH, "do": MORE_TIME if unfilled else LESS_LOAD,
    }  # fmt: skip
    yield Said(
        code="trial-short", verdict=Verdict.CAUTION, subject=look.record.ids, facts=facts,
        value=ended.time_s / 3600.0, limit=wanted_s / 3600.0,
    )  # fmt: skip


def _taps(look: Look) -> Iterator[Said]:
    """Tell of taps that the run went without, as what they hang on is cut out."""
    if look.dropped_taps:
        yield Said(code="trial-tap-dropped", verdict=Verdict.CAUTION, subject=look.dropped_taps, facts={})


APART = "Do not join these: leave the emptier one out, and charge it by itself if its maker allows that."
HARM_BELOW = {
    "lithium": "Below empty copper dissolves from the collector; an internal short grows on recharge, and can burn.",
    "lead": "A reversed lead cell sulphates and its plates change sign; the harm grows with the Ah forced through.",
    "nickel": "A reversed nickel cell makes hydrogen, and vents or bursts where it is sealed.",
}


def _below_empty(look: Look) -> Iterator[Said]:
    import numpy as np

    record, args = look.record, (look.record, look.states, look.cells)
    low, shorts, depths = passed.below_empty(*args), passed.internal_short(*args), passed.depths(*args[:2])
    for k in np.flatnonzero(low).tolist():
        state, under_ah = look.states[k], float(record.under_ah[k])
        reversed_at = _event(record, "reversed", state.unit.id)
        kind, source = state.chem.kind, state.chem.cite("reversal_v")
        first = _event(record, "empty", state.unit.id) or reversed_at or record.ended
        said = reversed_at or first
        low_v, safe_ah = float(record.peaks.low_v[k]), _given_by(record, first)
        forced = under_ah >= TOLD_FRAC * state.capacity_ah.value
        how = f"{Figure(under_ah):.3g} Ah are forced through it, down to" if forced else "its lowest is"
        stop = f", or stop after {Figure(safe_ah):.3g} Ah" if safe_ah >= TOLD_FRAC * state.capacity_ah.value else ""
        facts = {
            "under_ah": under_ah, "percent": 100.0 * float(depths[k]), "low": f"{how} {Figure(low_v):.3g} V",
            "harm": HARM_BELOW[kind], "when": after(said.time_s), "depth": "reversed" if reversed_at else "below empty",
            "empty": "empty and " if forced else "",
            "do": APART if look.scenario.fine else f"Give each unit its own cut-off, match the string in Ah{stop}.",
        }  # fmt: skip
        if shorts[k]:
            yield Said(
                code="trial-internal-short", verdict=Verdict.FORBID, subject=(state.unit.id,), facts=facts,
                value=-float(depths[k]), limit=SHORTS_AT, source=source,
            )  # fmt: skip
        ruined = kind == "lithium" or (reversed_at and under_ah >= RUINED_FRAC * state.capacity_ah.value)
        verdict = Verdict.FORBID if ruined else Verdict.ONLY_IF if reversed_at else Verdict.CAUTION
        yield Said(
            code="trial-reversed", verdict=verdict, subject=(state.unit.id,), facts=facts,
            value=under_ah if forced else None, limit=BELOW_FRAC * state.capacity_ah.value if forced else None,
            source=source,
        )  # fmt: skip


def _event(record: Record, kind: str, unit: str) -> Event | None:
    return next((event for event in record.events if event.kind == kind and event.unit == unit), None)


def _given_by(record: Record, event: Event) -> float:
    """Return the charge that the bank had given when something happened. [Ah]"""
    import numpy as np

    before = record.time_s <= event.time_s
    return float(np.trapezoid(np.maximum(record.amps[before], 0.0), record.time_s[before])) / 3600.0


LOWER = "Charge each unit to its own limit, bring all to one charge first, or lower the charger."
HARM_ABOVE = {
    "lithium": "Above its limit a lithium cell plates, gasses and can burn.",
    "lead": "It gasses, dries out and sheds its plates.",
    "nickel": "It gasses and heats.",
}


def _over_voltage(look: Look) -> Iterator[Said]:
    """Tell of the unit that goes furthest above its live cells' charge voltage, whoever charges it."""
    record = look.record
    most = highest(record, look.states, look.cells, compensated=look.compensated)
    ratios = passed.volts_of_max(record, look.states, look.cells, compensated=look.compensated)
    k = max(range(len(ratios)), key=lambda j: (ratios[j] > 1.0 + OVER_FRAC and _worst(look, j, most).rank, ratios[j]))
    ratio, state, cells = float(ratios[k]), look.states[k], look.cells[k]
    over = ratio > 1.0 + OVER_FRAC
    taken = any(amps >= FLOWS_C * s.capacity_ah.value for amps, s in zip(record.peaks.in_a, look.states, strict=True))
    if cells == 0 or not (over or taken):
        return
    value, limit = float(most.value[k]), float(most.limit[k])
    high, allowed = told_apart(value, limit)
    facts = {
        "when": after(float(most.time_s[k])), "per_cell": told_apart(value / cells, limit / cells)[0],
        "high": high, "allowed": allowed, "harm": HARM_ABOVE[state.chem.kind],
        "do": LOWER if not look.scenario.shorted else
        f"Do not charge, nor join, a bank with {few(look.scenario.shorted)} in it: a cell of it has shorted.",
        "short": "" if cells == state.unit.cells else f" of the {cells} that are left",
    }  # fmt: skip
    yield Said(
        code="trial-over-voltage", verdict=_worst(look, k, most) if over else Verdict.FINE, subject=(state.unit.id,),
        facts=facts, value=value, limit=limit, source=state.chem.cite("charge_max_v"),
    )  # fmt: skip


def _worst(look: Look, k: int, most: Reached) -> Verdict:
    """Return the verdict on a unit above its charge voltage; lead by the judge's own bounds of `charge-voltage`."""
    chem, cells = look.states[k].chem, look.cells[k]
    if chem.kind == "lithium":
        return Verdict.FORBID
    if chem.kind != "lead" or cells == 0:
        return Verdict.ONLY_IF
    if not look.compensated and most.value[k] <= cells * (chem.num("charge_max_v") + VOLT_TOLERANCE):
        return Verdict.CAUTION  # too much only as hot as it is
    band = chem.band("equalise_v")
    beyond_v = LEAD_SLIP_V if band is None else band[1] + VOLT_TOLERANCE - chem.num("charge_max_v")
    return Verdict.FORBID if most.value[k] > most.limit[k] + cells * beyond_v + 1e-9 else Verdict.ONLY_IF


def told_apart(value: float, limit: float) -> tuple[str, str]:
    """
    Return two figures with as many digits as it takes to tell them apart.

    >>> told_apart(14.7, 14.4), told_apart(14.7004, 14.7)
    (('14.7', '14.4'), ('14.7004', '14.7'))
    """
    texts = ("", "")
    for digits in range(4, MOST_DIGITS):
        texts = f"{value:.{digits}g}", f"{limit:.{digits}g}"
        if texts[0] != texts[1]:
            break
    return texts


def _short_charged(look: Look) -> Iterator[Said]:
    """Tell of units with a shorted cell that take charge: the cells left get its volts too, and the short heats."""
    for k, state in enumerate(look.states):
        amps, name = float(look.record.peaks.in_a[k]), state.unit.id
        if name not in look.scenario.shorted or amps < FLOWS_C * state.capacity_ah.value:
            continue
        at_s = float(look.record.peaks.in_a_s[k])
        facts = {
            "when": after(at_s),
            "ah": float(look.record.in_ah[k]),
        }
        yield Said(
            code="trial-short-charged", verdict=Verdict.FORBID, subject=(name,), facts=facts, value=amps, limit=0.0
        )


HARMS = (_sums, _collapse, _too_short, _taps, _below_empty, _over_voltage, _short_charged)

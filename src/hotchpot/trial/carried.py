"""Checks on what is carried: shares of a load, who is empty first, energy, what loads did without, bases."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from hotchpot.bank.rules.charge_rate import RATE_TOLERANCE
from hotchpot.bank.verdict import Verdict
from hotchpot.bench.state import State
from hotchpot.trial import shares as parts_of
from hotchpot.trial.allowed import FLOWS_C
from hotchpot.trial.look import Figure, Look, Said, after, energy, percent_down, span
from hotchpot.trial.passed import below_empty, off_spans
from hotchpot.trial.strained import low_volts
from hotchpot.trial.surges import MORE, taken_limit
from hotchpot.trial.texts import MOST_NAMED

SOON_FRAC = 0.95  # a unit that is empty before this part of the run is told of
TESTS = {
    "capacity_ah": ("capacity", "a timed discharge run"),
    "ohm": ("resistance", "two loads, ten seconds each"),
    "soc_frac": ("charge", "a rest voltage, or a full charge"),
    "leak_a": ("self-discharge", "four weeks of rest between two voltages"),
}
FULL_IS_BEST = " A charge that nobody knows counts as full, which is the best case; --doubt shows the range."
LEAK_MATTERS_S = 7 * 86_400.0


def _worst_shares(look: Look) -> Iterator[Said]:
    """Tell of the unit with the worst verdict, of those alike nearest its limit, once giving and once taking."""
    if look.scenario.fine:
        return
    for code, charging in (("trial-discharge-share", False), ("trial-charge-share", True)):
        hardest, peaks = look.taken if charging else look.given, look.record.peaks
        largest = peaks.in_a if charging else peaks.out_a
        rows = []
        for k in look.there:
            state, value, limit = look.states[k], float(hardest.amps[k]), float(hardest.limit[k])
            if value >= FLOWS_C * state.capacity_ah.value:
                verdict = _verdict(state, value, limit, float(hardest.temperature_c[k]), charging=charging)
                rows.append((verdict.rank, value / max(limit, 1e-9), -k, verdict))
        if not rows:
            continue
        *_, place, verdict = max(rows, key=lambda row: row[:3])
        k = -place
        state, value, limit, at_s = look.states[k], float(hardest.amps[k]), float(hardest.limit[k]), hardest.time_s[k]
        equal = look.bank_a_at(float(at_s), charging=charging) * float(look.equal_parts[k])
        top = max(range(len(largest)), key=lambda j: float(largest[j]))
        more = float(largest[top]) > MORE * value
        most = f"; the largest is {look.record.ids[top]}'s, {Figure(largest[top]):.3g} A" if more else ""
        at_c = float(hardest.temperature_c[k])
        facts = {
            "when": after(float(at_s)), "equal": equal, "most": most, "up": "" if more and top == k else "up to ",
            "against": taken_limit(state, limit, at_c) if charging else f"{Figure(limit):.3g} A",
            "do": _less(look, k, value, limit, at_s=float(at_s), charging=charging),
        }  # fmt: skip
        cold = charging and "charge_c_cold" in state.chem.values and state.cold_charge_c(at_c) is not None
        limit_of = "charge_c_cold" if cold else "charge_c_max" if charging else "discharge_c_cont"
        yield Said(
            code=code, verdict=verdict, subject=(state.unit.id,), facts=facts, value=value, limit=limit,
            source=state.chem.cite(limit_of),
        )  # fmt: skip


def _verdict(state: State, amps: float, limit_a: float, at_c: float, *, charging: bool) -> Verdict:
    """Return the verdict on a current; beyond what the cold leaves is forbidden, as the judge has it."""
    if amps > state.peak_limit_a() or (charging and limit_a <= 0.0):
        return Verdict.FORBID
    if charging and state.cold_charge_c(at_c) is not None and amps > RATE_TOLERANCE * limit_a:
        return Verdict.FORBID
    return Verdict.ONLY_IF if amps > 1.0001 * limit_a else Verdict.FINE


def _less(look: Look, k: int, amps: float, limit_a: float, *, at_s: float, charging: bool) -> str:
    """Say how much less would do; what other units give or take no smaller load or charger mends."""
    name = look.record.ids[k]
    if limit_a <= 0.0:
        return f"Do not charge {name} until it is inside its temperatures, or take it out."
    if amps > MORE * look.bank_a_at(at_s, charging=charging) and not look.plan.wiring.taps:
        with_whom = "from other units to it" if charging else "from it to other units"
        return f"It flows {with_whom}: bring them to one voltage and charge before they meet, or take {name} out."
    what, of = ("Charge at", "this current") if charging else ("Keep the load at", "this one")
    return f"{what} {percent_down(limit_a / amps)} % of {of} or less, or take {name} out."


def _first_empty(look: Look) -> Iterator[Said]:
    import numpy as np

    record = look.record
    event = look.first_empty
    if event is None or event.unit is None:
        return
    at = min(int(np.searchsorted(record.time_s, event.time_s)), len(record.time_s) - 1)
    others = [100.0 * float(record.soc_frac[at, k]) for k in look.there if record.ids[k] != event.unit]
    pressed = {record.ids[k] for k in low_volts(look)} | {
        name for name, low in zip(record.ids, below_empty(record, look.states, look.cells), strict=True) if low
    }
    early = event.time_s < SOON_FRAC * record.ended.time_s or event.unit in pressed
    left = f"; then the fullest of the others still holds {max(others):.0f} %" if others else ""
    yield Said(
        code="trial-first-empty", verdict=Verdict.CAUTION if early else Verdict.FINE, subject=(event.unit,),
        value=event.time_s / 3600.0, facts={"when": after(event.time_s), "left": left, "first": " first" if others
        else ""},
    )  # fmt: skip


def _unmet(look: Look) -> Iterator[Said]:
    spans = off_spans(look.record)
    if spans:
        facts = {
            "when": after(spans[0][0]), "times": "once" if len(spans) == 1 else f"{len(spans)} times",
            "off": span(sum(end - begin for begin, end in spans)), "unmet": energy(look.record.unmet_wh),
        }  # fmt: skip
        yield Said(
            code="trial-unmet", verdict=Verdict.CAUTION, subject=look.record.ids, facts=facts,
            value=look.record.unmet_wh,
        )  # fmt: skip


def _energy(look: Look) -> Iterator[Said]:
    record = look.record
    label_ah, label_wh = parts_of.label_of(look.bank, look.scenario.lost)
    if record.bank_out_ah > 0.0 and record.bank_in_ah < FLOWS_C * record.bank_out_ah:
        ended = record.ended.kind not in ("time",)
        facts = {
            "wh": energy(record.bank_out_wh, 4), "label_wh": energy(label_wh, 4),
            "percent": 100.0 * record.bank_out_ah / label_ah,
            "percent_wh": 100.0 * record.bank_out_wh / label_wh, "reason": look.ends,
        }  # fmt: skip
        low = ended and record.bank_out_ah < 0.8 * label_ah
        yield Said(
            code="trial-usable", verdict=Verdict.CAUTION if low else Verdict.FINE, subject=record.ids, facts=facts,
            value=record.bank_out_ah, limit=label_ah,
        )  # fmt: skip
    lost = sum(look.share(name) for name in (parts_of.RESISTANCE, parts_of.LINKS, parts_of.SIDE, parts_of.EXTRA))
    listed = ", ".join(f"{energy(share.wh)} {share.name}" for share in look.shares)
    yield Said(
        code="trial-losses", verdict=Verdict.FINE, subject=record.ids,
        facts={"parts": listed or "none moved", "labels": energy(label_wh, 4)},
        value=lost, limit=label_wh,
    )  # fmt: skip


def _bases(look: Look) -> Iterator[Said]:
    """Tell what rests on assumed values, by unit, and what on data of the chemistry that is memory or guess."""
    assumed: dict[str, list[str]] = {}
    typical: dict[str, None] = {}
    short = look.record.ended.time_s < LEAK_MATTERS_S
    for unit, marks in look.record.marks.items():
        if unit in look.gone:
            continue
        for name, basis in marks.items():
            if basis.startswith("assumed") and name in TESTS and not (name == "leak_a" and short):
                assumed.setdefault(name, []).append(unit)
            elif basis in ("guess", "memory"):
                typical.setdefault(name.replace("_", " "))
    if assumed:
        listed = "; ".join(f"{TESTS[name][0]} of {_listing(units)}" for name, units in assumed.items())
        tests = "; ".join(f"{TESTS[name][1]} for {TESTS[name][0]}" for name in assumed)
        units = tuple(dict.fromkeys(unit for named in assumed.values() for unit in named))
        unread = "soc_frac" in assumed
        facts = {"parts": listed, "tests": tests, "best": FULL_IS_BEST if unread else ""}
        yield Said(code="trial-assumed", verdict=Verdict.CAUTION, subject=units, facts=facts)
    if typical:
        yield Said(
            code="trial-typical", verdict=Verdict.FINE, subject=look.record.ids, facts={"parts": ", ".join(typical)}
        )


def _listing(names: Sequence[str]) -> str:
    more = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
    return ", ".join(names[:MOST_NAMED]) + more


CARRIED = (_worst_shares, _first_empty, _unmet, _energy, _bases)

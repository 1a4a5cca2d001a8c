"""Checks on what is carried: shares of a load, the surge of a joining, heat, who is empty first, energy, bases."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from hotchpot.bank.rules.joining import CAUTION_FRAC, CHARGE_FRAC, FINE_FRAC, FUSE_FRAC
from hotchpot.bank.verdict import Verdict
from hotchpot.bench.state import State
from hotchpot.trial import shares as parts_of
from hotchpot.trial.look import Figure, Look, Said, span
from hotchpot.trial.passed import below_empty
from hotchpot.trial.strained import low_volts
from hotchpot.trial.texts import MOST_NAMED

SOON_FRAC = 0.95  # a unit that is empty before this part of the run is told of
RISE_K = 10.0  # project rule
ROUGH_S = 60.0  # a first record later than this hides how the surge falls
LEAST_C = 1e-3  # a current below this part of the capacity is none
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
        if look.bank.parallels:
            yield from _surge(look)
        return
    peaks = look.record.peaks
    for code, charging in (("trial-discharge-share", False), ("trial-charge-share", True)):
        amps, when = (peaks.in_a, peaks.in_a_s) if charging else (peaks.out_a, peaks.out_a_s)
        limits = look.limits_a(charging=charging)
        rows = []
        for k, state in enumerate(look.states):
            value, limit = float(amps[k]), float(limits[k])
            if value >= LEAST_C * state.capacity_ah.value:
                verdict = _verdict(state, value, limit, charging=charging)
                rows.append((verdict.rank, value / max(limit, 1e-9), -k, verdict))
        if not rows:
            continue
        *_, place, verdict = max(rows, key=lambda row: row[:3])
        k = -place
        state, value, limit, at_s = look.states[k], float(amps[k]), float(limits[k]), float(when[k])
        equal = look.bank_a_at(at_s, charging=charging) * float(look.equal_parts[k])
        top = max(range(len(amps)), key=lambda j: float(amps[j]))
        more = float(amps[top]) > 1.002 * value
        most = f"; the largest is {look.record.ids[top]}'s, {Figure(amps[top]):.3g} A" if more else ""
        facts = {"when": span(at_s), "equal": equal, "load": limit / value, "most": most}
        limit_of = "charge_c_max" if charging else "discharge_c_cont"
        yield Said(
            code=code, verdict=verdict, subject=(state.unit.id,), facts=facts, value=value, limit=limit,
            source=state.chem.cite(limit_of),
        )  # fmt: skip


def _verdict(state: State, amps: float, limit_a: float, *, charging: bool) -> Verdict:
    if amps > state.peak_limit_a() or (charging and limit_a <= 0.0):
        return Verdict.FORBID
    return Verdict.ONLY_IF if amps > 1.0001 * limit_a else Verdict.FINE


def _surge(look: Look) -> Iterator[Said]:
    """Tell of the surge where it bears hardest on a unit, also if it opened something, and of how long it settles."""
    record = look.record
    rows = [row for charging in (False, True) for row in _surges(look, charging=charging)]
    verdict, _, k, taking, value, limit = max(rows, key=lambda row: (row[0].rank, row[1]))
    state = look.states[k]
    peaks = record.peaks
    at_s = float((peaks.in_a_s if taking else peaks.out_a_s)[k])
    facts = {
        "gives": "takes" if taking else "gives", "moved_ah": abs(float(record.out_ah[k] - record.in_ah[k])),
        "when": "when the branches meet" if at_s <= 0.0 else f"{span(at_s)} after the branches meet",
        "opened": ", and something opens" if look.parted else "",
    }  # fmt: skip
    yield Said(
        code="trial-surge", verdict=verdict, subject=(state.unit.id,), facts=facts, value=value, limit=limit,
        source=state.chem.cite("charge_c_max" if taking else "discharge_c_cont"),
    )  # fmt: skip
    if record.ended.kind in ("settled", "time", "parted", "open"):
        yield _settling(look)


def _surges(look: Look, *, charging: bool) -> Iterator[tuple[Verdict, float, int, bool, float, float]]:
    """Yield verdict, part of the limit, place, direction, amps and limit of each unit's largest current."""
    peaks, fused = look.record.peaks, look.fused_a
    amps = {k: float(value) for k, value in enumerate(peaks.in_a if charging else peaks.out_a)}
    places = {name: k for k, name in enumerate(look.record.ids)}
    for event in look.record.events:  # what a unit carried just before it opened
        if event.amps is not None and event.unit in places and (event.amps < 0.0) == charging:
            k = places[event.unit]
            amps[k] = max(amps[k], abs(event.amps))
    limits = look.limits_a(charging=charging)
    for k, state in enumerate(look.states):
        value, limit = amps[k], min(float(limits[k]), FUSE_FRAC * fused.get(state.unit.id, math.inf))
        moved = abs(float(look.record.out_ah[k] - look.record.in_ah[k])) / state.capacity_ah.value
        ratio = value / max(limit, 1e-9)
        if value > state.peak_limit_a() or (charging and limit <= 0.0 and value >= LEAST_C * state.capacity_ah.value):
            verdict = Verdict.FORBID
        elif ratio > CAUTION_FRAC:
            verdict = Verdict.ONLY_IF
        else:
            verdict = Verdict.CAUTION if ratio > FINE_FRAC or moved > CHARGE_FRAC else Verdict.FINE
        yield verdict, ratio, k, charging, value, limit


def _settling(look: Look) -> Said:
    """Tell how long a joining takes, and when its largest current is down to half, between two records."""
    import numpy as np

    record = look.record
    settled = record.ended.kind == "settled" and not look.parted
    how = "It has settled" if settled else "It has come apart and not settled" if look.parted else "It has not settled"
    largest, time_s = np.abs(record.unit_amps).max(axis=1), record.time_s
    first = max(float(largest[0]), float(record.peaks.out_a.max()), float(record.peaks.in_a.max()))
    j = int(np.argmax(largest <= 0.5 * first))
    if largest[j] > 0.5 * first:
        half = "as it opens" if look.parted else "later than that"
    elif j == 0:
        half = "at once"
    else:
        part = (largest[j - 1] - 0.5 * first) / (largest[j - 1] - largest[j]) if largest[j - 1] > largest[j] else 1.0
        at_s = float(time_s[j - 1] + min(max(part, 0.0), 1.0) * (time_s[j] - time_s[j - 1]))
        rough = j == 1 and time_s[j] > ROUGH_S
        half = f"within {span(float(time_s[j]))}" if rough else "at once" if at_s <= 0.0 else f"after {span(at_s)}"
    return Said(
        code="trial-settling", verdict=Verdict.FINE if settled else Verdict.CAUTION, subject=record.ids,
        facts={"settled": how, "half": half, "after": span(record.ended.time_s)}, value=record.ended.time_s / 3600.0,
    )  # fmt: skip


def _heat(look: Look) -> Iterator[Said]:
    import numpy as np

    record, peaks = look.record, look.record.peaks
    name = "charge_t" if record.bank_in_ah > record.bank_out_ah else "discharge_t"
    limits = np.array([float(state.chem.row(name)[1]) for state in look.states])
    k = int((peaks.hot_c - limits).argmax())
    value, limit = float(peaks.hot_c[k]), float(limits[k])
    rise = value - float(record.temperature_c[0, k])
    verdict = Verdict.FORBID if value > limit else Verdict.CAUTION if rise > RISE_K else Verdict.FINE
    yield Said(
        code="trial-heat", verdict=verdict, subject=(record.ids[k],), value=value, limit=limit,
        facts={"when": span(float(peaks.hot_c_s[k])), "rise": rise}, source=look.states[k].chem.cite(name),
    )  # fmt: skip


def _first_empty(look: Look) -> Iterator[Said]:
    import numpy as np

    record = look.record
    event = look.first_empty
    if event is None or event.unit is None:
        return
    at = min(int(np.searchsorted(record.time_s, event.time_s)), len(record.time_s) - 1)
    others = [record.soc_frac[at, k] for k, name in enumerate(record.ids) if name != event.unit]
    pressed = {record.ids[k] for k in low_volts(look)} | {
        name for name, low in zip(record.ids, below_empty(record, look.states, look.cells), strict=True) if low
    }
    early = event.time_s < SOON_FRAC * record.ended.time_s or event.unit in pressed
    yield Said(
        code="trial-first-empty", verdict=Verdict.CAUTION if early else Verdict.FINE, subject=(event.unit,),
        value=event.time_s / 3600.0,
        facts={"when": span(event.time_s), "percent": 100.0 * float(max(others, default=0.0))},
    )  # fmt: skip


def _unmet(look: Look) -> Iterator[Said]:
    record = look.record
    offs = [event for event in record.events if event.kind == "loads-off"]
    if offs:
        facts = {"when": span(offs[0].time_s), "times": len(offs)}
        yield Said(code="trial-unmet", verdict=Verdict.CAUTION, subject=record.ids, facts=facts, value=record.unmet_wh)


def _energy(look: Look) -> Iterator[Said]:
    record = look.record
    label_ah, label_wh = parts_of.label_of(look.bank)
    if record.bank_out_ah > 0.0 and record.bank_in_ah < LEAST_C * record.bank_out_ah:
        ended = record.ended.kind not in ("time",)
        facts = {
            "wh": record.bank_out_wh, "label_wh": label_wh, "percent": 100.0 * record.bank_out_ah / label_ah,
            "percent_wh": 100.0 * record.bank_out_wh / label_wh, "reason": look.ends,
        }  # fmt: skip
        low = ended and record.bank_out_ah < 0.8 * label_ah
        yield Said(
            code="trial-usable", verdict=Verdict.CAUTION if low else Verdict.FINE, subject=record.ids, facts=facts,
            value=record.bank_out_ah, limit=label_ah,
        )  # fmt: skip
    lost = sum(look.share(name) for name in (parts_of.RESISTANCE, parts_of.LINKS, parts_of.SIDE, parts_of.EXTRA))
    listed = ", ".join(f"{Figure(share.wh):.3g} Wh {share.name}" for share in look.shares)
    yield Said(
        code="trial-losses", verdict=Verdict.FINE, subject=record.ids, facts={"parts": listed or "none moved"},
        value=lost, limit=label_wh,
    )  # fmt: skip


def _bases(look: Look) -> Iterator[Said]:
    """Tell what rests on assumed values, by unit, and what on data of the chemistry that is memory or guess."""
    assumed: dict[str, list[str]] = {}
    typical: dict[str, None] = {}
    short = look.record.ended.time_s < LEAK_MATTERS_S
    for unit, marks in look.record.marks.items():
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


CARRIED = (_worst_shares, _heat, _first_empty, _unmet, _energy, _bases)

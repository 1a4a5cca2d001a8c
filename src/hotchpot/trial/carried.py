"""Checks on what is carried: shares of a load, the surge of a joining, heat, who is empty first, energy, bases."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from hotchpot.bank.verdict import Verdict
from hotchpot.bench.state import State
from hotchpot.trial import shares as parts_of
from hotchpot.trial.look import Figure, Look, Said, span
from hotchpot.trial.texts import MOST_NAMED

SOON_FRAC = 0.95  # a unit that is empty before this part of the run is told of
RISE_K = 10.0  # project rule
LEAST_C = 1e-3  # a current below this part of the capacity is none
TESTS = {
    "capacity_ah": ("capacity", "a timed discharge run"),
    "ohm": ("resistance", "two loads, ten seconds each"),
    "soc_frac": ("charge", "a rest voltage, or a full charge"),
    "leak_a": ("self-discharge", "four weeks of rest between two voltages"),
}
LEAK_MATTERS_S = 7 * 86_400.0


def _worst_shares(look: Look) -> Iterator[Said]:
    """Tell of the unit nearest to or furthest beyond its limit, once giving and once taking."""
    import numpy as np

    if look.scenario.fine:
        if look.bank.parallels:
            yield from _surge(look)
        return
    record = look.record
    for code, charging in (("trial-discharge-share", False), ("trial-charge-share", True)):
        amps = -record.unit_amps if charging else record.unit_amps
        limits = look.limits_a(charging=charging)
        loads = np.maximum(amps, 0.0) / np.maximum(limits, 1e-9)
        at, k = np.unravel_index(int(loads.argmax()), loads.shape)
        state, value, limit = look.states[k], float(amps[at, k]), float(limits[k])
        if value < LEAST_C * state.capacity_ah.value:
            continue
        equal = abs(float(record.amps[at])) * float(look.equal_parts[k])
        verdict = _verdict(state, value, limit, charging=charging)
        facts = {"when": span(float(record.time_s[at])), "equal": equal, "load": limit / value}
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
    """Tell of the surge where it bears hardest on a unit, and of how long it takes to settle."""
    import numpy as np

    record = look.record
    amps = record.unit_amps
    limits = np.where(amps < 0.0, look.limits_a(charging=True), look.limits_a(charging=False))
    loads = np.abs(amps) / np.maximum(limits, 1e-9)
    at, k = np.unravel_index(int(loads.argmax()), loads.shape)
    state, taking = look.states[k], bool(amps[at, k] < 0.0)
    value, limit = abs(float(amps[at, k])), float(limits[at, k])
    facts = {"gives": "takes" if taking else "gives", "moved_ah": abs(float(record.out_ah[k] - record.in_ah[k]))}
    yield Said(
        code="trial-surge", verdict=_verdict(state, value, limit, charging=taking and value > 0.0),
        subject=(state.unit.id,), facts=facts, value=value, limit=limit,
        source=state.chem.cite("charge_c_max" if taking else "discharge_c_cont"),
    )  # fmt: skip
    if record.ended.kind not in ("settled", "time"):
        return
    settled = record.ended.kind == "settled"
    largest = np.abs(amps).max(axis=1)
    half = record.time_s[int(np.argmax(largest <= 0.5 * largest[0]))] if len(largest) > 1 else 0.0
    yield Said(
        code="trial-settling", verdict=Verdict.FINE if settled else Verdict.CAUTION, subject=record.ids,
        facts={"settled": "It has settled" if settled else "It has not settled", "half": span(float(half))},
        value=record.ended.time_s / 3600.0,
    )  # fmt: skip


def _heat(look: Look) -> Iterator[Said]:
    import numpy as np

    record = look.record
    name = "charge_t" if record.bank_in_ah > record.bank_out_ah else "discharge_t"
    limits = np.array([float(state.chem.row(name)[1]) for state in look.states])
    at, k = np.unravel_index(int((record.temperature_c - limits).argmax()), record.temperature_c.shape)
    value, limit = float(record.temperature_c[at, k]), float(limits[k])
    rise = value - float(record.temperature_c[0, k])
    verdict = Verdict.FORBID if value > limit else Verdict.CAUTION if rise > RISE_K else Verdict.FINE
    yield Said(
        code="trial-heat", verdict=verdict, subject=(record.ids[k],), value=value, limit=limit,
        facts={"when": span(float(record.time_s[at])), "rise": rise}, source=look.states[k].chem.cite(name),
    )  # fmt: skip


def _first_empty(look: Look) -> Iterator[Said]:
    import numpy as np

    record = look.record
    event = record.first("empty")
    if event is None or event.unit is None:
        return
    at = min(int(np.searchsorted(record.time_s, event.time_s)), len(record.time_s) - 1)
    others = [record.soc_frac[at, k] for k, name in enumerate(record.ids) if name != event.unit]
    early = event.time_s < SOON_FRAC * record.ended.time_s
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
        facts = {"parts": listed, "tests": tests}
        yield Said(code="trial-assumed", verdict=Verdict.CAUTION, subject=units, facts=facts)
    if typical:
        yield Said(
            code="trial-typical", verdict=Verdict.FINE, subject=look.record.ids, facts={"parts": ", ".join(typical)}
        )


def _listing(names: Sequence[str]) -> str:
    more = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
    return ", ".join(names[:MOST_NAMED]) + more


CARRIED = (_worst_shares, _heat, _first_empty, _unmet, _energy, _bases)

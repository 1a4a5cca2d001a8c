"""Checks on a joining: the surge where it bears hardest on a unit, and how long it takes to settle."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from hotchpot.bank.rules.joining import CAUTION_FRAC, CHARGE_FRAC, FINE_FRAC, FUSE_FRAC
from hotchpot.bank.verdict import Verdict
from hotchpot.bench.state import State
from hotchpot.trial.allowed import FLOWS_C
from hotchpot.trial.look import Figure, Look, Said, few, span

UNLIKE_FRAC = 0.1  # branches whose nominal volts differ by more never meet; project rule
MORE = 1.002  # another current so much larger is told too
ROUGH_S = 60.0  # a first record later than this hides how the surge falls


@dataclass(frozen=True, slots=True)
class _Row:
    """A unit's current of a joining nearest its limit: which unit, direction, amps, limit, when, and what follows."""

    place: int
    taking: bool
    amps: float
    limit: float
    time_s: float
    warmth_c: float
    fused: bool
    moved_frac: float
    verdict: Verdict

    @property
    def ratio(self) -> float:
        return self.amps / max(self.limit, 1e-9)


def _surge(look: Look) -> Iterator[Said]:
    """Tell of the surge where it bears hardest on a unit, also if it opened something, and of how long it settles."""
    if not look.scenario.fine or not look.bank.parallels:
        return
    record = look.record
    rows = [row for charging in (False, True) for row in _surges(look, charging=charging)]
    worst = max(rows, key=lambda row: (row.verdict.rank, row.ratio))
    state, most = look.states[worst.place], max(rows, key=lambda row: row.amps)
    facts = {
        "gives": "takes" if worst.taking else "gives",
        "moved_ah": abs(float(record.out_ah[worst.place] - record.in_ah[worst.place])),
        "when": "when the branches meet" if worst.time_s <= 0.0 else f"{span(worst.time_s)} after the branches meet",
        "opened": ", and something opens" if look.parted else "",
        "against": f"{_against(look, worst)}{_part(worst)}",
        "most": f"; the largest is {record.ids[most.place]}'s, {Figure(most.amps):.3g} A"
        if most.amps > MORE * worst.amps else "",
        "why": _why(state, worst), "do": _do(look, worst),
    }  # fmt: skip
    yield Said(
        code="trial-surge", verdict=worst.verdict, subject=(state.unit.id,), facts=facts, value=worst.amps,
        limit=worst.limit, source=state.chem.cite("charge_c_max" if worst.taking else "discharge_c_cont"),
    )  # fmt: skip
    if record.ended.kind in ("settled", "time", "parted", "open"):
        yield _settling(look)


def _surges(look: Look, *, charging: bool) -> Iterator[_Row]:
    """Yield each unit's current nearest its limit, in one direction; what opened a unit or its fuse counts too."""
    hardest, fused_a = look.taken if charging else look.given, look.fused_a
    opened = {
        event.unit: event
        for event in look.record.events
        if event.amps is not None and event.unit is not None and (event.amps < 0.0) == charging
    }
    for k in look.there:
        state, name = look.states[k], look.record.ids[k]
        amps, at_s, event = float(hardest.amps[k]), float(hardest.time_s[k]), opened.get(name)
        if event is not None and event.amps is not None and abs(event.amps) > amps:
            amps, at_s = abs(event.amps), event.time_s
        own, fuse = float(hardest.limit[k]), FUSE_FRAC * fused_a.get(name, math.inf)
        limit = min(own, fuse)
        moved = abs(float(look.record.out_ah[k] - look.record.in_ah[k])) / state.capacity_ah.value
        ratio = amps / max(limit, 1e-9)
        if amps > state.peak_limit_a() or (charging and limit <= 0.0 and amps >= FLOWS_C * state.capacity_ah.value):
            verdict = Verdict.FORBID
        elif ratio > CAUTION_FRAC:
            verdict = Verdict.ONLY_IF
        else:
            verdict = Verdict.CAUTION if ratio > FINE_FRAC or moved > CHARGE_FRAC else Verdict.FINE
        yield _Row(k, charging, amps, limit, at_s, float(hardest.temperature_c[k]), fuse < own, moved, verdict)


def _against(look: Look, row: _Row) -> str:
    """Say what limit a surge is held to, and what lowered it."""
    state = look.states[row.place]
    if row.fused:
        rated = look.fused_a[state.unit.id]
        return f"{Figure(row.limit):.3g} A, {FUSE_FRAC:g} of its {Figure(rated):.3g} A fuse"
    return taken_limit(state, row.limit, row.warmth_c) if row.taking else f"{Figure(row.limit):.3g} A"


def taken_limit(state: State, limit_a: float, at_c: float) -> str:
    """Say what a unit may take at a temperature, and what it may take when that lowers nothing."""
    whole = state.charge_limit_a()
    if limit_a >= 0.999 * whole:
        return f"{Figure(limit_a):.3g} A"
    own = "none at all" if limit_a <= 0.0 else f"{Figure(limit_a):.3g} A"
    return f"{own} as it is at {Figure(round(at_c, 1)):.3g} °C ({Figure(whole):.3g} A when neither cold nor hot)"


def _part(row: _Row) -> str:
    """Say what part of its limit a surge is, where that is why it is told as more than fine."""
    over = row.verdict is not Verdict.FINE and FINE_FRAC < row.ratio < 1.0
    return f", {row.ratio:.2g} of that" if over else ""


def _why(state: State, row: _Row) -> str:
    if row.amps > state.peak_limit_a():
        return "Above what it bears even for seconds: a slip of the lead is an arc and a burn."
    if row.verdict is Verdict.FORBID:
        return "It may take no charge at its temperature."
    if row.ratio > CAUTION_FRAC:
        return (
            f"More than half of its limit ({FINE_FRAC:g} of it is fine): it trips protection, stresses switches, and "
            "arcs where the last contact is made."
        )
    if row.ratio > FINE_FRAC:
        return f"More than {FINE_FRAC:g} of its limit: only the resistance of units and links holds a surge back."
    return "More than a tenth of its charge moves, and on a flat curve slowly."


def _do(look: Look, row: _Row) -> str:
    unlike = _unlike(look)
    if unlike:
        return f"Do not join: {unlike}."
    if row.verdict is Verdict.FORBID and row.amps <= look.states[row.place].peak_limit_a():
        return "Do not join: bring both to a temperature at which they may be charged, read again and judge again."
    if row.verdict is Verdict.FORBID:
        return "Do not join. Charge the low one alone, rest both, read again and judge again."
    return "Bring the units to one voltage first, or join through a resistor (hotchpot join)."


def _unlike(look: Look) -> str:
    """Return why branches can never be brought to one voltage, or nothing."""
    turned = [s.unit.id for s in look.states if s.ocv_v is not None and s.ocv_v.value <= 0.0]
    if turned:
        return f"{few(turned)} was read reversed, or with the leads swapped"
    for group in look.bank.parallels:
        volts = [child.nominal_v for child in group.children if not look.gone.issuperset(child.ids)]
        if volts and max(volts) > (1.0 + UNLIKE_FRAC) * min(volts):
            return f"these are branches of {min(volts):.4g} and {max(volts):.4g} V, and no voltage suits both"
    return ""


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


SURGES = (_surge,)

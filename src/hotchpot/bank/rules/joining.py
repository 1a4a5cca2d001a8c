"""What happens in the first minutes and hours when charged units meet."""

from __future__ import annotations

import math
from collections.abc import Iterator

from hotchpot.bank.bank import Bank, Node
from hotchpot.bank.rules.registry import Case, Outcome, Rule, listing, rule
from hotchpot.bank.surge import Joining, unit_currents
from hotchpot.bank.verdict import Gate, Verdict
from hotchpot.bench.state import State

FINE_FRAC, CAUTION_FRAC, CHARGE_FRAC = 0.2, 0.5, 0.10
FUSE_FRAC = 0.8
WATT_MARGIN = 2.0  # a resistor at its full rating is too hot to leave for hours


@rule(
    "join-rest",
    title="Rested before it is read",
    gate=Gate.CURRENT,
    questions=("join", "test"),
    decides="hours at rest before the voltage was read",
    source="chemistry data (rest_h_min)",
)
def rest(self: Rule, case: Case) -> Iterator[Outcome]:
    """Ask for rest where a voltage is still polarisation, or nobody noted how long the unit stood."""
    meeting = {name for node in (*case.parallels, *case.strings) for name in node.ids}
    for state in case.units:
        hours, needed = state.unit.rest_hours, state.chem.num("rest_h_min")
        matters = state.unit.id in meeting or "test" in case.plan.question
        if not matters or state.unit.rest_v is None or (hours is not None and hours >= needed - 1e-9):
            continue
        stood = "nobody noted how long it stood" if hours is None else f"it stood only {_span(hours)}"
        yield self.finding(
            Verdict.ONLY_IF,
            [state.unit.id],
            "rest before reading",
            value=hours,
            limit=needed,
            unit="h",
            says=f"{state.unit.id} reads {state.unit.rest_v:.2f} V, but {stood}.",
            why="Terminal voltage after charge or load is polarisation; the true gap and charge show only after rest.",
            do=f"Rest it {needed:g} h or more with nothing connected, read again, and judge again.",
            source=state.chem.cite("rest_h_min"),
        )


def _span(hours: float) -> str:
    return f"{60 * hours:.0f} min" if hours < 1 else f"{hours:.3g} h"


@rule(
    "join-surge",
    title="Joining current and charge moved",
    gate=Gate.CURRENT,
    questions=("join",),
    decides="joining current against each unit's own limit, charge moved against the smaller capacity",
    source="project rule: fine to 0.2 of the limit and 10 % of the capacity, caution to 0.5, forbid above the peak limit",
)
def surge(self: Rule, case: Case) -> Iterator[Outcome]:
    """Hold the first current at every parallel node to the limits of the units that carry it."""
    if case.bank is None:
        return
    for node in case.parallels:
        if len({child.cells for child in node.children}) > 1:
            continue  # decided at the cells gate
        if any(state.ocv_v is not None and state.ocv_v.value <= 0.0 for state in node.states):
            continue  # a reversed or dead unit is decided at the unit gate; nothing is to be computed on it
        joined = [j for j in case.surges if j.node is node]
        if joined:
            yield _surge_finding(self, case, case.bank, node, joined)


def _surge_finding(self: Rule, case: Case, bank: Bank, node: Node, joined: list[Joining]) -> Outcome:
    worst, unit, share, limit = max(
        (_hardest(case, bank, joining) for joining in joined), key=lambda row: row[2] / max(row[3], 1e-9)
    )
    doubt = _charge_doubt(joined)
    moved = max(abs(j.charge_ah or 0.0) / j.branch.capacity_ah.value for j in joined)
    ratio = share / max(limit, 1e-9)
    peak = _peak_passed(bank, joined)
    verdict = Verdict.FINE
    if peak is not None:
        verdict, (worst, unit, limit) = Verdict.FORBID, peak
    elif ratio > CAUTION_FRAC:
        verdict = Verdict.ONLY_IF
    elif ratio > FINE_FRAC or moved + doubt > CHARGE_FRAC:
        verdict = Verdict.CAUTION
    reason = (
        "More than a fifth of a unit's limit." if ratio > FINE_FRAC else "More than a tenth of a unit's charge moves."
    )
    if ratio <= FINE_FRAC and moved <= CHARGE_FRAC:
        reason = f"The voltages agree, but on a flat curve they hide up to {100 * doubt:.0f} % of a unit's charge."
    why, do = _surge_words(verdict, worst, limit, reason)
    return self.finding(
        verdict,
        node.ids,
        "joining current",
        value=worst.worst,
        limit=limit,
        unit="A",
        says=_surge_says(worst, unit, limit),
        why=why,
        do=do,
    )


def _hardest(case: Case, bank: Bank, joining: Joining) -> tuple[Joining, State, float, float]:
    """The unit of a branch that the joining current drives hardest; both currents are the whole branch's."""
    amps = joining.worst.upper()
    giving = joining.current_a.value > 0
    parts = unit_currents(joining.branch, amps, bank.branch_ohm)
    rows = []
    for state in joining.branch.states:
        limit = state.discharge_limit_a() if giving else state.charge_limit_at(state.temperature_c)
        rows.append((joining, state, amps, limit * amps / max(parts[state.unit.id], 1e-9)))
    hardest = min(rows, key=lambda row: row[3])
    fuse = case.plan.protection.unit_fuse_a
    if fuse and FUSE_FRAC * fuse < hardest[3]:
        return joining, hardest[1], amps, FUSE_FRAC * fuse
    return hardest


def _charge_doubt(joined: list[Joining]) -> float:
    """Return the part of a unit's charge that may move unseen: 95 % of the doubt of two charges that meet halfway."""
    doubts = sorted(max(s.soc_doubt_frac for s in joining.branch.states) for joining in joined)
    return 1.645 * math.hypot(*doubts[-2:]) / 2


def _peak_passed(bank: Bank, joined: list[Joining]) -> tuple[Joining, State, float] | None:
    """Return the branch, unit and short-time limit that the surge would pass by most, or None."""
    rows = []
    for joining in joined:
        amps = joining.worst.upper()
        parts = unit_currents(joining.branch, amps, bank.branch_ohm)
        for state in joining.branch.states:
            passed = parts[state.unit.id] / state.peak_limit_a()
            # The limit on the whole branch at which this unit's part of it is at its own.
            rows.append((passed, joining, state, amps / passed if passed > 0.0 else math.inf))
    ratio, joining, state, limit = max(rows, key=lambda row: row[0])
    return (joining, state, limit) if ratio > 1.0 else None


def _surge_says(worst: Joining, unit: State, limit: float) -> str:
    text = (
        f"{abs(worst.gap_v):.3g} V between {listing(worst.branch.ids, 3)} and the rest: {worst.worst:.3g} A at first, "
        f"against {limit:.3g} A for {unit.unit.id}"
    )
    if worst.charge_ah is not None and abs(worst.charge_ah) >= 0.05:
        text += f"; {abs(worst.charge_ah):.3g} Ah move"
        if worst.hours:
            text += f", most of it in the order of {_span(worst.hours)}"
        if worst.heat_j and worst.heat_j >= 1000:
            text += f", {worst.heat_j / 1000:.3g} kJ of heat"
    return text + "."


def _surge_words(verdict: Verdict, worst: Joining, limit: float, reason: str) -> tuple[str, str]:
    doubled = "The first instant can be twice this, as the 10 s resistance is higher than the instant one."
    if verdict is Verdict.FINE:
        return (
            "Small against every unit's limit. " + doubled,
            "Join through the fuse, clamp meter on, gloves and goggles.",
        )
    if limit <= 0.0:
        return (
            "The unit that takes this current may take none at its temperature.",
            "Bring both to a temperature at which they may be charged, read again and judge again.",
        )
    if verdict is Verdict.CAUTION:
        return (
            f"{reason} {doubled}",
            "Better: charge each alone to full and rest it. Else join with the clamp meter on and see the current fall.",
        )
    if verdict is Verdict.ONLY_IF:
        ohm = rounded_up(abs(worst.gap_v) / (FINE_FRAC * limit))
        watt = rounded_up(WATT_MARGIN * worst.gap_v**2 / ohm) if ohm else 0.0
        return (
            "More than half of a unit's limit: it trips protection, stresses its switches, and sparks at the terminal. "
            + doubled,
            f"Charge each alone to the same voltage first, or join through {ohm:g} Ω or more, rated {watt:g} W or more.",
        )
    return (
        "Above what a unit may give even for seconds: a slip of the lead is an arc and a burn. " + doubled,
        "Do not join. Charge the low one alone, rest both, read again and judge again.",
    )


def rounded_up(value: float, digits: int = 2) -> float:
    """Return a part's value rounded up to so many digits: a resistor or its watts must never come out too small."""
    if value <= 0.0:
        return 0.0
    step = 10.0 ** (math.floor(math.log10(value)) - digits + 1)
    return float(f"{math.ceil(value / step - 1e-9) * step:.{digits}g}")

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
READING_TOLERANCE = 0.03
WATT_MARGIN = 2.0  # a resistor at its full rating is too hot to leave for hours
TRIP_SPREAD_K = 10.0


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
            # The limit on the whole branch at which this unit's part of it is at its own.
            branch_limit = state.peak_limit_a() * amps / max(parts[state.unit.id], 1e-9)
            rows.append((amps / branch_limit, joining, state, branch_limit))
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
            text += f", two thirds of it within {_span(worst.hours)}"
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


@rule(
    "join-temperature",
    title="Temperatures alike",
    gate=Gate.CURRENT,
    questions=("join", "operate"),
    decides="temperature spread between units that share terminals or a current",
    source="5 K warn, 10 K trip in a running bank: common practice, no source; life halves per 10 K: IEEE 1188 practice",
)
def temperature(self: Rule, case: Case) -> Iterator[Outcome]:
    """Warn of units at unlike temperatures: the warm one takes more charge and ages faster."""
    if case.bank is None:
        return
    known = [state for state in case.units if state.unit.temperature_c is not None]
    if len(known) < 2:
        return
    hot, cold = max(known, key=lambda s: s.temperature_c), min(known, key=lambda s: s.temperature_c)
    spread = hot.temperature_c - cold.temperature_c
    if spread < 5.0:
        return
    gap = hot.unit.cells * abs(hot.chem.num("ocv_temp_coeff")) * spread
    running_hot = "operate" in case.plan.question and spread > TRIP_SPREAD_K
    yield self.finding(
        Verdict.FORBID if running_hot else Verdict.CAUTION,
        [hot.unit.id, cold.unit.id],
        "temperature spread",
        value=spread,
        limit=TRIP_SPREAD_K if running_hot else 5.0,
        unit="K",
        says=f"{hot.unit.id} is {spread:.0f} K warmer than {cold.unit.id}; that alone shifts its voltage by only {gap:.0f} mV.",
        why="The circulating current dies away, but the warm unit takes more charge, leaks twice as fast and ages twice as "
        "fast per 10 K.",
        do="Stop and disconnect it: in a running bank that is a failing unit or joint. Let it cool outdoors and test it."
        if running_hot
        else "Give both the same air: move them from sun, stove or wall, leave a finger's gap, and read again.",
        source=f"{self.source}; {hot.chem.cite('ocv_temp_coeff')}",
    )


@rule(
    "join-reading",
    title="String voltage as read",
    gate=Gate.UNIT,
    questions=("join", "build"),
    decides="string voltage read against the sum of its units",
    source="Kirchhoff's voltage law; 3 % covers a hand meter and the curve",
)
def reading(self: Rule, case: Case) -> Iterator[Outcome]:
    """Stop when a string does not read the sum of its units; tell a reversed unit from a missing one."""
    volts = case.plan.wiring.reading_v
    if volts is None or case.bank is None:
        return
    expected = case.bank.root.ocv_v
    if expected is None:
        yield self.unasked("rest_v or soc_frac of every unit", "The reading cannot be compared with the units' sum.")
        return
    off = abs(volts - expected.value) / expected.value
    if off <= READING_TOLERANCE:
        yield _reading_finding(self, case, volts, Verdict.FINE, "the sum of its units, as it should")
        return
    yield _reading_finding(self, case, volts, Verdict.FORBID, _reading_cause(case, volts, expected.value))


def _reading_cause(case: Case, volts: float, expected: float) -> str:
    tolerance = READING_TOLERANCE * expected
    for state in case.units:
        own = state.ocv_v.value if state.ocv_v else 0.0
        if abs(expected - 2 * own - volts) <= tolerance:
            return f"what it reads with one unit reversed (such as {state.unit.id})"
        if abs(expected - own - volts) <= tolerance:
            return f"what it reads with one unit missing or dead (such as {state.unit.id})"
    return "not the sum of its units"


def _reading_finding(self: Rule, case: Case, volts: float, verdict: Verdict, cause: str) -> Outcome:
    assert case.bank is not None
    assert case.bank.root.ocv_v is not None
    expected = case.bank.root.ocv_v.value
    fine = verdict is Verdict.FINE
    return self.finding(
        verdict,
        case.bank.root.ids,
        "string voltage",
        value=volts,
        limit=expected,
        unit="V",
        says=f"It reads {volts:.1f} V where {expected:.1f} V is expected: {cause}.",
        why="A charger would drive a reversed unit further; a missing one hides an open or shorted unit.",
        do="Go on."
        if fine
        else "Stop. Read each unit with the meter's red lead on its plus, and mend the one that is wrong.",
    )


@rule(
    "makers-count",
    title="Makers' limits in series and parallel",
    gate=Gate.CELLS,
    questions=("join", "build"),
    decides="units in series and in parallel against what their maker allows",
    source="the unit's own label or manual, as entered in the pile",
)
def makers_count(self: Rule, case: Case) -> Iterator[Outcome]:
    """Hold the counts to what the makers allow."""
    if case.bank is None:
        return
    for word, node, count, name in _counts(case.bank.root):
        limits = [(getattr(s.unit, name), s) for s in node.states if getattr(s.unit, name) is not None]
        if not limits:
            continue
        limit, state = min(limits, key=lambda row: row[0])
        if count > limit:
            volts = sum(s.unit.cells * s.chem.num("charge_max_v") for s in node.states) if word == "series" else None
            high = f" At full charge that is {volts:.1f} V." if volts else ""
            yield self.finding(
                Verdict.FORBID,
                node.ids,
                f"units in {word}",
                value=float(count),
                limit=float(limit),
                says=f"{count} units in {word}, where the maker of {state.unit.id} allows {limit}.{high}",
                why="Its switches and insulation are made for that many; beyond, an open switch sees the whole string.",
                do=f"Use {limit} or fewer in {word}.",
            )


def _counts(root: Node) -> Iterator[tuple[str, Node, int, str]]:
    for node in root.walk():
        if node.is_series:
            yield "series", node, _units_in_series(node), "max_in_series"
        elif node.is_parallel:
            yield "parallel", node, len(node.children), "max_in_parallel"


def _units_in_series(node: Node) -> int:
    if not node.children:
        return 1
    counts = [_units_in_series(child) for child in node.children]
    return sum(counts) if node.is_series else max(counts)


@rule(
    "strings-count",
    title="How many strings side by side",
    gate=Gate.CURRENT,
    questions=("join", "build"),
    decides="branches in parallel without a busbar with equal leads",
    source="lead 3 to 4, lithium 5: common practice and one maker's manual",
)
def strings_count(self: Rule, case: Case) -> Iterator[Outcome]:
    """Warn of many branches without a busbar: the weak one hides."""
    if case.bank is None or case.plan.wiring.takeoff == "busbar":
        return
    root = case.bank.root
    node = next((n for n in case.parallels if n is root), None)
    if node is None:
        return
    limit = 5 if all(s.chem.kind == "lithium" for s in node.states) else 4
    count = len(node.children)
    if count <= limit:
        return
    yield self.finding(
        Verdict.CAUTION,
        node.ids,
        "branches in parallel",
        value=float(count),
        limit=float(limit),
        says=f"{count} branches in parallel without a busbar.",
        why="Shares drift apart as branches are added, and a weak one is hard to find among many.",
        do="Use a busbar with equal leads to every branch, a fuse in each, and check each branch's amps by clamp.",
    )

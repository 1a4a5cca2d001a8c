"""Do the members match the plan and one another: temperature, string reading, counts in series and parallel."""

from __future__ import annotations

from collections.abc import Iterator

from hotchpot.bank.bank import Node
from hotchpot.bank.rules.registry import Case, Outcome, Rule, rule
from hotchpot.bank.verdict import Gate, Verdict

READING_TOLERANCE = 0.03
TRIP_SPREAD_K = 10.0


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
    off = abs(volts - expected.value) / max(abs(expected.value), 0.1)
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

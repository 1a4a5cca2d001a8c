"""Who carries the load in a parallel bank: at the start, at the end of discharge, and when one string drops out."""

from __future__ import annotations

import math
from collections.abc import Iterator

from hotchpot.bank.bank import Bank, Node
from hotchpot.bank.rules.registry import Case, Outcome, Rule, listing, rule
from hotchpot.bank.sharing import Sharing, discharge_shares
from hotchpot.bank.surge import unit_currents
from hotchpot.bank.verdict import Gate, Verdict
from hotchpot.bench.state import State
from hotchpot.measure import Measure, weakest

UNLIKE_PACKS_FRAC, FUSE_FRAC, ALONE_FRAC = 0.10, 0.8, 0.8


@rule(
    "share-worst",
    title="Worst share of the load",
    gate=Gate.CURRENT,
    questions=("join", "discharge", "operate", "build"),
    decides="each unit's largest current over a whole discharge against its own limit",
    source="discharge solved step by step (methods: sharing); limits from the chemistry data or the unit's label",
)
def worst(self: Rule, case: Case) -> Iterator[Outcome]:
    """Hold every unit's largest share, at any time of the discharge, to its own limit."""
    if case.bank is None or not case.parallels or not _comparable(case):
        return
    load = case.load_a
    if load is None:
        yield self.unasked("duty.load_a or duty.load_w", "Who carries what depends on the load.")
        return
    if load <= 0:
        return
    shares = discharge_shares(case.bank, load)
    state, amps, i = max(
        ((s, shares.worst_a[i], i) for i, s in enumerate(case.bank.units)),
        key=lambda row: row[1] / row[0].discharge_limit_a(),
    )
    limit, peak = state.discharge_limit_a(), state.peak_limit_a()
    share = _doubted(state, amps, load)
    high = share.upper()
    verdict = Verdict.FORBID if high > peak else Verdict.ONLY_IF if high > limit * 1.0001 else Verdict.FINE
    yield self.finding(
        verdict,
        [state.unit.id],
        "worst share of the load",
        value=share,
        limit=peak if verdict is Verdict.FORBID else limit,
        unit="A",
        says=f"Of {load:.3g} A, {state.unit.id} carries {abs(shares.first_a[i]):.3g} A at first and up to {amps:.3g} A after "
        f"{shares.worst_hour[i]:.2g} h of {shares.hours:.2g} h.",
        why=_moved(shares, i),
        do="Nothing; check the shares by clamp at the first load."
        if verdict is Verdict.FINE
        else f"Keep the load at {load * limit / high:.3g} A or less, or take {state.unit.id} out.",
        source=state.chem.cite("discharge_c_cont"),
    )
    yield from _alone(self, case, case.bank, shares)
    yield from _string_fuse(self, case, shares)


def _doubted(state: State, amps: float, load: float) -> Measure:
    """
    Return a share with its doubt: dI/I = (1 - w) dG/G to first order for a unit with the part w of the current.

    Early on G is one over resistance, late it goes with capacity; both doubts are taken.
    """
    relative = math.hypot(
        state.resistance_mohm.sd / state.resistance_mohm.value, state.capacity_ah.sd / state.capacity_ah.value
    )
    basis = weakest((state.resistance_mohm.basis, state.capacity_ah.basis))
    return Measure(amps, amps * max(0.0, 1.0 - amps / load) * relative, basis)


def _moved(shares: Sharing, i: int) -> str:
    if shares.worst_a[i] > 1.2 * abs(shares.first_a[i]):
        return "The share starts at one over resistance, drifts to capacity over slope, and the unit with charge left takes it all."
    return "Its share is set by its resistance from the start."


def _string_fuse(self: Rule, case: Case, shares: Sharing) -> Iterator[Outcome]:
    """A string fuse below its share opens under load, and the next one after it."""
    fuse = case.plan.protection.unit_fuse_a
    if not fuse or not case.plan.asks("build") or case.bank is None:
        return
    position = {name: i for i, name in enumerate(shares.ids)}
    rows = [(_branch_worst(child, shares, position), child) for node in case.parallels for child in node.children]
    amps, child = max(rows, key=lambda row: row[0])
    if amps <= FUSE_FRAC * fuse:
        return
    yield self.finding(
        Verdict.ONLY_IF if amps > fuse else Verdict.CAUTION,
        child.ids,
        "share through a string fuse",
        value=amps,
        limit=FUSE_FRAC * fuse,
        unit="A",
        says=f"{listing(child.ids, 3)} carries up to {amps:.3g} A through a fuse of {fuse:g} A.",
        why="Loaded beyond 80 % a fuse ages and opens under load; then the next string takes its share and follows.",
        do=f"Use string fuses of {amps / FUSE_FRAC:.0f} A or more, and leads to match.",
        source="80 % rule: common practice, no source",
    )


def _alone(self: Rule, case: Case, bank: Bank, shares: Sharing) -> Iterator[Outcome]:
    """The share of each unit when the strongest other branch beside it has dropped out, at any parallel node."""
    rows = [row for node in case.parallels for row in _when_lost(bank, node, shares)]
    ratio, amps, state, lost = max(rows, key=lambda row: row[0])
    if ratio < ALONE_FRAC:
        return
    yield self.finding(
        Verdict.ONLY_IF,
        [state.unit.id],
        "share when one string is lost",
        value=amps,
        limit=state.discharge_limit_a(),
        unit="A",
        says=f"If {listing(lost.ids, 3)} drops out, {state.unit.id} carries {amps:.3g} A, against {state.discharge_limit_a():.3g} A.",
        why="A fuse or a protection switch opens under load; the units left take its share at once, and above 80 % of what "
        "one may carry its own fuse or switch opens next.",
        do=f"Give every string its own fuse, sized to that string, and shed load above "
        f"{ALONE_FRAC * shares.load_a / ratio:.3g} A when one is lost.",
        source=state.chem.cite("discharge_c_cont"),
    )


def _when_lost(bank: Bank, node: Node, shares: Sharing) -> Iterator[tuple[float, float, State, Node]]:
    """
    Yield, for each unit of a node, its current over its limit once the strongest branch beside its own is lost.

    The branches left share what the node carries by capacity, or as they did at their worst, scaled up.
    """
    position = {name: i for i, name in enumerate(shares.ids)}
    now = [_branch_worst(child, shares, position) for child in node.children]
    carried = min(shares.load_a, sum(now))
    whole = node.capacity_ah.value
    strongest = sorted(node.children, key=lambda child: child.capacity_ah.value)[-2:]
    for child, worst_a in zip(node.children, now, strict=True):
        lost = strongest[-1] if child is not strongest[-1] else strongest[0]
        left = whole - lost.capacity_ah.value
        amps = carried
        if len(node.children) > 2:
            amps = min(carried, max(carried * child.capacity_ah.value / left, worst_a * whole / left))
        for state, own in zip(child.states, unit_currents(child, amps, bank.branch_ohm).values(), strict=True):
            yield own / state.discharge_limit_a(), own, state, lost


def _branch_worst(child: Node, shares: Sharing, position: dict[str, int]) -> float:
    worst = [shares.worst_a[position[name]] for name in child.ids]
    return sum(worst) if child.is_parallel else max(worst)


def _comparable(case: Case) -> bool:
    """Whether the parallel branches may be joined at all; if not, other gates have decided."""
    for node in case.parallels:
        if len({child.cells for child in node.children}) > 1 or len({s.chem.family for s in node.states}) > 1:
            return False
    return True


@rule(
    "packs-alone",
    title="Unlike protected packs side by side",
    gate=Gate.PROTECTION,
    questions=("join", "build", "operate"),
    decides="load against what the smallest protected pack carries when the other has tripped",
    source="physics: packs of unlike size do not trip together; limits from labels and chemistry data",
)
def packs_alone(self: Rule, case: Case) -> Iterator[Outcome]:
    """Ask that each protected pack can carry the whole load, as unlike packs trip one before the other."""
    for node in case.parallels:
        packs = [s for s in node.states if s.unit.bms and s.chem.kind == "lithium" and s.unit.cells > 1]
        if len(packs) < len(node.states) or len(packs) < 2:
            continue
        sizes = [child.capacity_ah.value for child in node.children]
        if (max(sizes) - min(sizes)) / max(sizes) <= UNLIKE_PACKS_FRAC or case.load_a is not None:
            continue  # with a known load the share rule has decided
        smallest = min(packs, key=State.discharge_limit_a)
        limit = smallest.discharge_limit_a()
        yield self.finding(
            Verdict.ONLY_IF,
            node.ids,
            "load that one pack may have to carry",
            limit=limit,
            unit="A",
            says=f"Packs of {min(sizes):.3g} and {max(sizes):.3g} Ah, each with its own protection: one always trips first.",
            why="Most trips happen under load or at the top of charge; the pack left takes all of it.",
            do=f"Only if the load stays at {limit:.3g} A or less and the charger at the lower of the two packs' limits "
            f"({min(s.charge_limit_a() for s in packs):.3g} A, {min(s.unit.cells * s.chem.num('charge_max_v') for s in packs):.1f} V).",
        )

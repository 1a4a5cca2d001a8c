"""Fuses: at each string and in the main lead, what they must break, and the cable they protect."""

from __future__ import annotations

import math
from collections.abc import Iterator

from hotchpot.bank.bank import Bank, Node, open_v, sum_over_cells
from hotchpot.bank.rules.registry import Case, Outcome, Rule, rule
from hotchpot.bank.verdict import Gate, Verdict
from hotchpot.electrics.conductors import ampacity_band
from hotchpot.measure import Basis

INTERRUPT_MARGIN = 1.25
SURE_TO_OPEN_FRAC = 0.5  # a fuse clears fast from a few times its rating on; engineering guess
FUSE_LOAD_FRAC = 0.8


def fault_current_a(node: Node) -> float:
    """
    Return the prospective short-circuit current of a block by 10 s resistances, the first instant up to twice. [A]

    Links are left out: what is not known must not make a fault look smaller. Neither must an aged unit's assumed
    resistance, so a unit that was never measured counts as a new one.
    """
    return abs(open_v(node)) / _fault_ohm(node)


def worst_feed(bank: Bank) -> tuple[Node, float, float]:
    """
    Return the parallel node whose branches feed one faulty branch most, that current, and the least such feed anywhere.

    A branch's fuse must break what all the others feed into it; it must also open on the weakest such feed. [A]
    """
    worst: tuple[Node, float] | None = None
    least = math.inf
    for node in bank.parallels:
        feeds = [fault_current_a(child) for child in node.children]
        most = sum(feeds) - min(feeds)
        least = min(least, sum(feeds) - max(feeds))
        if worst is None or most > worst[1]:
            worst = (node, most)
    assert worst is not None
    return worst[0], worst[1], least


def _fault_ohm(node: Node) -> float:
    if not node.children:
        state = node.states[0]
        measured = state.resistance_mohm.value
        if state.resistance_mohm.basis is Basis.ASSUMED:
            measured = min(measured, state.chem.typical_mohm(state.unit.cells, state.unit.rated_ah))
        return measured * 1e-3
    parts = [_fault_ohm(child) for child in node.children]
    return sum(parts) if node.is_series else 1.0 / sum(1.0 / part for part in parts)


@rule(
    "fuse-string",
    title="A fuse at each parallel string",
    gate=Gate.PROTECTION,
    questions=("join", "build", "operate"),
    decides="fuse per string; the current that the other strings feed into one fault",
    source="installation practice for parallel strings; a fuse in every string from two on",
)
def string_fuse(self: Rule, case: Case) -> Iterator[Outcome]:
    """Ask for a dc fuse in every parallel string."""
    if case.bank is None or not case.bank.parallels:
        return
    fuse = case.plan.protection.unit_fuse_a
    node, current, weakest_a = worst_feed(case.bank)
    if fuse:
        if fuse > SURE_TO_OPEN_FRAC * weakest_a and case.plan.asks("build"):
            yield _fuse_too_large(self, node, fuse, weakest_a)
        return
    verdict = Verdict.ONLY_IF if fuse is None else Verdict.FORBID
    if node is not case.bank.root and all(s.unit.cells == 1 for s in node.states):
        verdict = Verdict.CAUTION  # cells side by side inside one pack are often bound without a fuse each
    elif case.plan.charger.separate_converters:
        verdict = Verdict.ONLY_IF  # a converter feeds a fault with what it may give, not with a short circuit
    yield self.finding(
        verdict,
        node.ids,
        "fault current from the other strings",
        value=current,
        limit=0.0,
        unit="A",
        says=f"{len(node.children)} branches in parallel and "
        + ("no word of fuses" if fuse is None else "no fuse in them")
        + f": a fault in one is fed {current:.0f} A by the rest.",
        why="Protection electronics are no short-circuit device at this level; the leads glow and the faulty unit burns.",
        do=f"Fit a dc fuse at the positive of every branch, within a hand's breadth of it, that can break "
        f"{INTERRUPT_MARGIN * current / 1000:.1f} kA at {node_max_v(node):.0f} V or more.",
    )


def node_max_v(node: Node) -> float:
    """Return the highest charge voltage of a block. [V]"""
    return sum_over_cells(node, "charge_max_v")


def _fuse_too_large(self: Rule, node: Node, fuse: float, current: float) -> Outcome:
    return self.finding(
        Verdict.FORBID if fuse > current else Verdict.ONLY_IF,
        node.ids,
        "string fuse",
        value=fuse,
        limit=SURE_TO_OPEN_FRAC * current,
        unit="A",
        says=f"String fuses of {fuse:.0f} A; the weakest fault that it must clear is {current:.0f} A.",
        why="A fuse opens quickly only well above its rating; before that the unit and its leads burn.",
        do=f"Use a fuse of {SURE_TO_OPEN_FRAC * current:.0f} A or less, and no more than the cable carries.",
    )


@rule(
    "fuse-interrupt",
    title="Can the fuse break the fault",
    gate=Gate.PROTECTION,
    questions=("build", "operate"),
    decides="interrupt rating against 1.25 times the prospective current; fuse volts against the highest charge volts",
    source="Ohm's law on the 10 s resistance (first instant up to twice); margin 1.25: engineering guess",
)
def interrupt(self: Rule, case: Case) -> Iterator[Outcome]:
    """Hold fuses to the fault they must break and the voltage across them when open."""
    if case.bank is None:
        return
    protection = case.plan.protection
    current = max(fault_current_a(node) for node in case.bank.root.walk())
    if protection.fuse_interrupt_ka is None:
        yield self.unasked("protection.fuse_interrupt_ka", f"A dead short would draw {current / 1000:.2g} kA or more.")
    else:
        yield _interrupt_finding(self, case, protection.fuse_interrupt_ka * 1000.0, current)
    if protection.fuse_volts is None:
        yield self.unasked("protection.fuse_volts", f"The fuses must be rated {case.max_v:.0f} V dc or more.")
    if protection.fuse_volts is not None and protection.fuse_volts < case.max_v - 1e-9:
        yield self.finding(
            Verdict.FORBID,
            case.bank.root.ids,
            "fuse voltage rating",
            value=protection.fuse_volts,
            limit=case.max_v,
            unit="V",
            says=f"The fuse is rated {protection.fuse_volts:.0f} V dc; the bank reaches {case.max_v:.1f} V.",
            why="A fuse above its dc voltage arcs on instead of opening.",
            do=f"Use a fuse rated {case.max_v:.0f} V dc or more.",
        )


def _interrupt_finding(self: Rule, case: Case, rated: float, current: float) -> Outcome:
    assert case.bank is not None
    verdict = Verdict.FINE
    if rated < current:
        verdict = Verdict.FORBID
    elif rated < INTERRUPT_MARGIN * current:
        verdict = Verdict.ONLY_IF
    return self.finding(
        verdict,
        case.bank.root.ids,
        "interrupt rating",
        value=rated / 1000.0,
        limit=INTERRUPT_MARGIN * current / 1000.0,
        unit="kA",
        says=f"The fuse breaks {rated / 1000:.3g} kA; a dead short draws {current / 1000:.3g} kA, in the first "
        "instant up to twice that.",
        why="Enough." if verdict is Verdict.FINE else "Beyond its rating a fuse bursts or arcs on.",
        do="Nothing." if verdict is Verdict.FINE else "Use a dc fuse made for batteries, 20 kA class or more.",
    )


@rule(
    "fuse-cable",
    title="Fuse against cable and load",
    gate=Gate.PROTECTION,
    questions=("build", "operate"),
    decides="fuse against the cable's ampacity, load against 0.8 of the fuse",
    source="ampacity: 33 CFR 183.425 Table 5, single conductor in free air; 80 % rule: common practice",
)
def cable(self: Rule, case: Case) -> Iterator[Outcome]:
    """Make the fuse, not the cable, the weakest part."""
    protection, area = case.plan.protection, case.plan.wiring.cable_mm2
    ids = [s.unit.id for s in case.units]
    branches = len(case.bank.root.children) if case.bank and case.bank.root.is_parallel else 1
    through_strings = branches * (protection.unit_fuse_a or 0.0)
    if protection.main_fuse_a == 0 and (branches > 1 or not through_strings):
        yield _no_main_fuse(self, case, ids, through_strings)
    elif protection.main_fuse_a is None and branches > 1 and through_strings:
        yield self.unasked("protection.main_fuse_a", f"The string fuses together let {through_strings:.0f} A pass.")
    fuse = max(protection.main_fuse_a or through_strings, protection.unit_fuse_a or 0.0)
    if not fuse:
        return
    if area is None:
        yield self.unasked("wiring.cable_mm2", f"{fuse:.0f} A of fuse need a cable that carries {fuse:.0f} A.")
    else:
        cautious, best = ampacity_band(area)
        verdict = Verdict.FORBID if fuse > best else Verdict.ONLY_IF if fuse > cautious else Verdict.FINE
        yield self.finding(
            verdict,
            ids,
            "fuse against cable",
            value=fuse,
            limit=cautious if verdict is not Verdict.FORBID else best,
            unit="A",
            says=f"{fuse:.0f} A of fuse on {area:g} mm², which carries {cautious:.0f} A (75 °C insulation) to {best:.0f} A (105 °C).",
            why="The fuse opens first."
            if verdict is Verdict.FINE
            else "The cable is the fuse: its insulation burns first.",
            do="Nothing."
            if verdict is Verdict.FINE
            else f"Use a thicker cable or a fuse of {cautious:.0f} A or less"
            + (", unless the insulation is marked 105 °C and it lies single in free air." if fuse <= best else "."),
        )
    load = case.load_a
    if load is not None and protection.main_fuse_a and load > FUSE_LOAD_FRAC * protection.main_fuse_a:
        yield self.finding(
            Verdict.ONLY_IF,
            ids,
            "load against fuse",
            value=load,
            limit=FUSE_LOAD_FRAC * protection.main_fuse_a,
            unit="A",
            says=f"The load draws {load:.3g} A through a main fuse of {protection.main_fuse_a:.0f} A.",
            why="Loaded beyond 80 % a fuse ages, heats its holder and opens when it should not.",
            do=f"Use a main fuse of {load / FUSE_LOAD_FRAC:.0f} A or more, and a cable to match.",
        )


def _no_main_fuse(self: Rule, case: Case, ids: list[str], through_a: float) -> Outcome:
    fault_a = fault_current_a(case.bank.root) if case.bank else 0.0
    fed = f"the string fuses together let {through_a:.0f} A" if through_a else f"a fault draws {fault_a:.0f} A"
    return self.finding(
        Verdict.ONLY_IF if through_a else Verdict.FORBID,
        ids,
        "main fuse",
        value=through_a or fault_a,
        limit=0.0,
        unit="A",
        says=f"There is no main fuse: {fed} into the main cable.",
        why="Each string fuse guards its own lead; a fault behind the bar is fed through all of them."
        if through_a
        else "Nothing but the cable would stop a short circuit.",
        do="Fit a main fuse of no more than the main cable carries.",
    )

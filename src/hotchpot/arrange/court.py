"""
The judge as the search uses it: each arrangement judged once, and what one verdict says about others remembered.

Only two kinds of findings are carried over, and only because their rules look at nothing else: a finding on a unit
by itself holds in every bank with that unit, and one on a parallel or series node in every bank with that node.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from hotchpot.bank.arrangement import Block, Single, ids, walk
from hotchpot.bank.bank import Bank, assumed_link_ohm
from hotchpot.bank.judge import judge
from hotchpot.bank.plan import Plan
from hotchpot.bank.rules import Case
from hotchpot.bank.verdict import Finding, Judgement, Verdict
from hotchpot.bench.state import State

# Rules whose `forbid` names units each of which spoils any bank of more than one cell in series.
UNIT_RULES = frozenset(
    {
        "unit-look",
        "unit-polarity",
        "unit-rest-voltage",
        "unit-capacity",
        "unit-resistance",
        "unit-warm",
        "unit-gravity",
        "unit-self-discharge",
        "lithium-protection",
    }
)
# Rules whose `forbid` names the units of one node and rests on that node, its links and the plan alone.
NODE_RULES = frozenset(
    {"join-surge", "makers-count", "nickel-parallel", "chemistry-parallel", "chemistry-series", "cells-parallel"}
)


class Court:
    """Judges the arrangements of one search."""

    def __init__(self, states: Sequence[State], plan: Plan) -> None:
        self.states: Mapping[str, State] = {state.unit.id: state for state in states}
        # A reading and taps belong to one arrangement that stands already, not to those that are looked for.
        wiring = replace(plan.wiring, reading_v=None, taps=())
        self.plan = replace(plan, arrangement=None, question=asked(plan), wiring=wiring)
        self.stated_link_ohm = None if wiring.link_mohm is None else wiring.link_mohm * 1e-3
        self.spoilt: dict[str, str] = {}
        self.first_refusal: tuple[Block, Finding] | None = None
        self._spoilt_nodes: set[Block] = set()
        self._known: dict[Block, Judgement] = {}

    def bank(self, block: Block) -> Bank:
        """Return an arrangement as a bank of this pile."""
        stated = self.stated_link_ohm
        link = assumed_link_ohm(self.states[name] for name in ids(block)) if stated is None else stated
        return Bank(block, self.states, link)

    def judgement(self, block: Block) -> Judgement:
        """Return what the judge says of an arrangement."""
        if block not in self._known:
            bank = self.bank(block)
            self._known[block] = found = judge(Case(self.plan, bank.units, bank))
            if found.verdict is Verdict.FORBID:
                self._learn(block, found.findings)
        return self._known[block]

    def allows(self, block: Block) -> bool:
        """Tell whether an arrangement is not forbidden; judges it only where nothing known forbids it."""
        if any(node in self._spoilt_nodes for node in walk(block)) or not self.spoilt.keys().isdisjoint(ids(block)):
            return False
        return self.judgement(block).verdict is not Verdict.FORBID

    def _learn(self, block: Block, findings: Iterable[Finding]) -> None:
        for finding in findings:
            if finding.verdict is not Verdict.FORBID:
                break  # findings come worst first
            if self.first_refusal is None:
                self.first_refusal = block, finding
            if finding.code in UNIT_RULES:
                self.spoilt.update(dict.fromkeys(finding.subject, finding.says))
            elif finding.code in NODE_RULES:
                nodes = (node for node in walk(block) if not isinstance(node, Single))
                self._spoilt_nodes.update(node for node in nodes if ids(node) == finding.subject)


def asked(plan: Plan) -> tuple[str, ...]:
    """Return what a proposal is judged on: what the plan asks, else joining, and discharge where the load is stated."""
    if plan.question:
        return plan.question
    load = plan.duty.load_a is not None or plan.duty.load_w is not None
    return ("join", "discharge") if load else ("join",)

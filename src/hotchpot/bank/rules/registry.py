"""The rules' register: every rule is a function from a case to what it has to say, under one code."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from hotchpot.bank.bank import Bank, Node, sum_over_cells
from hotchpot.bank.plan import Plan
from hotchpot.bank.surge import Joining, joinings
from hotchpot.bank.verdict import Finding, Gate, Unasked, Verdict
from hotchpot.bench.state import State
from hotchpot.measure import Measure

EVERY_USE = ("accept", "join", "charge", "discharge", "build", "operate", "tap")
EVERY_BANK = ("join", "charge", "discharge", "build", "operate", "tap")


@dataclass(frozen=True)
class Case:
    """What is before the judge: a bank, or loose units without one, and the plan."""

    plan: Plan
    units: tuple[State, ...]
    bank: Bank | None = None

    @cached_property
    def parallels(self) -> tuple[Node, ...]:
        """Parallel nodes whose branches meet directly, not through converters of their own."""
        if self.bank is None:
            return ()
        if self.plan.charger.separate_converters:
            return tuple(node for node in self.bank.parallels if node is not self.bank.root)
        return self.bank.parallels

    @cached_property
    def strings(self) -> tuple[Node, ...]:
        """Series nodes."""
        return () if self.bank is None else self.bank.strings

    @cached_property
    def surges(self) -> tuple[Joining, ...]:
        """Every branch of every parallel node at its joining."""
        if self.bank is None:
            return ()
        return tuple(joining for node in self.parallels for joining in joinings(self.bank, node))

    @cached_property
    def charge_v(self) -> float | None:
        """Charge voltage of the bank at 25 °C; of two ways to state it the higher counts. [V]"""
        charger = self.plan.charger
        stated = [charger.volts, None if charger.volts_per_cell is None else charger.volts_per_cell * self.cells]
        return max((volts for volts in stated if volts is not None), default=None)

    @property
    def cells(self) -> int:
        """Cells in series of the bank, or of the first loose unit."""
        return self.bank.root.cells if self.bank else self.units[0].unit.cells

    @cached_property
    def load_a(self) -> float | None:
        """
        Largest lasting load; of two ways to state it the larger counts. [A]

        A load in watts draws most at the lowest voltage: the disconnect's, or the usual cut-off.
        """
        duty = self.plan.duty
        stated = [] if duty.load_a is None else [duty.load_a]
        if duty.load_w is not None and self.bank is not None:
            lowest = sum_over_cells(self.bank.root, "lvd_v")
            stated.append(
                duty.load_w / min(lowest, self.plan.protection.disconnect_v or lowest, duty.system_v or lowest)
            )
        return max(stated, default=None)

    @cached_property
    def max_v(self) -> float:
        """Highest voltage the bank is ever brought to: its own limit or the charger's setting. [V]"""
        if self.bank is None:
            return max((s.unit.cells * s.chem.num("charge_max_v") for s in self.units), default=0.0)
        charged_v = self.charge_v or 0.0
        if self.plan.charger.compensated and charged_v:
            colder = min(_known(self.plan.duty.ambient_c), *(s.temperature_c for s in self.units), 25.0)
            steepest = max(-state.chem.num("temp_comp") for state in self.units)
            charged_v += self.cells * steepest * 1e-3 * (25.0 - colder)
        return max(sum_over_cells(self.bank.root, "charge_max_v"), charged_v)


def _known(temperature_c: float | None) -> float:
    return 25.0 if temperature_c is None else temperature_c


Outcome = Finding | Unasked
Judge = Callable[["Rule", Case], Iterable[Outcome]]


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule: what it decides, on what, for which questions, and from which source."""

    code: str
    title: str
    gate: Gate
    questions: tuple[str, ...]
    decides: str
    source: str
    judge: Judge

    def run(self, case: Case) -> Iterator[Outcome]:
        """Yield what the rule has to say on a case."""
        yield from self.judge(self, case)

    def finding(
        self,
        verdict: Verdict,
        subject: Iterable[str],
        quantity: str,
        *,
        says: str,
        why: str,
        do: str,
        value: float | Measure | None = None,
        limit: float | None = None,
        unit: str = "",
        source: str = "",
    ) -> Finding:
        """Return a finding of this rule; `value` may be a Measure, whose doubt is kept."""
        sd = value.sd if isinstance(value, Measure) else None
        number = value.value if isinstance(value, Measure) else value
        return Finding(
            code=self.code,
            gate=self.gate,
            verdict=verdict,
            subject=tuple(subject),
            quantity=quantity,
            says=says,
            why=why,
            do=do,
            source=source or self.source,
            value=number,
            sd=sd,
            limit=limit,
            unit=unit,
        )

    def unasked(self, needs: str, says: str) -> Unasked:
        """Return that this rule could not decide, and what it needs."""
        return Unasked(code=self.code, needs=needs, says=says)


RULES: dict[str, Rule] = {}


def rule(
    code: str, *, title: str, gate: Gate, questions: tuple[str, ...], decides: str, source: str
) -> Callable[[Judge], Judge]:
    """Register a function as the rule `code`."""

    def register(judge: Judge) -> Judge:
        if code in RULES:
            raise ValueError(f"rule {code} is registered twice")
        RULES[code] = Rule(code, title, gate, questions, decides, source, judge)
        return judge

    return register


def listing(ids: Iterable[Any], most: int = 6) -> str:
    """Return ids in words: ``A1, A2 and A3``, cut after `most`."""
    names = [str(name) for name in ids]
    if len(names) > most:
        return ", ".join(names[:most]) + f" and {len(names) - most} more"
    return " and ".join([", ".join(names[:-1]), names[-1]]) if len(names) > 1 else "".join(names)

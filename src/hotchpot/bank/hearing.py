"""
The judge over many draws of one case: each drawn truth judged as if everything were known.

Most rules say the same whatever is drawn. So a part of the draws, and some extreme ones, are heard by every rule; what
each rule said at best and at worst then tells which rules are worth asking about the rest: only those that may still
make the verdict worse. A rule that would speak up only in draws rarer than those heard is missed; with a quarter of 400
draws heard it does so in less than 3 % of them, with 95 % confidence (the rule of three).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from hotchpot.bank.bank import Bank, assumed_link_ohm
from hotchpot.bank.rules import RULES, Case, Rule
from hotchpot.bank.truths import Truths
from hotchpot.bank.verdict import Finding, Verdict

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Ranks = NDArray[np.intp]

HEARD_EVERY = 4
EXTREMES = 24


def asked_rules(case: Case) -> tuple[Rule, ...]:
    """Return the rules that the judge would put to a case."""
    return tuple(rule for rule in RULES.values() if any(case.plan.asks(question) for question in rule.questions))


def case_at(case: Case, drawn: Sequence[Truths], draw: int) -> Case:
    """Return a case as it would be if this draw were true of all its units."""
    units = {truths.state.unit.id: truths.state_at(draw) for truths in drawn}
    known = tuple(units[state.unit.id] for state in case.units)
    if case.bank is None:
        return Case(case.plan, known)
    bank = case.bank
    assumed = case.plan.wiring.link_mohm is None and bank.link_ohm == assumed_link_ohm(bank.units)
    link_ohm = assumed_link_ohm(known) if assumed else bank.link_ohm
    return Case(case.plan, known, Bank(bank.arrangement, {**bank.states, **units}, link_ohm))


def verdict_ranks(
    case: Case,
    drawn: Sequence[Truths],
    samples: int,
    *,
    extremes: int = EXTREMES,
    progress: Callable[[float], None] | None = None,
) -> Ranks:
    """
    Return the rank of the verdict on each of the first `samples` draws, 0 for fine to 3 for forbid.

    The `extremes` draws after them are heard too, and only to find out what each rule can say.
    """
    import numpy as np

    rules = asked_rules(case)
    heard = [*range(0, samples, HEARD_EVERY), *range(samples, samples + extremes)]
    said = np.zeros((len(heard), len(rules)), dtype=np.intp)
    for row, draw in enumerate(heard):
        at = case_at(case, drawn, draw)
        said[row] = [_rank(rule, at) for rule in rules]
        _tell(progress, row, len(heard) + samples)
    ranks = np.zeros(samples, dtype=np.intp)
    best, worst = said.min(axis=0, initial=Verdict.FORBID.rank), said.max(axis=0, initial=0)
    floor = int(best.max(initial=0))
    harsh = said.mean(axis=0)
    moving = [int(k) for k in np.argsort(-harsh, kind="stable") if worst[k] > floor]
    for draw in range(samples):
        if draw % HEARD_EVERY == 0:
            ranks[draw] = said[draw // HEARD_EVERY].max(initial=0)
            continue
        ranks[draw] = _worst(case_at(case, drawn, draw), rules, moving, worst, floor) if moving else floor
        _tell(progress, len(heard) + draw, len(heard) + samples)
    return ranks


def _tell(progress: Callable[[float], None] | None, done: int, whole: int) -> None:
    if progress is not None:
        progress(done / whole)


def _worst(case: Case, rules: Sequence[Rule], moving: Sequence[int], worst: Ranks, floor: int) -> int:
    found = floor
    for k in moving:
        if worst[k] > found:
            found = max(found, _rank(rules[k], case))
    return found


def pile_floor(case: Case, drawn: Sequence[Truths], samples: int, *, extremes: int = EXTREMES) -> int | None:
    """
    Return the verdict's rank that rules on loose units taken together add to those on each unit by itself.

    None where that moves with what is drawn: then the units cannot be judged one by one. Found on the extreme draws.
    """
    rules = asked_rules(case)
    floor = 0
    draws = range(samples, samples + extremes)
    whole = [case_at(case, drawn, draw) for draw in draws]
    single = [[Case(case.plan, (state,)) for state in at.units] for at in whole]
    for rule in rules:
        together = [_rank(rule, at) for at in whole]
        apart = [max((_rank(rule, one) for one in units), default=0) for units in single]
        if together == apart:
            continue
        if len(set(together)) > 1 or any(a > t for a, t in zip(apart, together, strict=True)):
            return None
        floor = max(floor, together[0])
    return floor


def _rank(rule: Rule, case: Case) -> int:
    """Return the rank of the worst that a rule finds in a case."""
    return max((found.verdict.rank for found in rule.run(case) if isinstance(found, Finding)), default=0)

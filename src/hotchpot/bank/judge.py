"""The judge: put a bank and its plan before every rule that the question asks for."""

from __future__ import annotations

from hotchpot.bank.rules import RULES, Case
from hotchpot.bank.verdict import Judgement, conclude


def judge(case: Case) -> Judgement:
    """
    Return the judgement on a case: every finding, the verdict of the worst, and what could not be asked.

    A rule runs when one of its questions is asked; a plan without a question asks them all.
    """
    asked = [rule for rule in RULES.values() if any(case.plan.asks(question) for question in rule.questions)]
    return conclude(outcome for rule in asked for outcome in rule.run(case))

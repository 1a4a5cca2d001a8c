"""What the search remembers of one verdict must hold for every arrangement that it is carried over to."""

from __future__ import annotations

from typing import Any

import pytest

from arrange_piles import good
from hotchpot.arrange.court import NODE_RULES, UNIT_RULES, Court, asked
from hotchpot.arrange.exact import circuits
from hotchpot.arrange.pool import pools
from hotchpot.arrange.proposal import Watch
from hotchpot.bank.judge import judge
from hotchpot.bank.notation import parse
from hotchpot.bank.plan import Duty, Plan, Protection, Tap, Wiring
from hotchpot.bank.rules import RULES, Case
from hotchpot.bank.verdict import Verdict
from hotchpot.bench.state import State


def cell(id: str, volts: float, **facts: Any) -> State:  # noqa: A002
    """Return a worn lithium cell of low resistance at a rest voltage, without a word of its protection."""
    known: dict[str, Any] = {"capacity_ah": 95, "resistance_mohm": 0.3, "rest_v": volts, "bms": None}
    return good(id, 100, cells=1, chem="lfp", **known | facts)


PILES = {
    "dead cell": ([good("A", 90), good("B", 95), good("C", 100, rest_v=11.5), good("D", 85)], 24.0, Plan()),
    "maker": ([good(x, 90 + i, max_in_parallel=2) for i, x in enumerate("ABCDE")], 24.0, Plan()),
    "series": ([good(x, 90 + i, max_in_series=1 + i % 2) for i, x in enumerate("ABCD")], 24.0, Plan()),
    "surge": ([cell(x, v) for x, v in zip("ABCD", (3.6, 2.6, 3.3, 3.25), strict=True)], 6.4, Plan()),
    "bare": ([cell(x, 3.3, bms=x != "B") for x in "ABCD"], 6.4, Plan()),
    "load": ([good(x, 90 + i) for i, x in enumerate("ABCD")], 24.0, Plan(duty=Duty(load_a=500))),
}


@pytest.mark.parametrize("name", PILES)
def test_what_is_remembered_agrees_with_judging_each_arrangement(name: str) -> None:
    """Every arrangement of a pile with a fault is allowed by the court exactly when the judge does not forbid it."""
    states, volts, plan = PILES[name]
    (pool,) = pools(states, volts)
    court = Court(states, plan)
    verdicts = set()
    for shape in reversed(circuits(pool, Watch())):  # the largest first, as parts of it must not be blamed
        block = shape.block(pool)
        bank = court.bank(block)
        forbidden = judge(Case(court.plan, bank.units, bank)).verdict is Verdict.FORBID
        assert court.allows(block) is not forbidden, str(block)
        verdicts.add(forbidden)
    assert True in verdicts, "a pile that nothing forbids proves nothing"


def test_the_carried_rules_exist() -> None:
    """Every code that the court carries over is a rule of the judge."""
    assert set(RULES) >= UNIT_RULES | NODE_RULES


def test_the_plan_decides_what_is_asked() -> None:
    """A stated question is asked; else joining, and discharge where the load is stated."""
    assert asked(Plan(question=("join", "site"))) == ("join", "site")
    assert asked(Plan()) == ("join",)
    assert asked(Plan(duty=Duty(load_w=100))) == ("join", "discharge")


def test_readings_and_taps_of_another_bank_are_not_held_against_a_proposal() -> None:
    """A string voltage read before, and taps, belong to the arrangement they were noted for."""
    wiring = Wiring(reading_v=50.0, taps=(Tap(below="Z", amps=1.0),), link_mohm=2.0)
    court = Court([good("A", 90), good("B", 90)], Plan(wiring=wiring, protection=Protection(bms=True)))
    assert court.allows(parse("A + B"))
    assert (court.plan.wiring.reading_v, court.plan.wiring.taps) == (None, ())
    assert court.bank(parse("A // B")).link_ohm == pytest.approx(0.002)

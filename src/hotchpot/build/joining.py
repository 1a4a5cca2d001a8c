"""
The joining plan: from a judged bank to the steps that bring it together, each with its reading and its stop limit.

Every number is computed from the case by the judge's own functions: gaps and surges, limits, shares, curves.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from hotchpot.bank.bank import open_v
from hotchpot.bank.judge import judge
from hotchpot.bank.rules.registry import Case
from hotchpot.bank.verdict import Judgement, Verdict
from hotchpot.build.charge import Preparation, prepare
from hotchpot.build.conditions import Place, cautions, conditions
from hotchpot.build.joinery import fit_protection, isolation, joining_steps
from hotchpot.build.load import baseline, dump_load, first_charge, first_load, precharged, trips
from hotchpot.build.step import JoiningPlan, Resistor, Step, numbered
from hotchpot.build.survey import fuses, look, read_units
from hotchpot.build.topup import charge_steps
from hotchpot.errors import InputError, NoAnswerError

__all__ = ["JoiningPlan", "Resistor", "Step", "joining_plan"]


def joining_plan(case: Case, judgement: Judgement) -> JoiningPlan:
    """
    Return how to bring the bank of a case together.

    Parameters
    ----------
    case : Case
        The bank and its plan, as they were judged.
    judgement : Judgement
        What the judge said on this case. If joining was not among the questions, it is asked here.

    Returns
    -------
    JoiningPlan
        Steps numbered from 1, charges, resistors, order and cautions.

    Raises
    ------
    InputError
        If the case has no bank.
    NoAnswerError
        If the bank is forbidden: it names the finding that decides and what to do about it.

    Notes
    -----
    Charged units are taken to rest at the full end of their chemistry's curve; what they really read is the next step,
    and its stop limits hold either way. Steps of large banks speak of groups of like units, so that a plan stays short.
    """
    if case.bank is None:
        raise InputError.one(
            "arrangement", "there is none, so nothing to join", "give one, such as A1 // A2 + B1 // B2"
        )
    if not case.plan.asks("join"):
        asked = replace(case.plan, question=(*case.plan.question, "join"))
        return joining_plan(again := Case(asked, case.units, case.bank), judge(again))
    _refuse(case, judgement)
    prepared = prepare(case)
    barred = [c for c in (*prepared.before.closings, *prepared.after.closings) if c.limit_a <= 0.0]
    if barred:
        names = " and ".join(dict.fromkeys(name for c in barred for name in (*c.joined_ids, *c.branch.ids)))
        raise NoAnswerError(
            f"no joining plan at this temperature: any current between {names} charges a unit that may take none now; "
            "bring them to a temperature at which they may be charged, read them again and ask again"
        )
    return JoiningPlan(
        block=case.bank.arrangement,
        verdict=judgement.verdict,
        steps=numbered(_steps(prepared, judgement)),
        charge_first={charge.id: charge.charge_v for charge in prepared.charges},
        resistors=(*(resistor for _, resistor in prepared.instead), *prepared.still.values()),
        order=_order(prepared),
        cautions=cautions(judgement),
    )


def _refuse(case: Case, judgement: Judgement) -> None:
    assert case.bank is not None
    if case.plan.charger.separate_converters and case.bank.root.is_parallel:
        branches = " and ".join(str(child.block) for child in case.bank.root.children)
        raise NoAnswerError(
            "no joining plan: these branches meet only through converters, so each is a bank of its own; ask for a "
            f"plan of each by itself ({branches}), and connect each to its own converter by that converter's manual"
        )
    decisive = judgement.decisive
    if judgement.verdict is not Verdict.FORBID or decisive is None:
        return
    raise NoAnswerError(f"no joining plan, {decisive.code} forbids it: {decisive.says} {decisive.why} {decisive.do}")


def _steps(prepared: Preparation, judgement: Judgement) -> Iterator[Step]:
    case, charged = prepared.case, prepared.charged
    assert charged.bank is not None
    settled = prepared.after.rest_v(charged.bank.root)
    rest_v = open_v(charged.bank.root) if settled is None else settled.value
    yield from look(case)
    yield from conditions(judgement, Place.SITE)
    yield from read_units(case)
    # Every condition stands before anything is joined: one that cannot be met must be found out while all is apart.
    for place in (Place.UNITS, Place.PARTS, Place.FIRST_LOAD, Place.FIRST_CHARGE):
        yield from conditions(judgement, place)
    yield from fuses(case)
    if not prepared.charges:
        yield from conditions(judgement, Place.CHARGE)
    yield from charge_steps(prepared)
    yield from joining_steps(prepared)
    yield from fit_protection(case)
    yield from isolation(case, rest_v)
    yield from precharged(case, rest_v)
    yield from first_load(charged)
    yield from dump_load(case)
    yield from first_charge(case)
    yield from trips(case)
    yield from baseline(case)


def _order(prepared: Preparation) -> tuple[tuple[str, ...], ...]:
    """Return the branches as they are joined: of groups nearest voltages first, of strings from the plus end."""
    assert prepared.case.bank is not None
    rows: list[tuple[str, ...]] = []
    for node in prepared.after.nodes:
        closings = prepared.after.of(node)
        if closings:
            rows.append(closings[0].joined[0].ids)
            rows += [closing.branch.ids for closing in closings]
        else:
            rows += [child.ids for child in node.children]
    return tuple(rows) or (prepared.case.bank.root.ids,)

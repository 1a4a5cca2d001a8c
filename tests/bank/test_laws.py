"""Laws that every bank keeps, as properties: Kirchhoff, order, nesting, scale, and what never makes it look better."""

from __future__ import annotations

import itertools
import random
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from referee import unit

from hotchpot.bank.bank import Bank
from hotchpot.bank.judge import judge
from hotchpot.bank.notation import parse
from hotchpot.bank.plan import QUESTIONS, Charger, Duty, Plan, Protection, Site, Tap, Wiring
from hotchpot.bank.ratings import rate
from hotchpot.bank.rules import Case
from hotchpot.bank.surge import joinings
from hotchpot.bank.verdict import Judgement, Verdict
from hotchpot.bench.state import state_of
from hotchpot.chemistry import KEYS
from hotchpot.pile.unit import FLAGS, Unit

CELLS = {"lead_agm": 6, "lead_flooded": 6, "lfp": 4, "nmc": 4, "lto": 6, "nicd": 10}
FULL_PLAN = Plan(
    duty=Duty(load_a=10.0, energy_wh_per_day=200.0, still_days=1.0, ambient_c=5.0),
    charger=Charger(volts_per_cell=2.35, amps=10.0),
    protection=Protection(bms=True, unit_fuse_a=80.0, disconnect_v=10.5),
    wiring=Wiring(takeoff="busbar", cable_mm2=35.0),
)

# Everything that a plan can say beside it, so that every rule has what it asks for.
WIDE_PLAN = replace(
    FULL_PLAN,
    charger=replace(FULL_PLAN.charger, hours=30.0, source="wind"),
    protection=replace(FULL_PLAN.protection, main_fuse_a=100.0, fuse_volts=80.0, fuse_interrupt_ka=5.0, isolator="dc"),
    wiring=replace(FULL_PLAN.wiring, link_mohm=0.5, joint_mohm=0.15, run_m=3.0, taps=(Tap(amps=0.1),)),
    site=Site(room="shed", vent_m3_per_h=2.0, spark_distance_m=0.6),
)
SHAPES = ("{}", "({}) // x")


@st.composite
def units(draw: st.DrawFn, chemistries: tuple[str, ...] = tuple(CELLS), least: int = 2, most: int = 5) -> list[Unit]:
    """Return units of one chemistry and cell count, unlike in all else."""
    chem = draw(st.sampled_from(chemistries))
    made = []
    for i in range(draw(st.integers(least, most))):
        ah = draw(st.sampled_from((40.0, 55.0, 80.0, 100.0, 120.0, 200.0)))
        left = draw(st.sampled_from((0.62, 0.75, 0.85, 0.97, 1.0)))
        made.append(
            unit(
                f"u{i}",
                chem,
                CELLS[chem],
                ah,
                capacity_ah=ah * left,
                soc_frac=draw(st.integers(5, 100)) / 100,
                temperature_c=draw(st.sampled_from((-5.0, 12.0, 20.0, 21.5, 30.0))),
                resistance_mohm=draw(st.sampled_from((2.0, 5.0, 8.0, 13.0))),
            )
        )
    return made


def built(expression: str, pile: list[Unit], link_mohm: float = 0.5) -> Bank:
    """Return the bank of an expression over a pile."""
    return Bank(parse(expression), {u.id: state_of(u, year=2026) for u in pile}, link_mohm * 1e-3)


def judged(expression: str, pile: list[Unit], plan: Plan = FULL_PLAN) -> Judgement:
    """Return the judgement on an expression over a pile."""
    bank = built(expression, pile)
    return judge(Case(plan, bank.units, bank))


def numbers(judgement: Judgement) -> list[tuple[str, str, float, float, float]]:
    """Return what the findings hold in numbers, to nine digits, in an order of its own."""

    def figure(value: float | None) -> float:
        return -1.0 if value is None else float(f"{value:.9g}")

    rows = [(f.code, str(f.verdict), figure(f.value), figure(f.sd), figure(f.limit)) for f in judgement.findings]
    return sorted(rows)


@given(units(most=8), st.floats(0, 3))
def test_joining_currents_sum_to_zero(pile: list[Unit], link_mohm: float) -> None:
    """Kirchhoff: what some branches give the others take, in amps and in amp-hours."""
    bank = built(" // ".join(u.id for u in pile), pile, link_mohm)
    joined = joinings(bank, bank.root)
    amps = [j.current_a.value for j in joined]
    assert abs(sum(amps)) <= 1e-9 * (1 + sum(map(abs, amps)))
    charges = [j.charge_ah for j in joined if j.charge_ah is not None]
    held = sum(s.capacity_ah.value for s in bank.units)
    assert len(charges) == len(joined)
    assert abs(sum(charges)) <= 1e-6 * held


def test_joining_currents_of_a_wide_node_sum_to_zero() -> None:
    """Kirchhoff for a hundred branches, where the rest of each is found by taking it from the whole."""
    chance = random.Random(7)
    pile = [unit(f"u{i}", "nmc", 1, 3, soc_frac=chance.uniform(0.2, 1)) for i in range(100)]
    bank = built(" // ".join(u.id for u in pile), pile)
    amps = [j.current_a.value for j in joinings(bank, bank.root)]
    assert max(map(abs, amps)) > 0.5
    assert sum(amps) == pytest.approx(0, abs=1e-9 * sum(map(abs, amps)))


@given(units(most=2), st.floats(0, 2), st.floats(0.01, 20))
def test_a_link_never_raises_the_surge(pile: list[Unit], link_mohm: float, more_mohm: float) -> None:
    """Two branches: more resistance in the links never raises what either carries, and moves the same charge."""
    bare, linked = built("u0 // u1", pile, link_mohm), built("u0 // u1", pile, link_mohm + more_mohm)
    for before, after in zip(joinings(bare, bare.root), joinings(linked, linked.root), strict=True):
        assert after.worst.value <= before.worst.value * (1 + 1e-12) + 1e-9  # A: rounding of equal voltages
        assert after.charge_ah == before.charge_ah


@settings(max_examples=40)
@given(units(least=3, most=5), st.randoms(use_true_random=False))
def test_order_in_parallel_changes_nothing(pile: list[Unit], chance: random.Random) -> None:
    """The order of parallel members changes neither the verdict nor any number of findings or ratings."""
    names = [u.id for u in pile]
    shuffled = names[:]
    chance.shuffle(shuffled)
    before, after = judged(" // ".join(names), pile), judged(" // ".join(shuffled), pile)
    assert before.verdict is after.verdict
    assert numbers(before) == numbers(after)
    _same_ratings(built(" // ".join(names), pile), built(" // ".join(shuffled), pile))


def test_order_changes_nothing_in_mixed_banks() -> None:
    """Unlike chemistries, plates and cell counts, in every order: one verdict and one set of numbers."""
    mixed = [
        [unit("a", "lead_agm"), unit("b", "lfp", 4), unit("c", "lead_flooded")],
        [unit("a", "lead_agm"), unit("b", "lead_gel"), unit("c", "lead_flooded", ah=60)],
        [unit("a", "lfp", 4), unit("b", "nmc", 3), unit("c", "lto", 6)],
        [unit("a", "lead_agm", 6), unit("b", "lead_agm", 3), unit("c", "lead_agm", 12)],
        [unit("a", "nicd", 10), unit("b", "lead_flooded", 6), unit("c", "nimh", 10)],
    ]
    for pile in mixed:
        orders = [judged(" // ".join(order), pile) for order in itertools.permutations("abc")]
        assert len({j.verdict for j in orders}) == 1
        for other in orders[1:]:
            assert numbers(other) == numbers(orders[0]), [u.chemistry for u in pile]


@settings(max_examples=60)
@given(units(least=3, most=4), st.sampled_from(SHAPES), st.randoms(use_true_random=False))
def test_order_in_series_changes_nothing(pile: list[Unit], shape: str, chance: random.Random) -> None:
    """The order of a string's members changes neither the verdict nor any number of findings or ratings."""
    names = [u.id for u in pile]
    shuffled = names[:]
    chance.shuffle(shuffled)
    one, other = (shape.format(" + ".join(order)) for order in (names, shuffled))
    pile = [*pile, replace(pile[0], id="x", cells=len(pile) * pile[0].cells)]
    before, after = judged(one, pile, WIDE_PLAN), judged(other, pile, WIDE_PLAN)
    assert before.verdict is after.verdict
    assert numbers(before) == numbers(after)
    _same_ratings(built(one, pile), built(other, pile))


def test_order_in_series_changes_nothing_in_mixed_strings() -> None:
    """Unlike chemistries, plates, sizes and cell counts in one string, in every order: one set of numbers."""
    mixed = [
        [unit("a", "lead_agm"), unit("b", "lead_gel"), unit("c", "lead_flooded")],
        [unit("a", "lfp", 4), unit("b", "nmc", 4), unit("c", "lto", 6)],
        [unit("a", "lead_agm", 6), unit("b", "lead_agm", 3, capacity_ah=None), unit("c", "lead_agm", 12, ah=60)],
        [unit("a", "lfp", 4), unit("b", "lfp", 8, soc_frac=0.4), unit("c", "lfp", 4, bms=False)],
        [unit("a", "nicd", 10), unit("b", "nicd", 5, temperature_c=-30.0), unit("c", "nicd", 10, ah=40)],
    ]
    for pile in mixed:
        orders = [judged(" + ".join(order), pile, WIDE_PLAN) for order in itertools.permutations("abc")]
        assert len({j.verdict for j in orders}) == 1
        for other in orders[1:]:
            assert numbers(other) == numbers(orders[0]), [u.chemistry for u in pile]


LISTED_FIRST = {
    "the hotter lead unit, no compensation": (
        [unit("a"), unit("b", temperature_c=45.0)],
        Plan(question=("charge",), charger=Charger(volts_per_cell=2.43, compensated=False)),
        "charge-voltage",
    ),
    "the colder lithium unit, compensated": (
        [unit("a", "lfp", 4, temperature_c=25.0), unit("b", "lfp", 4, temperature_c=5.0)],
        Plan(question=("charge",), charger=Charger(volts_per_cell=3.52, compensated=True)),
        "charge-voltage",
    ),
    "the plate type that is compensated more": (
        [unit("a", "lead_agm", temperature_c=0.0), unit("b", "lead_flooded", temperature_c=0.0)],
        Plan(
            question=("build",),
            charger=Charger(volts=14.4, compensated=True),
            protection=Protection(unit_fuse_a=80.0, fuse_volts=15.1),
        ),
        "fuse-interrupt",
    ),
    "lithium in a string with lead": (
        [unit("a"), unit("b", "lfp", 4)],
        Plan(question=("discharge",), protection=Protection(bms=True, disconnect_v=19.0)),
        "disconnect",
    ),
    "the sealed nickel unit": (
        [unit("a", "nicd", 10), unit("b", "nimh", 10)],
        Plan(question=("charge",), charger=Charger(amps=10.0, hours=30.0)),
        "charge-nimh",
    ),
}


@pytest.mark.parametrize("name", LISTED_FIRST)
def test_the_worst_unit_decides_wherever_it_is_listed(name: str) -> None:
    """A rule says the same whether the unit that its limit is about is named first or last."""
    pile, plan, code = LISTED_FIRST[name]
    sign = " // " if code in ("charge-voltage", "fuse-interrupt") else " + "
    first, last = (
        [row for row in numbers(judged(sign.join(order), pile, plan)) if row[0] == code] for order in ("ba", "ab")
    )
    assert first == last


@st.composite
def piles(draw: st.DrawFn) -> list[Unit]:
    """Return good and doubtful units of one chemistry: low, warm, leaky, marked, unread."""
    made = draw(units(most=3))
    chem = made[0].chem
    found = []
    for u in made:
        volts = draw(st.sampled_from((None, None, 0.45, 0.9, 0.97, 1.0, 1.2)))
        found.append(
            replace(
                u,
                rest_v=None if volts is None else round(volts * u.cells * chem.ocv.volts(0.0), 2),
                soc_frac=draw(st.sampled_from((None, u.soc_frac))),
                rest_hours=draw(st.sampled_from((None, 0.2, 48.0))),
                capacity_ah=draw(st.sampled_from((None, u.capacity_ah, u.capacity_ah))),
                temperature_c=draw(st.sampled_from((None, -25.0, 20.0, 52.0))),
                self_discharge_frac_month=draw(st.sampled_from((None, 0.03, 0.1, 0.4))),
                flags=draw(st.sampled_from(((), (), ("dented",), ("unknown_history",), ("swollen",)))),
            )
        )
    return found


@settings(max_examples=200)
@given(
    piles(),
    st.sets(st.sampled_from(QUESTIONS), min_size=1, max_size=4),
    st.sampled_from(QUESTIONS),
    st.sampled_from(("u0", "u0 // u1", "u0 + u1")),
    st.booleans(),
)
def test_one_more_question_never_makes_a_verdict_milder(
    pile: list[Unit], asked: set[str], more: str, expression: str, told: bool
) -> None:
    """
    Asking more can only find more: no verdict, and nothing that any one rule says, becomes milder.

    The other way round, acceptance by itself is milder on a low lead unit (it may be charged alone and read again),
    which to join or to use is refused: docs/methods/judge.md.
    """
    plan = WIDE_PLAN if told else Plan()
    few = judged(expression, pile, replace(plan, question=tuple(sorted(asked))))
    many = judged(expression, pile, replace(plan, question=tuple(sorted(asked | {more}))))
    assert many.verdict.rank >= few.verdict.rank
    for code, rank in worst_by_rule(few).items():
        assert worst_by_rule(many).get(code, -1) >= rank, code


def worst_by_rule(judgement: Judgement) -> dict[str, int]:
    """Return the worst that each rule said, 0 for fine to 3 for forbid."""
    return {f.code: max(g.verdict.rank for g in judgement.findings if g.code == f.code) for f in judgement.findings}


def test_acceptance_alone_is_milder_on_a_low_lead_unit() -> None:
    """A lead unit of 11.4 V may be a dead cell or only empty: accepted on a test, refused once it is to be joined."""
    low = unit("a", soc_frac=None, rest_v=11.4)
    verdicts = {}
    for asked in (("accept",), ("join",), ("accept", "join")):
        verdicts[asked] = judged("a", [low], Plan(question=asked)).verdict
    assert verdicts == {
        ("accept",): Verdict.ONLY_IF,
        ("join",): Verdict.FORBID,
        ("accept", "join"): Verdict.FORBID,
    }


def _same_ratings(one: Bank, other: Bank) -> None:
    first, second = rate(one), rate(other)
    for name in ("charge_v_max", "discharge_v_min", "charge_a_max", "discharge_a_max", "cells", "nominal_v"):
        assert getattr(second, name) == pytest.approx(getattr(first, name), rel=1e-9)
    for name in ("capacity_ah", "energy_wh", "resistance_mohm"):
        assert getattr(second, name).value == pytest.approx(getattr(first, name).value, rel=1e-9)
        assert getattr(second, name).sd == pytest.approx(getattr(first, name).sd, rel=1e-9)
    for name, ids in first.limits.items():
        assert sorted(second.limits[name]) == sorted(ids)


@settings(max_examples=40)
@given(units(least=3, most=3))
def test_nesting_changes_nothing(pile: list[Unit]) -> None:
    """((A // B) // C), (A // (B // C)) and A // B // C are one bank in verdict and numbers."""
    flat = judged("u0 // u1 // u2", pile)
    for nested in ("((u0 // u1) // u2)", "(u0 // (u1 // u2))", "//(u0..u2)"):
        other = judged(nested, pile)
        assert other.verdict is flat.verdict
        assert numbers(other) == numbers(flat)


@given(units(), st.sampled_from((0.5, 2.0, 3.7)))
def test_amps_scale_with_size(pile: list[Unit], k: float) -> None:
    """k times the capacity at 1/k of every resistance: k times the joining amps, amp-hours and rated amps."""
    grown = [
        replace(
            u,
            rated_ah=u.rated_ah * k,
            capacity_ah=(u.capacity_ah or 0) * k,
            resistance_mohm=(u.resistance_mohm or 0) / k,
        )
        for u in pile
    ]
    expression = " // ".join(u.id for u in pile)
    small, large = built(expression, pile, 0.5), built(expression, grown, 0.5 / k)
    for one, other in zip(joinings(small, small.root), joinings(large, large.root), strict=True):
        assert other.current_a.value == pytest.approx(k * one.current_a.value, rel=1e-9, abs=1e-9)
        assert other.charge_ah == pytest.approx(k * (one.charge_ah or 0), rel=1e-6, abs=1e-6)
    assert rate(large).discharge_a_max == pytest.approx(k * rate(small).discharge_a_max)
    assert rate(large).capacity_ah.value == pytest.approx(k * rate(small).capacity_ah.value)


@pytest.mark.parametrize("question", [*QUESTIONS, None])
@settings(max_examples=15)
@given(
    chem=st.sampled_from(KEYS),
    soc=st.sampled_from((None, 0.6, 1.0)),
    made=st.sampled_from((None, "2019", "2025")),
)
def test_a_unit_known_by_assumption_is_never_fine(
    question: str | None, chem: str, soc: float | None, made: str | None
) -> None:
    """A capacity that was never measured is never called fine, whatever is asked, and one test is named for it."""
    cells = 4
    known = unit("a", chem, cells)
    guessed = unit("b", chem, cells, capacity_ah=None, soc_frac=soc, made=made)
    plan = replace(FULL_PLAN, question=(question,) if question else ())
    for pile, expression in (([guessed], "b"), ([known, guessed], "a // b"), ([known, guessed], "a + b")):
        found = judged(expression, pile, plan)
        assert found.verdict is not Verdict.FINE
        told = [f for f in found.findings if f.code == "unit-untested"]
        assert [f.subject for f in told] == [("b",)]
        assert told[0].do


@settings(max_examples=60)
@given(units(most=3), st.sampled_from(FLAGS), st.integers(0, 2), st.sampled_from((*QUESTIONS, None)))
def test_damage_never_makes_a_verdict_milder(pile: list[Unit], flag: str, at: int, question: str | None) -> None:
    """Marking one unit damaged never improves the verdict, and all but a dent or an unknown past forbid."""
    plan = replace(FULL_PLAN, question=(question,) if question else ())
    hurt = [replace(u, flags=(flag,)) if i == at % len(pile) else u for i, u in enumerate(pile)]
    expression = " // ".join(u.id for u in pile)
    before, after = judged(expression, pile, plan).verdict, judged(expression, hurt, plan).verdict
    assert after.rank >= before.rank
    if flag not in ("dented", "unknown_history"):
        assert after is Verdict.FORBID


@pytest.mark.parametrize("flag", FLAGS)
@pytest.mark.parametrize("chem", ["lead_agm", "lfp"])
def test_damage_decides_a_bank_that_is_fine_without_it(flag: str, chem: str) -> None:
    """A good pair is fine; damaged it is forbidden; a dent on lead or an unknown past is a caution."""
    pile = [unit("a", chem, CELLS[chem]), unit("b", chem, CELLS[chem])]
    plan = Plan(question=("join",), protection=Protection(bms=True, unit_fuse_a=80.0))
    assert judged("a // b", pile, plan).verdict is Verdict.FINE
    found = judged("a // b", [replace(pile[0], flags=(flag,)), pile[1]], plan).verdict
    mild = flag == "unknown_history" or (flag == "dented" and chem == "lead_agm")
    assert found is (Verdict.CAUTION if mild else Verdict.FORBID)


@settings(max_examples=40)
@given(units(most=3), st.sampled_from((0.1, 0.3, 0.55)))
def test_a_better_reading_never_hurts(pile: list[Unit], rise: float) -> None:
    """A reading that is better for every unit, its health, never makes the unit's own capacity finding worse."""
    worn = [replace(u, capacity_ah=u.rated_ah * (1 - rise)) for u in pile]
    good = [replace(u, capacity_ah=u.rated_ah) for u in pile]

    def rank(some: list[Unit]) -> int:
        found = judged(" // ".join(u.id for u in some), some).findings
        return max((f.verdict.rank for f in found if f.code == "unit-capacity"), default=0)

    assert rank(good) <= rank(worn)

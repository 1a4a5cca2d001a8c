"""
What settles a verdict, held against what is known without it.

Outside: normal and lognormal distributions and numeric integration of Bayes' rule by scipy; the judge itself on every
draw, without the shortcut; products of chances for independent units. The worth of a reading is the expected value of
sample information (Raiffa and Schlaifer 1961) where naming the right verdict is worth one, and mutual information
(Shannon 1948); both definitions from memory.
"""

from __future__ import annotations

import itertools
import json
import math
import random
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import integrate, stats

import hazard_cases
from hotchpot.bank import settling
from hotchpot.bank.bank import Bank, assumed_link_ohm
from hotchpot.bank.hearing import EXTREMES, case_at, pile_floor, verdict_ranks
from hotchpot.bank.judge import judge
from hotchpot.bank.notation import parse
from hotchpot.bank.plan import Charger, Duty, Plan, Protection, Site, Wiring
from hotchpot.bank.planfile import parse_plan
from hotchpot.bank.rules import Case
from hotchpot.bank.settling import Procedure, Settling, Tools, Worth, what_settles
from hotchpot.bank.telling import tells
from hotchpot.bank.tools import candidates
from hotchpot.bank.truths import truths
from hotchpot.bank.verdict import Verdict
from hotchpot.bench.state import State, state_of
from hotchpot.chemistry import KEYS, chemistry
from hotchpot.errors import InputError
from hotchpot.measure import Basis, Measure
from hotchpot.pile.csvfile import parse_pile
from hotchpot.pile.unit import Unit

Array = NDArray[np.float64]
ACCEPT = Plan(question=("accept",))
ALONE = np.ones(4)


def unit(name: str, chem: str = "lead_agm", **known: Any) -> Unit:
    """Return an invented 12 V unit of 100 Ah, all measured, rested, full and as good as new but for the facts given."""
    kind = chemistry(chem)
    cells = 4 if kind.kind == "lithium" else 6
    facts: dict[str, Any] = {
        "cells": cells,
        "rated_ah": 100.0,
        "rated_hours": kind.num("rated_h"),
        "capacity_ah": 100.0,
        "resistance_mohm": kind.typical_mohm(cells, 100.0),
        "rest_v": round(cells * kind.ocv.volts(0.999), 2),
        "rest_hours": 48.0,
        "soc_frac": 1.0,
        "temperature_c": 20.0,
        "self_discharge_frac_month": kind.num("self_discharge") / 100,
        "bms": True if kind.kind == "lithium" else None,
    }
    return Unit(id=name, chemistry=chem, **facts | known)


def state(name: str, chem: str = "lead_agm", **known: Any) -> State:
    """Return the state of such a unit."""
    return state_of(unit(name, chem, **known))


def untested(name: str, chem: str, mean_ah: float, sd_ah: float) -> State:
    """Return such a unit whose capacity is only assumed, as so many amp-hours."""
    return replace(state(name, chem, capacity_ah=None), capacity_ah=Measure(mean_ah, sd_ah, Basis.ASSUMED))


def loose(*states: State, plan: Plan = ACCEPT) -> Case:
    """Return a case of loose units."""
    return Case(plan, states)


def banked(expression: str, *states: State, plan: Plan) -> Case:
    """Return a case of a bank."""
    known = {s.unit.id: s for s in states}
    block = parse(expression, known=dict.fromkeys(known))
    bank = Bank(block, known, assumed_link_ohm(states))
    return Case(plan, bank.units, bank)


def found(settling: Settling) -> dict[tuple[str, Procedure], Worth]:
    """Return the readings by unit and procedure."""
    return {(worth.unit, worth.procedure): worth for worth in settling.readings}


# --- against the normal distribution and numeric integration ---------------------------------------------------------

LIMITS = {  # capacity over rated at which the verdict on a unit changes, from worst to best: docs/methods/judge.md
    "lead_agm": ((0.60, 0.65, 0.80), (Verdict.FORBID, Verdict.ONLY_IF, Verdict.CAUTION, Verdict.FINE)),
    "lfp": ((0.70, 0.80), (Verdict.FORBID, Verdict.CAUTION, Verdict.FINE)),
}


def by_hand(
    chem: str, mean_ah: float, sd_ah: float, error: float, others: Array = ALONE
) -> tuple[dict[Verdict, float], float, float]:
    """
    Return the odds, the sureness after a capacity run of a relative error, and its bits, by integration.

    `others` are the chances that other units come to each verdict or a milder one, mildest verdict first.
    """
    limits, verdicts = LIMITS[chem]
    edges = np.array([0.0, *(100.0 * limit for limit in limits), np.inf])
    prior = stats.norm(mean_ah, sd_ah)
    ah = np.linspace(max(1.0, mean_ah - 8 * sd_ah), mean_ah + 8 * sd_ah, 4001)
    kind = np.searchsorted(edges, ah, side="right") - 1

    def together(log_read: float) -> Array:
        """Return the density of the logarithm of the reading together with each verdict on the whole, mildest first."""
        density = prior.pdf(ah) * stats.norm.pdf(log_read, np.log(ah), error)
        own = {v: integrate.trapezoid(np.where(kind == k, density, 0.0), ah) for k, v in enumerate(verdicts)}
        milder = np.cumsum([own.get(v, 0.0) for v in Verdict]) * others
        return np.diff(milder, prepend=0.0)

    steps = round(8 * sd_ah / mean_ah / error) + 200
    low, high = math.log(max(2.0, mean_ah - 5 * sd_ah)) - 4 * error, math.log(mean_ah + 5 * sd_ah) + 4 * error
    grid = np.linspace(low, high, 4 * steps)
    joint = np.array([together(y) for y in grid])
    odds = integrate.trapezoid(joint, grid, axis=0)
    sure = float(integrate.trapezoid(joint.max(axis=1), grid))
    product = joint.sum(axis=1, keepdims=True) * odds
    gained = np.where(joint > 0.0, joint * np.log2(np.maximum(joint, 1e-300) / np.maximum(product, 1e-300)), 0.0)
    return dict(zip(Verdict, odds, strict=True)), sure, float(integrate.trapezoid(gained.sum(axis=1), grid))


@pytest.mark.parametrize(
    ("chem", "mean_ah", "sd_ah", "error"),
    [
        ("lead_agm", 80.0, 10.0, 0.035),
        ("lead_agm", 65.0, 20.0, 0.035),
        ("lead_agm", 61.0, 5.0, 0.035),
        ("lfp", 75.0, 15.0, 0.035),
        ("lfp", 80.0, 4.0, 0.02),
        ("lfp", 70.0, 8.0, 0.15),
    ],
)
def test_one_unit_on_the_edge(chem: str, mean_ah: float, sd_ah: float, error: float) -> None:
    """Odds, sureness after the run and bits are those of the normal distribution and of Bayes' rule, integrated."""
    odds, sure, bits = by_hand(chem, mean_ah, sd_ah, error)
    got = what_settles(loose(untested("a", chem, mean_ah, sd_ah)), samples=2000, tools=Tools(capacity_frac=error))
    for verdict in Verdict:
        assert got.odds[verdict] == pytest.approx(odds[verdict], abs=0.003)  # draws are evenly spread
    worth = found(got)["a", Procedure.CAPACITY]
    assert worth.sure_after_frac == pytest.approx(sure, abs=0.01)
    assert worth.bits == pytest.approx(bits, abs=0.02)
    assert got.doubt_bits == pytest.approx(stats.entropy([p for p in odds.values() if p > 0], base=2), abs=0.02)
    assert got.readings[0] is worth


def test_few_draws_come_near_what_many_do() -> None:
    """400 draws give what integration gives within two hundredths, for ten seeds."""
    odds, sure, bits = by_hand("lead_agm", 80.0, 10.0, 0.035)
    for seed in range(10):
        got = what_settles(loose(untested("a", "lead_agm", 80.0, 10.0)), seed=seed)
        worth = found(got)["a", Procedure.CAPACITY]
        assert got.odds[Verdict.FINE] == pytest.approx(odds[Verdict.FINE], abs=0.01)
        assert (worth.sure_after_frac, worth.bits) == pytest.approx((sure, bits), abs=0.02)


def test_the_chances_of_loose_units_multiply() -> None:
    """A pile is fine when each unit is: chances multiply, and a run on one unit tells its part, by Bayes' rule."""
    means = {"a": 92.0, "b": 88.0, "c": 84.0}
    got = what_settles(loose(*(untested(name, "lfp", mean, 8.0) for name, mean in means.items())), samples=1500)
    fine = {name: stats.norm(mean, 8.0).sf(80.0) for name, mean in means.items()}
    allowed = {name: stats.norm(mean, 8.0).sf(70.0) for name, mean in means.items()}
    assert got.odds[Verdict.FINE] == pytest.approx(math.prod(fine.values()), abs=0.005)
    assert got.odds[Verdict.FORBID] == pytest.approx(1 - math.prod(allowed.values()), abs=0.005)
    others = np.array([fine["a"] * fine["b"], *[allowed["a"] * allowed["b"]] * 2, 1.0])
    _, sure, bits = by_hand("lfp", means["c"], 8.0, 0.035, others)
    worth = found(got)["c", Procedure.CAPACITY]
    assert worth.sure_after_frac == pytest.approx(sure, abs=0.01)
    assert worth.bits == pytest.approx(bits, abs=0.02)
    assert got.readings[0] is worth  # the least sure unit


# --- what a reading tells: the estimator ------------------------------------------------------------------------------


def even(seed: int, count: int = 400) -> Array:
    """Return normal draws, one in each of `count` equal slices, in random order."""
    chance = np.random.default_rng(seed)
    return stats.norm.ppf((chance.permutation(count) + chance.random(count)) / count)


@pytest.mark.parametrize("odds", [(0.25, 0.25, 0.25, 0.25), (0.5, 0.5, 0.0, 0.0), (0.9, 0.05, 0.03, 0.02)])
@pytest.mark.parametrize("error", [0.175, 0.3, 1.0])
def test_a_reading_that_has_nothing_to_do_with_it_tells_nothing(odds: tuple[float, ...], error: float) -> None:
    """Over 60 sets of draws the mean gain is below 1 %, the mean bits below 0.005, and chance passes the bar twice."""
    gains, bits = [], []
    for seed in range(60):
        ranks = np.random.default_rng(1000 + seed).choice(4, 400, p=odds)
        after, told = tells(ranks, ALONE, even(seed), error, seed=seed)
        gains.append(max(0.0, after - np.bincount(ranks).max() / 400))
        bits.append(told)
    assert np.mean(gains) < 0.01
    assert np.mean(bits) < 0.005
    assert sum(told >= settling.NOISE_BITS / 400 for told in bits) <= 2


@pytest.mark.parametrize("limit", [0.0, 1.0, 1.6])
def test_a_better_reading_is_never_worth_less(limit: float) -> None:
    """Beyond a hundredth of noise, sureness and bits fall as the error of the reading grows, to nothing at the end."""
    true = even(3)
    ranks = np.where(true > limit, 2, 0)
    told = [tells(ranks, ALONE, true, error) for error in (0.03, 0.06, 0.1, 0.2, 0.4, 0.8, 1.6, 50.0)]
    for (sure, bits), (worse_sure, worse_bits) in itertools.pairwise(told):
        assert worse_sure <= sure + 0.01
        assert worse_bits <= bits + 0.01
    assert told[-1] == pytest.approx((max(np.bincount(ranks)) / 400, 0.0), abs=0.01)


def test_better_tools_are_never_worth_less() -> None:
    """The same through the door: each reading of a bank with doubts, taken better, tells no less."""
    case = LITHIUM_BANK()
    worse = found(what_settles(case, tools=Tools(capacity_frac=0.15, resistance_frac=0.4, leakage_frac=0.8)))
    better = found(what_settles(case, tools=Tools(capacity_frac=0.02, resistance_frac=0.05, leakage_frac=0.1)))
    assert worse
    for key in worse.keys() & better.keys():
        assert better[key].bits >= worse[key].bits - 0.03
        assert better[key].sure_after_frac >= worse[key].sure_after_frac - 0.02


# --- the draws --------------------------------------------------------------------------------------------------------


def test_draws_have_the_distributions_they_are_said_to_have() -> None:
    """Capacity is normal, leakage lognormal with the prior's mean and spread, an unknown charge rectangular (scipy)."""
    bare = replace(unit("a"), capacity_ah=None, rest_v=None, soc_frac=None, self_discharge_frac_month=None)
    drawn = truths(state_of(bare), seed=5, samples=4000)
    assert stats.kstest(drawn.capacity_ah, stats.truncnorm(-55 / 20, np.inf, 65, 20).cdf).pvalue > 0.01
    assert stats.kstest(drawn.soc_frac, stats.uniform.cdf).pvalue > 0.01
    variance = math.log(2.0)  # a prior as wide as its value
    lognormal = stats.lognorm(math.sqrt(variance), scale=0.025 * math.exp(-variance / 2))
    assert stats.kstest(drawn.self_discharge_frac_month, lognormal.cdf).pvalue > 0.01
    assert drawn.self_discharge_frac_month.mean() == pytest.approx(0.025, rel=0.03)


def test_a_resistance_never_read_follows_the_capacity() -> None:
    """R over that of a new unit is one over health squared, with 30 % of scatter beside it."""
    bare = state("a", capacity_ah=None, resistance_mohm=None)
    drawn = truths(bare, seed=2, samples=4000)
    scatter = drawn.resistance_mohm / bare.chem.typical_mohm(6, 100.0) * (drawn.capacity_ah / 100.0) ** 2
    assert scatter.mean() == pytest.approx(1.0, abs=0.02)
    assert scatter.std() == pytest.approx(0.30, abs=0.02)
    assert abs(np.corrcoef(scatter, drawn.capacity_ah)[0, 1]) < 0.05


@pytest.mark.parametrize("key", KEYS)
@pytest.mark.parametrize("soc", [0.1, 0.5, 0.9])
def test_nothing_is_left_to_be_asked_of_a_drawn_truth(key: str, soc: float) -> None:
    """On every draw all is measured, physical and without contradiction: no rule asks for a reading or a rest."""
    kind = chemistry(key)
    volts = (4 if kind.kind == "lithium" else 6) * kind.ocv.volts(soc)
    asking = {"unit-untested", "join-rest", "unit-contradiction"}
    for known in (
        {"rest_v": volts, "rest_hours": 0.2, "soc_frac": None},
        {"rest_v": volts, "soc_frac": None, "resistance_mohm": None, "capacity_ah": None},
        {"rest_v": None, "rest_hours": None, "soc_frac": soc},
        {"rest_v": None, "rest_hours": None, "soc_frac": None},
    ):
        case = loose(state("a", key, **known), plan=Plan(question=("accept", "join", "test")))
        drawn = [truths(s, seed=1, samples=60, extremes=20) for s in case.units]
        for draw in range(80):
            at = case_at(case, drawn, draw)
            assert not asking & {f.code for f in judge(at).findings}
            one = at.units[0]
            assert one.capacity_ah.value > 0 < one.resistance_mohm.value
            assert one.soc_frac is not None
            assert 0.0 <= one.soc_frac.value <= 1.0


def test_draws_of_a_unit_depend_on_its_name_and_seed_alone() -> None:
    """Whatever else is in the pile, a unit's draws are the same; another seed or name gives others."""
    one = truths(state("a"), seed=1, samples=50)
    assert np.array_equal(one.capacity_ah, truths(state("a"), seed=1, samples=50).capacity_ah)
    assert not np.array_equal(one.capacity_ah, truths(state("b"), seed=1, samples=50).capacity_ah)
    assert not np.array_equal(one.capacity_ah, truths(state("a"), seed=2, samples=50).capacity_ah)


# --- the shortcuts, against the judge on every draw ------------------------------------------------------------------

FULL = Plan(
    duty=Duty(system_v=24, energy_wh_per_day=1500, still_days=2, ambient_c=6),
    charger=Charger(volts=28.4, amps=20, source="pv", compensated=False),
    protection=Protection(
        bms=True, disconnect_v=21, unit_fuse_a=80, main_fuse_a=100, fuse_volts=80, fuse_interrupt_ka=20, isolator="dc"
    ),
    wiring=Wiring(takeoff="busbar", link_mohm=0.5, joint_mohm=0.1, cable_mm2=35, run_m=2),
    site=Site(room="shed", vent_m3_per_h=20, spark_distance_m=1, touchable_bars=False),
)


def any_state(chance: random.Random, name: str, key: str) -> State:
    """Return a unit of a chemistry of which some things were measured and some were not."""
    kind = chemistry(key)
    cells = 4 if kind.kind == "lithium" else 6
    soc = chance.choice([0.4, 0.7, 0.9])
    known: dict[str, Any] = {
        "capacity_ah": chance.choice([None, 95.0, 84.0, 78.0, 66.0]),
        "resistance_mohm": chance.choice([None, *(f * kind.typical_mohm(cells, 100) for f in (1.0, 1.4, 1.9))]),
        "rest_v": chance.choice([None, round(cells * kind.ocv.volts(soc), 2)]),
        "rest_hours": chance.choice([None, 1.0, 24.0]),
        "soc_frac": chance.choice([None, None, soc, 1.0]),
        "self_discharge_frac_month": chance.choice([None, 1.8 * kind.num("self_discharge") / 100]),
    }
    return state(name, key, **known)


@pytest.mark.parametrize("seed", range(12))
def test_asking_fewer_rules_gives_what_the_judge_gives(seed: int) -> None:
    """On random banks the verdict on each draw is the full judge's on all but 1 % of the draws, mostly on all."""
    chance = random.Random(seed)
    key = chance.choice(["lead_agm", "lead_flooded", "lfp", "nmc"])
    states = [any_state(chance, name, key) for name in "abcd"]
    expression = chance.choice(["(a + b) // (c + d)", "a // b + c // d", "a + b", "a // b // c"])
    plan = replace(FULL, question=chance.choice([("join",), ("join", "build"), ("discharge",), ()]))
    count = 400
    if seed % 4 == 0:  # the shares of a load are solved step by step, and take long
        count, plan = 100, replace(plan, duty=replace(plan.duty, load_w=700))
    case = banked(expression, *states, plan=plan)
    drawn = [truths(s, seed=seed, samples=count, extremes=EXTREMES) for s in case.units]
    quick = verdict_ranks(case, drawn, count)
    full = np.array([judge(case_at(case, drawn, i)).verdict.rank for i in range(count)])
    assert np.count_nonzero(quick != full) <= 0.01 * count


@pytest.mark.parametrize("seed", range(8))
def test_loose_units_one_by_one_give_what_the_pile_gives(seed: int) -> None:
    """The odds of a pile, as products, lie within the noise of judging whole drawn piles; sites and stores included."""
    chance = random.Random(100 + seed)
    states = [any_state(chance, name, chance.choice(["lead_agm", "lfp", "lead_flooded"])) for name in "abc"]
    question = chance.choice([("accept",), ("accept", "site"), ("test",), ("accept", "test", "site")])
    case = loose(*states, plan=replace(FULL, question=question))
    got = what_settles(case, seed=seed, samples=800)
    drawn = [truths(s, seed=seed + 50, samples=800, extremes=EXTREMES) for s in states]
    ranks = [judge(case_at(case, drawn, i)).verdict for i in range(800)]
    for verdict in Verdict:
        share = ranks.count(verdict) / 800
        assert got.odds[verdict] == pytest.approx(share, abs=0.01 + 4 * math.sqrt(share * (1 - share) / 800))


def test_a_rule_on_the_whole_pile_is_not_lost() -> None:
    """Two units whose gas together is too much for the air: judged one by one each is fine, the pile is not."""
    site = Site(room="shed", vent_m3_per_h=1.0, spark_distance_m=1.0)  # 0.6 m³/h for one, 1.8 for three
    plan = Plan(question=("site",), charger=Charger(volts=14.8, amps=20, stage="absorb"), site=site)
    states = [state(name, "lead_flooded") for name in "abc"]
    apart = max(judge(loose(s, plan=plan)).verdict.rank for s in states)
    whole = judge(loose(*states, plan=plan)).verdict
    assert whole.rank > apart
    drawn = [truths(s, seed=1, samples=8, extremes=EXTREMES) for s in states]
    assert pile_floor(loose(*states, plan=plan), drawn, 8) == whole.rank
    assert what_settles(loose(*states, plan=plan), samples=40).odds[whole] == 1.0


# --- laws of the answer ----------------------------------------------------------------------------------------------


def LITHIUM_BANK() -> Case:  # noqa: N802
    """Return an invented bank of four lithium packs, one never tested, one with no resistance."""
    states = (
        state("a", "lfp", capacity_ah=97.0, self_discharge_frac_month=None),
        state("b", "lfp", capacity_ah=91.0, resistance_mohm=None),
        state("c", "lfp", capacity_ah=95.0),
        state("d", "lfp", capacity_ah=None),
    )
    return banked("(a + b) // (c + d)", *states, plan=FULL)


def test_the_unit_never_measured_comes_out_on_top() -> None:
    """Where the verdict is only-if merely because one capacity was never measured, its run is the reading to take."""
    states = [state(name, "lfp", capacity_ah=96.0) for name in "abc"] + [untested("d", "lfp", 75.0, 15.0)]
    case = banked("(a + b) // (c + d)", *states, plan=Plan(question=("join",), protection=Protection(unit_fuse_a=80)))
    tested = banked("(a + b) // (c + d)", *states[:3], state("d", "lfp", capacity_ah=96.0), plan=case.plan)
    assert judge(tested).verdict.rank < Verdict.ONLY_IF.rank
    got = what_settles(case)
    assert got.verdict_now is Verdict.ONLY_IF
    assert got.best is not None
    assert (got.best.unit, got.best.procedure) == ("d", Procedure.CAPACITY)
    assert got.best.sure_after_frac > 0.85
    assert got.best.bits > 0.7 * got.doubt_bits
    assert "capacity reading of d" in got.says


def test_permuting_units_changes_the_order_alone() -> None:
    """Odds and worths do not depend on the order in which units are listed, loose or in a bank."""
    states = [*LITHIUM_BANK().units]
    plan = replace(FULL, question=("join",))
    for one, other in (
        (loose(*states), loose(*reversed(states))),
        (banked("(a + b) // (c + d)", *states, plan=plan), banked("(d + c) // (b + a)", *states, plan=plan)),
    ):
        first, second = what_settles(one, samples=200), what_settles(other, samples=200)
        assert first.odds == pytest.approx(second.odds)
        there = found(second)
        for key, worth in found(first).items():
            assert worth.bits == pytest.approx(there[key].bits, abs=1e-9)
            assert worth.sure_after_frac == pytest.approx(there[key].sure_after_frac, abs=1e-9)


def test_the_same_seed_gives_the_same_answer() -> None:
    """Two runs agree in all; another seed moves the odds by no more than 400 draws may."""
    case = LITHIUM_BANK()
    first, again, other = what_settles(case), what_settles(case), what_settles(case, seed=2)
    assert first == again
    for verdict in Verdict:
        p = first.odds[verdict]
        assert other.odds[verdict] == pytest.approx(p, abs=0.01 + 5 * math.sqrt(p * (1 - p) / 400))


def test_what_chemistry_forbids_no_reading_changes() -> None:
    """Lead beside lithium stays forbidden whatever is read, and the answer says so."""
    case = banked("a // b", state("a", "lead_agm", capacity_ah=None), state("b", "lfp"), plan=Plan(question=("join",)))
    got = what_settles(case)
    assert got.verdict_now is Verdict.FORBID
    assert got.odds[Verdict.FORBID] == 1.0
    assert got.doubt_bits == 0.0
    assert got.best is None
    assert got.says.startswith("No reading would change it: forbid")


def test_a_pile_that_is_surely_good_needs_no_reading() -> None:
    """All measured far from every limit: fine, sure, nothing to read."""
    got = what_settles(loose(state("a"), state("b")))
    assert (got.verdict_now, got.odds[Verdict.FINE], got.readings) == (Verdict.FINE, 1.0, ())
    assert got.says == "No reading would change it: fine, whatever is read."


def test_sure_of_another_verdict_than_today_is_said() -> None:
    """Where an assumption alone makes it only-if and every truth would be fine, the answer says both."""
    got = what_settles(loose(untested("a", "lfp", 98.0, 2.0)))
    assert (got.verdict_now, got.likeliest, got.best) == (Verdict.ONLY_IF, Verdict.FINE, None)
    assert "would be fine" in got.says
    assert "only-if" in got.says


def test_doubt_that_no_tool_can_take_is_said() -> None:
    """A unit measured well, and just at a limit: in doubt, and no reading with usual tools tells more."""
    got = what_settles(loose(state("a", "lfp", capacity_ah=80.5)))
    assert got.sure_frac < 0.7
    assert got.readings == ()
    assert "No single reading with usual tools" in got.says


def test_bookkeeping_of_the_answer() -> None:
    """Odds add up, gains are differences, nothing exceeds what there is, and the best comes first."""
    got = what_settles(LITHIUM_BANK())
    assert sum(got.odds.values()) == pytest.approx(1.0)
    assert got.sure_frac == max(got.odds.values()) == got.odds[got.likeliest]
    assert got.doubt_bits == pytest.approx(stats.entropy(list(got.odds.values()), base=2))
    for worth in got.readings:
        assert worth.gain_frac == pytest.approx(worth.sure_after_frac - got.sure_frac)
        assert 0.0 <= worth.bits <= got.doubt_bits + 1e-9
        assert got.sure_frac <= worth.sure_after_frac <= 1.0
        assert worth.unit in worth.says
    assert [round(w.bits, 2) for w in got.readings] == sorted((round(w.bits, 2) for w in got.readings), reverse=True)


def test_too_few_draws_are_refused() -> None:
    """Below eight draws there is nothing to tell; the error says how many are usual."""
    with pytest.raises(InputError, match="400 are usual"):
        what_settles(LITHIUM_BANK(), samples=7)


def test_progress_runs_from_nothing_to_all() -> None:
    """Progress only rises, and ends at one."""
    for case in (LITHIUM_BANK(), loose(*LITHIUM_BANK().units)):
        heard: list[float] = []
        what_settles(case, samples=40, progress=heard.append)
        assert heard == sorted(heard)
        assert heard[-1] == 1.0


# --- which readings are offered --------------------------------------------------------------------------------------


def offered(one: State) -> set[str]:
    """Return the procedures offered on a unit."""
    return {c.procedure.value for c in candidates(truths(one, seed=1, samples=16), Tools(), 16)}


def test_readings_that_make_no_sense_are_not_offered() -> None:
    """Not what was read well, not a voltage on a flat curve; a hydrometer only where acid can be drawn."""
    assert offered(state("a")) == set()
    assert offered(state("a", capacity_ah=None, resistance_mohm=None)) == {"capacity", "resistance"}
    assert offered(state("a", self_discharge_frac_month=None)) == {"leakage"}
    assert offered(state("a", rest_v=None, soc_frac=None)) == {"rest"}
    assert offered(state("a", rest_v=None, soc_frac=0.5)) == {"rest"}  # a sloping curve
    assert offered(state("a", "lfp", rest_v=None, soc_frac=0.5)) == set()  # a flat one
    assert offered(state("a", "lfp", rest_v=None, soc_frac=None)) == {"rest"}
    assert offered(state("a", rest_hours=1.0)) == {"rest"}
    assert offered(state("a", "lead_flooded", rest_v=12.2, soc_frac=None)) == {"gravity"}
    assert offered(state("a", "lead_flooded", rest_v=12.2, soc_frac=None, gravity=(1.26, 1.265))) == set()


def test_a_poor_measurement_may_be_made_again() -> None:
    """A capacity with three times the doubt of a good run is offered again; one as good is not."""
    poor = replace(state("a"), capacity_ah=Measure(82.0, 8.6, Basis.MEASURED))
    assert offered(poor) == {"capacity"}
    assert what_settles(loose(poor)).best is not None


def test_hours_are_those_of_the_clock() -> None:
    """A lead run of 20 h follows 5 h of charge and 8 h of rest; resistance takes half an hour, leakage four weeks."""
    bare = replace(state("a", capacity_ah=None), capacity_ah=Measure(100.0, 20.0, Basis.ASSUMED))
    bare = replace(bare, unit=replace(bare.unit, resistance_mohm=None, self_discharge_frac_month=None))
    bare = replace(bare, resistance_mohm=Measure(5.0, 2.0, Basis.ASSUMED))
    bare = replace(bare, self_discharge_frac_month=Measure(0.025, 0.025, Basis.ASSUMED))
    hours = {c.procedure: c.hours for c in candidates(truths(bare, seed=1, samples=16), Tools(), 16)}
    assert hours == {Procedure.CAPACITY: 33.0, Procedure.RESISTANCE: 0.5, Procedure.LEAKAGE: 672.0}


# --- nothing breaks it -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("row", hazard_cases.rows(), ids=[row["id"] for row in hazard_cases.rows()])
def test_every_hazard_is_answered(row: dict[str, str]) -> None:
    """Each row of the hazards table gets odds that add up, finite worths and words."""
    pile, plan = hazard_cases.case(json.loads(row["inputs_json"]), row["description"])
    made = parse_plan(plan, name="plan")
    states = [state_of(u) for u in parse_pile(pile, name="pile")]
    case = loose(*states, plan=made)
    if made.arrangement is not None:
        case = banked(made.arrangement, *states, plan=made)
    got = what_settles(case, samples=16)
    assert sum(got.odds.values()) == pytest.approx(1.0)
    assert all(math.isfinite(worth.bits) and math.isfinite(worth.hours) for worth in got.readings)
    assert got.says


def test_odd_readings_are_answered() -> None:
    """Reversed, dead, leaking nothing, contradictory: odds all the same."""
    odd = (
        {"rest_v": -12.0, "soc_frac": None},
        {"rest_v": 0.0},
        {"self_discharge_frac_month": 0.0},
        {"rest_v": 11.9, "soc_frac": 1.0},
        {"capacity_ah": 0.5},
        {"capacity_ah": 190.0, "resistance_mohm": 0.02},
    )
    plan = Plan(question=("accept", "join", "test"))
    for known in odd:
        for case in (
            loose(state("a", **known), plan=plan),
            banked("a // b", state("a", **known), state("b"), plan=plan),
        ):
            assert sum(what_settles(case, samples=24).odds.values()) == pytest.approx(1.0)

"""The joining plan: what it orders, what it expects the meter to read, what it refuses."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotchpot.bank.bank import Bank
from hotchpot.bank.judge import judge
from hotchpot.bank.notation import parse
from hotchpot.bank.plan import Charger, Duty, Plan, Protection, Wiring
from hotchpot.bank.rules import Case
from hotchpot.bank.surge import joinings
from hotchpot.bank.verdict import Judgement, Verdict
from hotchpot.bench.state import state_of
from hotchpot.build import JoiningPlan, Step, joining_plan
from hotchpot.build.charge import prepare
from hotchpot.build.closing import assemble
from hotchpot.build.step import names
from hotchpot.chemistry import KEYS, chemistry
from hotchpot.errors import InputError, NoAnswerError
from hotchpot.pile.unit import Unit

JOIN = Plan(question=("join",))


def agm(name: str, rest_v: float | None, **more: object) -> Unit:
    """Return a good 12 V AGM unit of 100 Ah and 5.4 mΩ, rested a day at 25 °C."""
    facts: dict[str, object] = {
        "chemistry": "lead_agm",
        "cells": 6,
        "rated_ah": 100.0,
        "rated_hours": 20.0,
        "capacity_ah": 100.0,
        "resistance_mohm": 5.4,
        "rest_hours": 24.0,
        "temperature_c": 25.0,
    }
    return Unit(id=name, rest_v=rest_v, **{**facts, **more})  # type: ignore[arg-type]


def lfp(name: str, rest_v: float, **more: object) -> Unit:
    """Return a protected 16-cell LFP unit of 100 Ah and 14 mΩ, rested a day at 25 °C."""
    facts: dict[str, object] = {
        "chemistry": "lfp",
        "cells": 16,
        "rated_ah": 100.0,
        "rated_hours": 2.0,
        "capacity_ah": 100.0,
        "resistance_mohm": 14.0,
        "rest_hours": 24.0,
        "temperature_c": 25.0,
        "bms": True,
        "bms_max_a": 100.0,
    }
    return Unit(id=name, rest_v=rest_v, **{**facts, **more})  # type: ignore[arg-type]


def case_of(expression: str, *units: Unit, plan: Plan = JOIN, link_ohm: float = 0.5e-3) -> Case:
    """Return the case of a bank."""
    bank = Bank(parse(expression), {unit.id: state_of(unit) for unit in units}, link_ohm)
    return Case(plan, bank.units, bank)


def planned(case: Case) -> JoiningPlan:
    """Return the joining plan of a case after judging it."""
    return joining_plan(case, judge(case))


def titled(plan: JoiningPlan, start: str) -> list[Step]:
    """Return the steps whose title begins so."""
    return [step for step in plan.steps if step.title.startswith(start)]


# --- what flows at a closing -----------------------------------------------------------------------------------------


def test_a_closing_is_millmans_theorem() -> None:
    """
    12.7 V behind 5 mΩ onto 12.2 V behind 20 mΩ without links: 20 A, and 12.600 V on the joined terminals.

    Source: Kirchhoff by hand, 0.5 V / 25 mΩ = 20 A and 12.7 V - 20 A x 5 mΩ = 12.6 V. Exact to rounding.
    """
    units = agm("A", 12.7, resistance_mohm=5.0), agm("B", 12.2, resistance_mohm=20.0, rated_ah=27.0, capacity_ah=27.0)
    (closing,) = assemble(case_of("A // B", *units, link_ohm=0.0)).closings
    assert closing.current_a.value == pytest.approx(20.0, rel=1e-9)
    assert closing.bus_v == pytest.approx(12.600, abs=1e-9)


def test_a_pair_closes_with_the_judges_own_surge() -> None:
    """For two branches the plan's gap and current are the numbers that the judge holds to the limits."""
    case = case_of("A // B", agm("A", 12.72), agm("B", 12.60, capacity_ah=80.0, resistance_mohm=7.0))
    assert case.bank is not None
    (closing,) = assemble(case).closings
    (one, _) = joinings(case.bank, case.bank.root)
    assert abs(closing.gap_v.value) == pytest.approx(abs(one.gap_v), rel=1e-12)
    assert closing.current_a.value == pytest.approx(one.worst.value, rel=1e-12)
    assert closing.current_a.sd == pytest.approx(one.worst.sd, rel=1e-6)


def test_gap_and_current_of_a_fine_pair_are_read_as_by_hand() -> None:
    """
    12.72 V meets 12.70 V, 5.4 mΩ each, two leads of 0.5 mΩ to each: 0.02 V across the holder, then 1.56 A.

    Source: Ohm's law by hand, 0.02 V / (2 x 5.4 mΩ + 4 x 0.5 mΩ) = 1.5625 A. Nothing needs charging.
    """
    plan = planned(case_of("A // B", agm("A", 12.72), agm("B", 12.70)))
    (gap,), (close,) = titled(plan, "Read the gap"), titled(plan, "Close:")
    assert plan.charge_first == {}
    assert gap.expect == pytest.approx(0.02, abs=1e-9)
    assert close.expect == pytest.approx(1.5625, abs=1e-6)
    assert close.unit == "A"


def test_the_allowed_spread_is_a_fifth_of_the_limit_through_the_loop() -> None:
    """
    Two 100 Ah AGM units may differ by 0.077 V before they are closed.

    Source: project rule of the surge, by hand: 0.2 x 30 A (0.3C of the taking unit) x 12.8 mΩ = 0.0768 V.
    """
    (closing,) = assemble(case_of("A // B", agm("A", 12.72), agm("B", 12.70))).closings
    assert closing.limit_a == pytest.approx(30.0)
    assert closing.allowed_v == pytest.approx(0.0768, abs=1e-9)


def test_a_branch_fuse_lowers_the_limit() -> None:
    """A 20 A fuse in the branch holds the closing to 0.8 of it, 16 A, below the unit's own 30 A."""
    plan = Plan(question=("join",), protection=Protection(unit_fuse_a=20.0))
    (closing,) = assemble(case_of("A // B", agm("A", 12.72), agm("B", 12.70), plan=plan)).closings
    assert closing.limit_a == pytest.approx(16.0)


def test_joined_units_settle_where_charge_balances() -> None:
    """
    A 100 Ah and a 50 Ah unit of one straight piece of curve settle two thirds of the way to the larger.

    Source: charge given is charge taken, by hand: 12.60 V + 2/3 x 0.04 V = 12.6267 V; both readings lie on the piece of
    the AGM curve between 80 and 90 %, so the mean weighted by capacity is exact.
    """
    curve = chemistry("lead_agm").ocv
    low, high = 6 * curve.volts(0.82), 6 * curve.volts(0.88)
    small = agm("B", low, rated_ah=50.0, capacity_ah=50.0, resistance_mohm=10.8)
    (closing,) = assemble(case_of("A // B", agm("A", high), small)).closings
    assert closing.settled_v == pytest.approx(low + 2.0 / 3.0 * (high - low), abs=1e-6)


# --- order -----------------------------------------------------------------------------------------------------------


def test_nearest_voltages_meet_first() -> None:
    """Of 12.72, 12.60, 12.70 and 12.65 V the closest pair meets first, and then always the nearest of the rest."""
    units = agm("A", 12.72), agm("B", 12.60), agm("C", 12.70), agm("D", 12.65)
    joined = assemble(case_of("A // B // C // D", *units)).closings
    assert {joined[0].joined_ids, joined[0].branch.ids} == {("A",), ("C",)}
    assert [closing.branch.ids for closing in joined[1:]] == [("D",), ("B",)]


@given(st.lists(st.floats(12.3, 12.75), min_size=2, max_size=6))
def test_no_gap_is_wider_than_the_widest_between_branches(levels: list[float]) -> None:
    """Whatever the voltages, a closing never meets more than the spread of all, and the first meets the least gap."""
    units = [agm(f"U{i}", volts) for i, volts in enumerate(levels)]
    closings = assemble(case_of(" // ".join(unit.id for unit in units), *units)).closings
    ordered = sorted(levels)
    least = min(b - a for a, b in pairwise(ordered))
    assert len(closings) == len(levels) - 1
    assert all(abs(closing.gap_v.value) <= max(levels) - min(levels) + 1e-9 for closing in closings)
    assert abs(closings[0].gap_v.value) == pytest.approx(least, abs=1e-12)


def test_groups_come_before_strings_and_strings_before_their_bus() -> None:
    """Parallel groups are joined first, then the strings they stand in, then the strings in parallel."""
    halves = [agm(name, 12.72, rated_ah=50.0, capacity_ah=50.0, resistance_mohm=10.8) for name in ("A1", "A2")]
    case = case_of("(A1 // A2 + B) // (C + D)", *halves, *(agm(name, 12.72) for name in ("B", "C", "D")))
    plan = planned(case)
    rows = list(plan.order)
    assert max(rows.index(("A1",)), rows.index(("A2",))) < rows.index(("A1", "A2"))
    assert rows.index(("A1", "A2")) < rows.index(("A1", "A2", "B"))
    assert rows.index(("C",)) < rows.index(("C", "D"))
    building = [step.title for step in plan.steps if step.title.startswith(("Close", "Build the string"))]
    assert building[0].startswith("Close")
    assert building[-1].startswith("Close")


# --- strings ---------------------------------------------------------------------------------------------------------


def test_a_string_reads_the_sum_and_tells_a_reversed_member() -> None:
    """
    12.72 V and 12.70 V in series read 25.42 V within 1 %; with one reversed, next to nothing.

    Source: Kirchhoff's voltage law by hand, 12.72 + 12.70 and 12.72 + 12.70 - 2 x 12.72 = -0.02 V.
    """
    (string,) = titled(planned(case_of("A + B", agm("A", 12.72), agm("B", 12.70))), "Build the string")
    assert string.expect == pytest.approx(25.42, abs=1e-9)
    assert string.tolerance == pytest.approx(0.2542 + 2 * 2 * 0.00635, abs=1e-3)  # 1 %, and two doubts of each reading
    assert "-0.020 V: one member is reversed" in string.stop_if


def test_unlike_charge_in_a_string_is_charged_first_to_the_top_of_absorb() -> None:
    """
    A string with one member at half charge is charged member by member, to 14.70 V at 25 °C and 14.94 V at 15 °C.

    Source: 6 x 2.45 V, the top of the AGM absorb band, and -4 mV/K per cell (chemistry data): + 6 x 0.04 V. By hand.
    """
    warm = planned(case_of("A + B", agm("A", 12.3), agm("B", 12.3, soc_frac=0.9)))
    cold = planned(case_of("A + B", agm("A", 12.3, temperature_c=15.0), agm("B", 12.3, soc_frac=0.9)))
    assert warm.charge_first["A"] == pytest.approx(14.70)
    assert cold.charge_first["A"] == pytest.approx(14.94)


def test_charge_hours_follow_from_what_is_missing() -> None:
    """
    An AGM unit of 100 Ah at half charge needs 50 Ah / (30 A x 0.93) and 3 h of taper: 4.79 h.

    Source: by hand from the chemistry's charge limit (0.3C) and charge efficiency (0.93).
    """
    case = case_of("A + B", agm("A", 12.2, soc_frac=0.5), agm("B", 12.7, soc_frac=1.0))
    (charge,) = prepare(case).charges
    assert charge.hours == pytest.approx(50.0 / (30.0 * 0.93) + 3.0)


def test_plate_types_that_share_terminals_are_charged_to_the_lowest_limit() -> None:
    """Beside gel, an AGM unit is charged first to gel's 2.40 V a cell, not to its own 2.45 V."""
    gel = agm("G", 12.5, chemistry="lead_gel", resistance_mohm=8.4)
    plan = planned(case_of("A // G", agm("A", 12.2), gel))
    assert plan.charge_first["A"] == pytest.approx(14.40)
    assert max(plan.charge_first.values()) <= 14.40 + 1e-9


def test_a_cell_is_never_said_to_rest_above_what_it_was_charged_to() -> None:
    """An NMC cell charged to 4.15 V is expected to rest at 4.15 V, although its curve ends at 4.20 V."""
    cells = [
        Unit(id=name, chemistry="nmc", cells=1, rated_ah=50.0, rated_hours=5.0, capacity_ah=50.0, resistance_mohm=3.2,
             rest_v=volts, rest_hours=24.0, temperature_c=25.0)
        for name, volts in (("A", 3.60), ("B", 3.80))
    ]  # fmt: skip
    plan = Plan(question=("join",), protection=Protection(bms=True))
    (again,) = titled(planned(case_of("A + B", *cells, plan=plan)), "Read A and B again")
    assert again.expect == pytest.approx(4.15)


def test_units_too_cold_to_charge_get_no_plan() -> None:
    """Lithium at -5 °C is never told a charge current, nor joined: one would charge the other. It is to be warmed."""
    case = case_of("A // B", lfp("A", 53.3, temperature_c=-5.0), lfp("B", 51.5, temperature_c=-5.0))
    charges = prepare(case).charges
    assert charges
    assert all(charge.limit_a == 0.0 and charge.hours is None for charge in charges)
    with pytest.raises(NoAnswerError, match=r"no joining plan at this temperature: .*B and A.* bring them to"):
        planned(case)


# --- the whole plan --------------------------------------------------------------------------------------------------


def test_a_forbidden_bank_gets_no_plan() -> None:
    """Chemistries that may not be joined raise, naming the rule that decides and what to do."""
    case = case_of("A // B", agm("A", 12.7), lfp("B", 13.3, cells=4, resistance_mohm=6.0))
    with pytest.raises(NoAnswerError, match=r"chemistry-parallel forbids it.*DC-DC converter"):
        planned(case)


def test_a_judgement_on_another_question_is_no_leave_to_join() -> None:
    """A bank judged only for its site is judged for joining before it gets a plan."""
    case = case_of("A // B", agm("A", 12.7), agm("B", -12.7), plan=Plan(question=("site",)))
    with pytest.raises(NoAnswerError, match="unit-polarity"):
        joining_plan(case, Judgement(Verdict.FINE, ()))


def test_loose_units_are_refused() -> None:
    """Without an arrangement there is nothing to join, and the error says to give one."""
    state = state_of(agm("A", 12.7))
    with pytest.raises(InputError, match="give one"):
        joining_plan(Case(JOIN, (state,)), Judgement(Verdict.FINE, ()))


def many_conditions() -> Case:
    """Return a bank with conditions of every gate."""
    plan = Plan(
        duty=Duty(load_a=45.0),
        charger=Charger(source="wind", volts=28.8, amps=40.0),
        protection=Protection(inverter_capacitance_mf=10.0, disconnect_v=20.0, isolator="none"),
        wiring=Wiring(takeoff="same_end", link_mohm=0.5, cable_mm2=35.0, joint_mohm=0.3),
    )
    units = [agm("A1", 12.72), agm("A2", 12.2, rest_hours=2.0), agm("B1", 12.7, capacity_ah=85.0), agm("B2", 12.5)]
    units[3] = replace(units[3], capacity_ah=None, rest_hours=None)
    return case_of("(A1 + A2) // (B1 + B2)", *units, plan=plan)


def test_every_only_if_condition_is_a_step() -> None:
    """What an only-if finding asks for stands in a step, word for word, with its units."""
    case = many_conditions()
    judgement = judge(case)
    wanted = [finding for finding in judgement.findings if finding.verdict is Verdict.ONLY_IF]
    plan = joining_plan(case, judgement)
    assert len({finding.code for finding in wanted}) >= 8
    for finding in wanted:
        if finding.code in ("join-surge", "series-charge"):
            assert set(finding.subject) & set(plan.charge_first)  # met by the charges computed for this bank
            continue
        if finding.code in ("fuse-string", "precharge"):
            continue  # the plan has steps of its own for these
        held = [step for step in plan.steps if finding.do in step.do]
        assert held, finding.code
        assert any(set(finding.subject) <= set(step.units) for step in held)


def test_steps_are_numbered_from_one_and_name_every_unit() -> None:
    """Numbers run from 1 without a gap, and no unit of the bank is left out."""
    case = many_conditions()
    plan = planned(case)
    assert [step.number for step in plan.steps] == list(range(1, len(plan.steps) + 1))
    assert {name for step in plan.steps for name in step.units} == {"A1", "A2", "B1", "B2"}


def test_the_usual_cautions_come_first() -> None:
    """Gloves, goggles, tools, rings, one lead, company, sparks, and local codes are always said."""
    text = " ".join(planned(case_of("A // B", agm("A", 12.72), agm("B", 12.70))).cautions)
    for word in ("gloves", "goggles", "insulated", "rings", "one lead", "alone", "sparks", "Local codes", "licensed"):
        assert word in text


def test_precharge_is_timed_and_read() -> None:
    """
    10 mF at 51.2 V through 47 Ω stand at 95 % after 1.4 s.

    Source: i = V/R and three time constants, as in physics textbooks; 0.47 s x ln 20 = 1.408 s by hand.
    """
    plan = Plan(question=("join",), protection=Protection(inverter_capacitance_mf=10.0, precharge_ohm=47.0, bms=True))
    case = case_of("A", lfp("A", 51.2), plan=plan)
    (held,) = titled(planned(case), "Pre-charge the inverter")
    assert held.minutes == pytest.approx(1.408 / 60.0, rel=1e-3)
    assert held.expect == pytest.approx(51.2)
    assert held.expect is not None
    assert held.tolerance == pytest.approx(0.05 * held.expect)


def test_no_precharge_without_an_inverter() -> None:
    """A bank without stated capacitance gets no pre-charge step."""
    assert titled(planned(case_of("A // B", agm("A", 12.72), agm("B", 12.70))), "Pre-charge the inverter") == []


def test_first_load_is_shared_by_resistance() -> None:
    """
    Of a tenth of 200 Ah, 20 A, branches of 5.4 and 8.1 mΩ with two leads of 0.5 mΩ carry 11.74 and 8.26 A.

    Source: current division by hand, 20 x 9.1 / (6.4 + 9.1) and 20 x 6.4 / 15.5.
    """
    units = agm("A", 12.72), agm("B", 12.72, resistance_mohm=8.1)
    plan = planned(case_of("A // B", *units))
    (load,), (shares,) = titled(plan, "First load"), titled(plan, "Clamp the branches")
    assert load.expect == pytest.approx(20.0)
    assert "A 11.7 A; B 8.26 A" in shares.reads
    assert "20 %" in shares.reads


def test_a_branch_fuse_lies_between_load_and_cable() -> None:
    """The fuse asked for bears the load at 80 % and is no larger than the cable carries (33 CFR 183.425, 75 °C)."""
    plan = Plan(question=("join",), duty=Duty(load_a=20.0), wiring=Wiring(cable_mm2=16.0))
    (main,) = titled(planned(case_of("A // B", agm("A", 12.72), agm("B", 12.70), plan=plan)), "Lay out the main fuse")
    assert "25 to 106 A" in main.do


def test_a_disconnect_below_the_lowest_allowed_is_not_repeated() -> None:
    """A planned 20 V on a 24 V lead bank is below 12 x 1.75 V; the trial step gives the usual 23.04 V instead."""
    (trip,) = titled(planned(many_conditions()), "Trip the low-voltage disconnect")
    assert trip.expect == pytest.approx(12 * 1.92)


def test_converters_keep_branches_apart() -> None:
    """Branches that meet only through converters are banks of their own: no plan joins them into one."""
    plan = Plan(question=("join",), charger=Charger(separate_converters=True))
    with pytest.raises(NoAnswerError, match=r"only through converters.*\(A and B\)"):
        planned(case_of("A // B", agm("A", 12.72), agm("B", 12.2), plan=plan))


def test_an_unread_unit_is_read_and_charged() -> None:
    """A unit without a voltage is read for the first time, and charged before it joins."""
    plan = planned(case_of("A // B", agm("A", 12.72), agm("B", None)))
    assert titled(plan, "Read B for the first time")
    assert "B" in plan.charge_first


def test_a_large_pack_keeps_a_short_plan() -> None:
    """1,120 cells in fourteen groups of eighty are brought together in fewer than sixty steps that name them all."""
    cells = [
        Unit(id=f"c{i:04d}", chemistry="nmc", cells=1, rated_ah=2.5, rated_hours=5.0, capacity_ah=2.3 + i % 7 * 0.01,
             resistance_mohm=70.0 + i % 5, rest_v=3.70 + i % 9 * 0.01, rest_hours=24.0, temperature_c=20.0)
        for i in range(1, 1121)
    ]  # fmt: skip
    groups = " + ".join(f"//(c{80 * k + 1:04d}..c{80 * k + 80:04d})" for k in range(14))
    plan = Plan(question=("join",), protection=Protection(bms=True))
    made = planned(case_of(groups, *cells, plan=plan))
    assert len(made.steps) < 60
    assert {name for step in made.steps for name in step.units} == {cell.id for cell in cells}
    assert len(made.order) == 1120 + 14


def test_names_are_ranges_and_stay_short() -> None:
    """Runs of ids are written as ranges, and a long list of odd ones is cut with its count."""
    assert names([f"c{i:02d}" for i in range(1, 31)]) == "c01..c30"
    assert names(["A", "B", "C"]) == "A, B and C"
    assert names([f"x{i}" for i in range(0, 60, 2)]).endswith("and 24 more")


# --- robustness ------------------------------------------------------------------------------------------------------


SHAPES = (
    "U0",
    "U0 // U1",
    "U0 + U1",
    "U0 // U1 // U2",
    "U0 // U1 + U2",
    "U0 // U1 + U2 // U3",
    "(U0 + U1) // (U2 + U3)",
    "((U0 // U1) + U2) // (U3 + U4)",
    "U0 // U1 // U2 // U3 // U4 // U5",
)


@st.composite
def small_banks(draw: st.DrawFn) -> Case:
    """Draw a bank of up to six units of one chemistry, with gaps in what is known."""
    key = draw(st.sampled_from(KEYS))
    chem = chemistry(key)
    shape = draw(st.sampled_from(SHAPES))
    units = []
    for i in range(6):
        soc = draw(st.none() | st.floats(0.05, 1.0))
        rated = draw(st.sampled_from((2.5, 100.0)))
        by_voltage = soc is not None and draw(st.booleans())
        units.append(
            Unit(
                id=f"U{i}",
                chemistry=key,
                cells=draw(st.sampled_from((1, 4))) if shape in ("U0", "U0 + U1") else 4,
                rated_ah=rated,
                rated_hours=5.0,
                capacity_ah=draw(st.none() | st.floats(0.72 * rated, 1.05 * rated)),
                resistance_mohm=None,
                rest_v=4 * chem.ocv.volts(soc) if by_voltage and soc is not None else None,
                soc_frac=None if by_voltage else soc,
                rest_hours=draw(st.none() | st.floats(0.1, 48.0)),
                temperature_c=draw(st.none() | st.floats(-15.0, 50.0)),
                bms=True if chem.kind == "lithium" else None,
            )
        )
    used = [unit for unit in units if unit.id in shape]
    load = draw(st.none() | st.floats(0.1, 20.0))
    plan = Plan(
        question=("join",),
        duty=Duty(load_a=load),
        protection=Protection(inverter_capacitance_mf=draw(st.none() | st.just(5.0))),
        wiring=Wiring(cable_mm2=draw(st.none() | st.floats(1.0, 95.0))),
    )
    return case_of(shape, *used, plan=plan)


@given(small_banks())
def test_any_small_bank_gets_a_sound_plan_or_a_reason(case: Case) -> None:
    """Every plan has finite numbers, running step numbers, all units, every condition; a refusal names its rule."""
    judgement = judge(case)
    if judgement.verdict is Verdict.FORBID:
        assert judgement.decisive is not None
        with pytest.raises(NoAnswerError, match=judgement.decisive.code):
            joining_plan(case, judgement)
        return
    try:
        plan = joining_plan(case, judgement)
    except NoAnswerError as refusal:
        assert "at this temperature" in str(refusal)  # noqa: PT017 - the only other refusal, and only for cold or heat
        assert any(state.charge_limit_at(state.temperature_c) == 0.0 for state in case.units)
        return
    assert [step.number for step in plan.steps] == list(range(1, len(plan.steps) + 1))
    assert {state.unit.id for state in case.units} == {name for step in plan.steps for name in step.units}
    for step in plan.steps:
        assert all(math.isfinite(x) for x in (step.expect, step.tolerance, step.minutes) if x is not None), step
        assert step.tolerance is None or step.tolerance >= 0.0
        assert "nan" not in step.reads + step.stop_if + step.do
        assert "inf " not in step.reads + step.stop_if + step.do
    for resistor in plan.resistors:
        assert 0.0 < resistor.minutes <= 24 * 60
        assert resistor.ohm > 0.0
        assert resistor.watt > 0.0
        assert resistor.stop_v > 0.0
    for finding in judgement.findings:
        if finding.verdict is Verdict.ONLY_IF:
            if finding.code in ("join-surge", "series-charge") and plan.charge_first:
                continue  # met by the charges computed for this bank
            if finding.code in ("fuse-string", "precharge"):
                continue  # the plan has steps of its own for these
            assert any(finding.do in step.do for step in plan.steps), finding.code


# --- no step contradicts another -----------------------------------------------------------------------------------


def clashes(case: Case, plan: JoiningPlan) -> list[str]:
    """Return what in a plan cannot be done as written: a stop limit below its own reading, a load above its fuse."""
    found = []
    for step in plan.steps:
        limit = re.search(r"above ([0-9.]+) V", step.stop_if)
        if step.title.startswith("Read the gap") and limit and step.expect is not None:
            reading = step.expect + (step.tolerance or 0.0)
            if float(limit.group(1)) < reading - 0.0006:
                found.append(f"{step.title}: stops at {limit.group(1)} V, reads up to {reading:.3f} V")
        if step.title == "First load" and step.expect is not None:
            fuse = case.plan.protection.main_fuse_a
            if fuse and step.expect > 0.8 * fuse + 1e-9:
                found.append(f"first load {step.expect:.1f} A through {fuse} A")
    titles = [step.title for step in plan.steps]
    if not any(title in ("Close the isolator", "Pre-charge the inverter") for title in titles):
        found.append("the isolator is never closed")
    through = [i for i, step in enumerate(plan.steps) if "join through a resistor" in step.title]
    if through and not any("take the resistor off" in step.do for step in plan.steps[through[0] :]):
        found.append("the resistor is never taken off")
    return found


@given(small_banks(), st.none() | st.floats(5, 200))
def test_no_step_contradicts_itself(case: Case, fuse_a: float | None) -> None:
    """No stop limit lies below its own reading, no first load above its fuse; what is put in is taken out."""
    protection = replace(case.plan.protection, main_fuse_a=fuse_a)
    case = Case(replace(case.plan, protection=protection), case.units, case.bank)
    try:
        plan = joining_plan(case, judge(case))
    except NoAnswerError:
        return
    assert clashes(case, plan) == []

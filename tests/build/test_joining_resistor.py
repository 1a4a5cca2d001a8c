"""Joining through a resistor: ohms and watts by hand, minutes and charge against a stiff integrator."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from hotchpot.bank.bank import Bank
from hotchpot.bank.judge import judge
from hotchpot.bank.notation import parse
from hotchpot.bank.plan import Plan, Protection
from hotchpot.bank.rules import Case
from hotchpot.bank.surge import joinings
from hotchpot.bench.state import State, state_of
from hotchpot.build import Resistor, joining_plan
from hotchpot.build.closing import Closing, assemble
from hotchpot.build.resistor import joining_resistor
from hotchpot.pile.unit import Unit

LINK_OHM = 0.5e-3


def unit(name: str, chem: str, cells: int, volts: float, mohm: float, *, ah: float = 100.0, bms: bool = False) -> Unit:
    """Return a good, measured and rested unit at 25 °C."""
    hours = 20.0 if chem.startswith("lead") else 2.0
    return Unit(
        id=name,
        chemistry=chem,
        cells=cells,
        rated_ah=ah,
        rated_hours=hours,
        capacity_ah=ah,
        resistance_mohm=mohm,
        rest_v=volts,
        rest_hours=24.0,
        temperature_c=25.0,
        bms=bms or None,
        bms_max_a=100.0 if bms else None,
    )


def case_of(*units: Unit) -> Case:
    """Return the case of units side by side, with fuses in their branches."""
    bank = Bank(parse(" // ".join(u.id for u in units)), {u.id: state_of(u) for u in units}, LINK_OHM)
    return Case(Plan(question=("join",), protection=Protection(unit_fuse_a=125.0)), bank.units, bank)


def closed(*units: Unit) -> tuple[Closing, Resistor]:
    """Return the one closing of two units, and its resistor."""
    (closing,) = assemble(case_of(*units)).closings
    resistor = joining_resistor(closing)
    assert resistor is not None
    return closing, resistor


PACKS = unit("A", "lfp", 16, 54.0, 14.0, bms=True), unit("B", "lfp", 16, 50.0, 14.0, bms=True)


def test_packs_four_volts_apart_need_four_tenths_of_an_ohm() -> None:
    """
    54.0 V onto 50.0 V, 16 cells of 100 Ah LFP, 14 mΩ each, 100 A protection: 0.4 Ω and 40 W, 9.30 A at first.

    Source: the project's surge rule by hand. Limit: the smallest of 50 A (0.5C of the taking pack), 100 A (1C of the
    giving one), 100 A protection and 0.8 x 125 A fuse. 4 V / (0.2 x 50 A); 4² / 0.4; 4 V / (0.4 + 0.030) Ω.
    """
    _, resistor = closed(*PACKS)
    assert resistor.ohm == pytest.approx(0.4)
    assert resistor.watt == pytest.approx(80.0)  # 40 W of heat at first, and as much again so that it stays touchable
    assert resistor.start_a == pytest.approx(4.0 / 0.430)
    assert resistor.stop_v == pytest.approx(0.2 * 50.0 * 0.030)


def test_the_plan_offers_the_resistor_in_place_of_the_charge() -> None:
    """Packs that may not be closed directly are charged first, or joined through the resistor that the plan names."""
    case = case_of(*PACKS)
    plan = joining_plan(case, judge(case))
    assert set(plan.charge_first) == {"A", "B"}
    assert [round(resistor.ohm, 6) for resistor in plan.resistors] == [0.4]
    (step,) = [step for step in plan.steps if step.title.startswith("In place of charging")]
    assert "0.4 Ω, rated 80 W or more" in step.do  # 40 W flow at first; twice that keeps it touchable
    assert step.minutes == pytest.approx(plan.resistors[0].minutes)


def slow_circuit(closing: Closing, ohm: float) -> tuple[Any, Any, list[float]]:
    """
    Return the circuit's equations, the open-circuit gap, and its start: charge moved, and two slow pairs for each unit.

    Built from the chemistry's own curve and pairs, and from nothing of the code under test.
    """
    giver, taker = sorted(
        (closing.branch.states[0], closing.joined[0].states[0]), key=lambda s: -(s.unit.rest_v or 0.0)
    )
    loop = ohm + 1e-3 * (giver.resistance_mohm.value + taker.resistance_mohm.value) + 4 * LINK_OHM

    def rest_v(state: State, drawn_ah: float) -> float:
        soc0 = float(np.interp((state.unit.rest_v or 0.0) / state.unit.cells, state.chem.ocv.volt, state.chem.ocv.soc))
        soc = soc0 - drawn_ah / state.capacity_ah.value
        return state.unit.cells * float(np.interp(soc, state.chem.ocv.soc, state.chem.ocv.volt))

    pairs = [
        (1e-3 * state.chem.num(f"r{k}_q") * state.unit.cells / state.capacity_ah.value, state.chem.num(f"tau{k}"))
        for state in (giver, taker)
        for k in (1, 2)
    ]

    def gap(moved_ah: float) -> float:
        return rest_v(giver, moved_ah) - rest_v(taker, -moved_ah)

    def slope(_: float, y: Any) -> list[float]:
        current = (gap(y[0]) - sum(y[1:])) / loop
        return [current / 3600.0, *((current * r - v) / tau for v, (r, tau) in zip(y[1:], pairs, strict=True))]

    return slope, gap, [0.0, 0.0, 0.0, 0.0, 0.0]


@pytest.mark.parametrize(
    "units",
    [
        (unit("A", "lead_agm", 6, 12.75, 5.4), unit("B", "lead_agm", 6, 12.10, 7.0)),
        (unit("A", "lead_flooded", 6, 12.45, 14.0), unit("B", "lead_flooded", 6, 12.30, 20.0, ah=80.0)),
        (unit("A", "nmc", 7, 28.0, 8.0), unit("B", "nmc", 7, 26.0, 11.0, ah=80.0)),
        PACKS,
    ],
    ids=["agm", "flooded", "nmc", "lfp packs"],
)
def test_minutes_agree_with_a_stiff_integrator(units: tuple[Unit, Unit]) -> None:
    """
    The gap falls to the closing voltage in the minutes the plan says.

    Source: scipy's Radau on the same two batteries with their real curves, 10 s resistances, both slow pairs of each
    and the links. Within 10 %: the plan takes the slow pairs as full from the start, where they take tau to come up.
    """
    closing, resistor = closed(*units)
    slope, gap, start = slow_circuit(closing, resistor.ohm)

    def reached(_: float, y: Any) -> float:
        return float(gap(y[0])) - resistor.stop_v

    reached.terminal = True  # type: ignore[attr-defined]
    run = solve_ivp(slope, (0.0, 2 * 86400.0), start, "Radau", events=reached, rtol=1e-6, atol=1e-8, max_step=120.0)
    assert run.status == 1
    assert resistor.minutes == pytest.approx(run.t[-1] / 60.0, rel=0.10)


@pytest.mark.parametrize(
    "units",
    [
        (unit("A", "lead_agm", 6, 12.75, 5.4), unit("B", "lead_agm", 6, 12.10, 7.0)),
        (unit("A", "nmc", 7, 28.0, 8.0), unit("B", "nmc", 7, 26.0, 11.0, ah=80.0)),
    ],
    ids=["agm", "nmc"],
)
def test_charge_moved_agrees_with_a_stiff_integrator(units: tuple[Unit, Unit]) -> None:
    """
    Left joined through the resistor, the units exchange the charge that the judge's surge says, and settle level.

    Source: scipy's Radau as above, run for thirty days. Within 2 %: the last microvolts of the gap decay for ever.
    """
    closing, resistor = closed(*units)
    slope, gap, start = slow_circuit(closing, resistor.ohm)
    run = solve_ivp(slope, (0.0, 30 * 86400.0), start, "Radau", rtol=1e-6, atol=1e-8)
    assert gap(run.y[0, -1]) < 0.002
    assert closing.moved_ah == pytest.approx(run.y[0, -1], rel=0.02)
    one = joinings(closing.bank, closing.node)[0]
    assert one.charge_ah is not None
    assert abs(one.charge_ah) == pytest.approx(run.y[0, -1], rel=0.02)


def test_straight_curves_decay_with_one_time_constant() -> None:
    """
    On one straight piece of curve the minutes are tau ln(u0/u) with tau = (R + R_loop) q / gap.

    Source: RC discharge, as in circuit textbooks; both units lie between 80 and 90 % of the AGM curve, where it is
    straight. R_loop with slow pairs by hand: 2 x 6 x (90 + 150 + 300) mΩ·Ah / 100 Ah + 4 links = 66.8 mΩ.
    """
    a, b = unit("A", "lead_agm", 6, 12.685, 5.4), unit("B", "lead_agm", 6, 12.605, 5.4)
    closing, resistor = closed(a, b)
    assert closing.moved_ah is not None
    tau_h = (resistor.ohm + 0.0668) * closing.moved_ah / 0.08
    assert resistor.minutes == pytest.approx(60.0 * tau_h * np.log(0.08 / resistor.stop_v), rel=1e-6)


def test_no_resistor_where_closing_directly_is_fine() -> None:
    """A gap whose current is already below a fifth of the limit needs no resistor."""
    (closing,) = assemble(case_of(unit("A", "lead_agm", 6, 12.72, 5.4), unit("B", "lead_agm", 6, 12.70, 5.4))).closings
    assert joining_resistor(closing) is None


def test_more_than_a_day_means_charge_instead() -> None:
    """Two 100 Ah LFP packs held to a tenth of an amp by a small fuse would take days: no resistor is offered."""
    small = Plan(question=("join",), protection=Protection(unit_fuse_a=2.0))
    packed = case_of(*PACKS)
    (closing,) = assemble(Case(small, packed.units, packed.bank)).closings
    assert joining_resistor(closing) is None

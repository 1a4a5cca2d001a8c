"""
A unit's own open-circuit curve in the judge: joining, sharing and the rules follow it, not its chemistry's.

The curves are invented; currents and charges are worked out here by Ohm's law, scipy's root finding and scipy's
integration, from the same tables and with none of the charge-curve algebra under test.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from referee import unit
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from hotchpot.bank.bank import Bank, open_v
from hotchpot.bank.judge import judge
from hotchpot.bank.notation import parse
from hotchpot.bank.plan import Plan
from hotchpot.bank.rules import Case
from hotchpot.bank.sharing import discharge_shares
from hotchpot.bank.surge import joinings
from hotchpot.bank.truths import truths
from hotchpot.bench.discharge.run_remarks import full_not_shown
from hotchpot.bench.standing.curve import OwnCurve
from hotchpot.bench.state import State, state_of
from hotchpot.bench.study import Study
from hotchpot.build.charge import absorb_cell_v, rested_cell_v
from hotchpot.build.survey import read_units
from hotchpot.chemistry import Curve, Grade, chemistry
from hotchpot.pile.unit import Unit

OFF_V = 0.060
OWN_SD_V = 0.008


def own_curve(chem: str, *, low: float = 0.0, high: float = 1.0, off_v: float = OFF_V, tilt_v: float = 0.0) -> OwnCurve:
    """Return an invented own curve: the chemistry's, `off_v` higher, and `tilt_v` more at full than at empty."""
    kind = chemistry(chem).ocv
    volts = tuple(v + off_v + tilt_v * (s - 0.5) for s, v in zip(kind.soc, kind.volt, strict=True))
    curve = Curve(kind.soc, volts, "invented", Grade.MEASURED)
    return OwnCurve(curve=curve, sd_v=OWN_SD_V, gap_v=0.0, low=low, high=high, measured=True)


def with_own(one: Unit, own: OwnCurve) -> State:
    """Return a unit's state with a curve of its own."""
    return state_of(one, study=Study(unit=one, estimates=(), told={}, remarks=(), curve=own))


def bank_of(expression: str, *states: State, link_ohm: float = 0.5e-3) -> Bank:
    """Return the bank of an expression over states."""
    named = {state.unit.id: state for state in states}
    return Bank(parse(expression, known=named), named, link_ohm)


def volts_of(state: State, soc: float) -> float:
    """Return a unit's open-circuit voltage by the table that it has, own or not, read here. [V]"""
    table = state.unit.chem.ocv if state.curve is None else state.curve.curve
    return state.unit.cells * float(np.interp(soc, table.soc, table.volt))


PAIRS = {
    "both known by charge": ({"soc_frac": 0.6}, {"soc_frac": 0.6}, 0.0),
    "unlike charges, tilted": ({"soc_frac": 0.8}, {"soc_frac": 0.45}, 0.08),
    "both read": (
        {"soc_frac": None, "rest_v": 7 * 3.80},
        {"soc_frac": None, "rest_v": 7 * 3.80 + 0.5},
        -0.5,
    ),
}


@pytest.mark.parametrize("name", PAIRS)
def test_joining_follows_the_own_curve(name: str) -> None:
    """
    Of two NMC units, one 60 mV a cell above the chemistry's curve, the current is Ohm's and the charge brentq's.

    The charge moves until both stand at one voltage: the root of U1(s1 - q/Q1) - U2(s2 + q/Q2).
    """
    first, second, tilt = PAIRS[name]
    one = with_own(unit("A", "nmc", 7, 40, **first), own_curve("nmc", tilt_v=tilt))
    other = state_of(unit("B", "nmc", 7, 60, **second))
    made = bank_of("A // B", one, other)
    assert one.soc_frac is not None
    assert other.soc_frac is not None
    s1, s2, q1, q2 = one.soc_frac.value, other.soc_frac.value, 40.0, 60.0

    def gap(ah: float) -> float:
        return volts_of(one, s1 - ah / q1) - volts_of(other, s2 + ah / q2)

    ohm = 1e-3 * (one.resistance_mohm.value + other.resistance_mohm.value) + 4 * made.link_ohm
    span = min(s1 * q1, (1 - s2) * q2), -min((1 - s1) * q1, s2 * q2)
    moved = brentq(gap, span[1], span[0], xtol=1e-12)
    joined = joinings(made, made.root)
    assert abs(moved) > 1.0
    assert joined[0].current_a.value == pytest.approx(gap(0.0) / ohm, rel=1e-6)
    assert joined[0].charge_ah == pytest.approx(moved, rel=1e-3)
    assert joined[1].charge_ah == pytest.approx(-moved, rel=1e-3)
    by_label = bank_of("A // B", state_of(one.unit), state_of(other.unit))
    told = joinings(by_label, by_label.root)[0].charge_ah
    assert told is not None
    assert abs(told - moved) > 0.5  # the chemistry's curve tells another charge


def test_the_charge_that_moves_is_that_of_the_integrated_current() -> None:
    """Joined at rest, scipy's Radau moves through R the charge told, along one own curve and one of the chemistry."""
    one = with_own(unit("A", "nmc", 7, 40, soc_frac=0.7), own_curve("nmc", tilt_v=0.05))
    other = state_of(unit("B", "nmc", 7, 60, soc_frac=0.5))
    made = bank_of("A // B", one, other)
    ohm = 1e-3 * (one.resistance_mohm.value + other.resistance_mohm.value) + 4 * made.link_ohm

    def rate(_: float, moved: list[float]) -> list[float]:
        return [(volts_of(one, 0.7 - moved[0] / 40) - volts_of(other, 0.5 + moved[0] / 60)) / ohm]

    run = solve_ivp(rate, (0, 200), [0.0], method="Radau", rtol=1e-8, atol=1e-8)
    giver = joinings(made, made.root)[0]
    assert giver.charge_ah == pytest.approx(float(run.y[0, -1]), rel=2e-3)
    assert giver.heat_j is not None
    seconds = np.linspace(0, 200, 40001) * 3600
    amps = np.array([rate(0.0, [q])[0] for q in np.interp(seconds / 3600, run.t, run.y[0])])
    assert giver.heat_j == pytest.approx(float(np.trapezoid(amps**2 * ohm, seconds)), rel=0.05)


def test_a_string_holds_the_own_curve_of_its_member() -> None:
    """A string of an own-curve unit and one by its label, beside a like string by labels: charge by brentq."""
    one = with_own(unit("A", "nmc", 7, 40, soc_frac=0.7), own_curve("nmc"))
    rest = [state_of(unit(name, "nmc", 7, 40, soc_frac=s)) for name, s in (("B", 0.7), ("C", 0.7), ("D", 0.7))]
    made = bank_of("(A + B) // (C + D)", one, *rest)

    def gap(ah: float) -> float:
        left = volts_of(one, 0.7 - ah / 40) + volts_of(rest[0], 0.7 - ah / 40)
        return left - volts_of(rest[1], 0.7 + ah / 40) - volts_of(rest[2], 0.7 + ah / 40)

    assert joinings(made, made.root)[0].charge_ah == pytest.approx(brentq(gap, -12, 12), rel=0.01)


def test_a_gap_carries_the_doubt_of_the_own_curve() -> None:
    """
    Voltages from an own curve and from a label's meet with both curves' doubts; read ones with neither.

    By hand: n times the larger of both (7 x what the file states); own curves alone: n times their own.
    """
    own = own_curve("nmc")
    known = unit("A", "nmc", 7, 40, soc_frac=0.6), unit("B", "nmc", 7, 40, soc_frac=0.6)
    kind_sd = chemistry("nmc").num("ocv_curve_sd")

    def sd_v(*states: State) -> float:
        made = bank_of("A // B", *states)
        joining = joinings(made, made.root)[0]
        bare = sum(0.0 if s.ocv_v is None else s.ocv_v.sd**2 for s in states)
        ohm = 1e-3 * sum(s.resistance_mohm.value for s in states) + 4 * made.link_ohm
        spread = sum((1e-3 * s.resistance_mohm.sd) ** 2 for s in states) * (joining.current_a.value) ** 2
        return float(np.sqrt(max(0.0, (joining.current_a.sd * ohm) ** 2 - bare - spread)))

    alone = state_of(known[0]), state_of(known[1])
    assert sd_v(*alone) == pytest.approx(0.0, abs=1e-6)
    assert sd_v(with_own(known[0], own), alone[1]) == pytest.approx(7 * kind_sd, rel=1e-6)
    both = with_own(known[0], own), with_own(known[1], own_curve("nmc", off_v=0.01))
    assert sd_v(*both) == pytest.approx(7 * OWN_SD_V, rel=1e-6)
    read = unit("A", "nmc", 7, 40, soc_frac=None, rest_v=26.6), unit("B", "nmc", 7, 40, soc_frac=None, rest_v=26.5)
    assert sd_v(with_own(read[0], own), state_of(read[1])) == pytest.approx(0.0, abs=1e-6)
    beyond = with_own(known[0], own_curve("nmc", low=0.0, high=0.4))
    assert sd_v(beyond, both[1]) == pytest.approx(7 * kind_sd, rel=1e-6)


def test_a_bank_nobody_read_stands_on_the_own_curve() -> None:
    """Where nothing was read a unit is taken at 80 % of its own curve: 60 mV a cell above its chemistry's."""
    blank = unit("A", "nmc", 7, 40, soc_frac=None)
    own, kind = (bank_of("A", state) for state in (with_own(blank, own_curve("nmc")), state_of(blank)))
    assert open_v(own.root) - open_v(kind.root) == pytest.approx(7 * OFF_V)


def test_sharing_follows_the_own_curve() -> None:
    """
    Two like NMC units in parallel, one 60 mV a cell higher: the share of the load agrees with scipy's Radau.

    The nodal pair is solved here by Ohm's law with both slow pairs; currents within 3 % of the load at each fifth.
    """
    own = own_curve("nmc", tilt_v=0.04)
    states = (with_own(unit("A", "nmc", 7, 40), own), state_of(unit("B", "nmc", 7, 40)))
    made, load = bank_of("A // B", *states), 16.0
    shares = discharge_shares(made, load)
    chem, size = chemistry("nmc"), 40.0
    slow = [(7e-3 * chem.num(r) / size, chem.num(tau) / 3600) for r, tau in (("r1_q", "tau1"), ("r2_q", "tau2"))]
    base = 1e-3 * states[0].resistance_mohm.value

    def split(y: np.ndarray) -> tuple[float, float]:
        e = [volts_of(s, y[k]) - y[2 + k] - y[4 + k] for k, s in enumerate(states)]
        r = [base * np.interp(y[k], (0.05, 0.1, 0.2, 0.5, 0.8, 1.0), chem.row("r_soc_mult")) for k in (0, 1)]
        r = [ohm + 2 * made.link_ohm for ohm in r]
        bus = (e[0] / r[0] + e[1] / r[1] - load) / (1 / r[0] + 1 / r[1])
        return (e[0] - bus) / r[0], (e[1] - bus) / r[1]

    def rates(_: float, y: np.ndarray) -> list[float]:
        amps = split(y)
        relaxed = [(ohm * amps[k] - y[2 + 2 * j + k]) / tau for j, (ohm, tau) in enumerate(slow) for k in (0, 1)]
        return [-amps[0] / size, -amps[1] / size, *relaxed]

    run = solve_ivp(rates, (0, 4.0), [1.0, 1.0, 0, 0, 0, 0], method="Radau", rtol=1e-6, atol=1e-8, max_step=0.02)
    amps = np.array([split(y) for y in run.y.T])
    assert shares.first_a[0] == pytest.approx(amps[0, 0], rel=0.01)
    assert shares.first_a[1] == pytest.approx(amps[0, 1], abs=0.01 * load)
    assert shares.worst_a[0] >= 0.99 * np.abs(amps[:, 0]).max()
    plain = discharge_shares(bank_of("A // B", *(state_of(s.unit) for s in states)), load)
    assert plain.first_a[0] == pytest.approx(load / 2)
    assert shares.first_a[0] > 1.5 * plain.first_a[0]


def test_the_rules_read_the_own_curve() -> None:
    """A unit four doubts above its chemistry's curve does not contradict itself; a finer one is called its own."""
    off_v = 4 * chemistry("nmc").num("ocv_curve_sd")
    one = unit("A", "nmc", 7, 100, soc_frac=0.2, rest_v=7 * (chemistry("nmc").ocv.volts(0.2) + off_v))
    own = own_curve("nmc", off_v=off_v)

    def codes(state: State, question: str) -> dict[str, str]:
        said = judge(Case(Plan(question=(question,)), (state,), None))
        return {finding.code: finding.why for finding in said.findings}

    assert "unit-contradiction" in codes(state_of(one), "accept")
    assert "unit-contradiction" not in codes(with_own(one, own), "accept")
    read = unit("A", "lfp", 4, 100, soc_frac=None, rest_v=4 * (chemistry("lfp").ocv.volts(0.55)))
    assert "units of one label" in codes(state_of(read), "test")["test-plateau"]
    shaped = replace(own_curve("lfp", off_v=0.0), sd_v=0.010)
    assert "its own curve" in codes(with_own(read, shaped), "test")["test-plateau"]


def test_what_a_unit_may_truly_be_lies_on_its_own_curve() -> None:
    """Draws of charge and voltage belong together on the own curve, within its own doubt of 8 mV (settling)."""
    state = with_own(unit("A", "nmc", 7, 40, soc_frac=None, rest_v=7 * 3.85, rest_hours=24.0), own_curve("nmc"))
    drawn = truths(state, seed=3, samples=400)
    off = drawn.rest_v / 7 - np.array([volts_of(state, s) / 7 for s in drawn.soc_frac])
    assert abs(float(off.mean())) < 0.002
    assert float(off.std()) < 1.5 * OWN_SD_V
    label = truths(state_of(state.unit), seed=3, samples=400)
    assert abs(float(drawn.soc_frac.mean()) - float(label.soc_frac.mean())) > 0.03


def test_a_string_with_an_unknown_charge_goes_by_the_voltage_or_says_so() -> None:
    """Where only the voltage is known the unit's curve tells the charge; where neither is, the rule was not asked."""
    full, low = (state_of(unit(name, "nmc", 7, 40, soc_frac=s)) for name, s in (("A", 1.0), ("B", 0.5)))
    by_volts = replace(low, soc_frac=None)
    blank = state_of(unit("B", "nmc", 7, 40, soc_frac=None))

    def said(other: State) -> tuple[list[str], list[str]]:
        bank = bank_of("A + B", full, other)
        judged = judge(Case(Plan(question=("join",)), bank.units, bank))
        found = [f.says for f in judged.findings if f.code == "series-charge"]
        return found, [u.says for u in judged.unasked if u.code == "series-charge"]

    assert said(by_volts) == said(low) == (["B stands at 50 % charge, A at 100 %."], [])
    assert said(blank) == ([], ["Neither voltage nor charge of B is known."])


def test_a_run_that_may_not_have_begun_full_reaches_the_judge() -> None:
    """What the log says of its own lower bound, the judge says too, and asks for a run from full."""
    remark = full_not_shown(unit("A", "nmc", 7, 40), 25.0)
    state = replace(state_of(unit("A", "nmc", 7, 40)), remarks=(remark,))
    judged = judge(Case(Plan(question=("accept",)), (state,), None))
    (heard,) = (f for f in judged.findings if f.code == "unit-contradiction")
    assert str(heard.verdict) == "caution"
    assert (heard.value, heard.says, heard.do) == (25.0, remark.says, remark.do)


def test_the_joining_plan_goes_by_the_own_curve() -> None:
    """
    A unit charged full rests where its own curve ends, and a first reading may show no more than its charge voltage.

    The curve is 60 mV a cell higher: 4.2 V and 0.06 V, but never above what the cell was charged to.
    """
    chem = chemistry("nmc")
    blank = unit("A", "nmc", 7, 40, soc_frac=None)
    higher, lower = with_own(blank, own_curve("nmc")), with_own(blank, own_curve("nmc", off_v=-OFF_V))
    assert rested_cell_v(lower, None) == pytest.approx(chem.ocv.volts(1.0) - OFF_V)
    assert rested_cell_v(higher, None) <= absorb_cell_v(higher, None)
    bank = bank_of("A // B", higher, with_own(unit("B", "nmc", 7, 40, soc_frac=None), own_curve("nmc")))
    (step,) = read_units(Case(Plan(question=("join",)), bank.units, bank))
    assert step.expect is not None
    assert step.tolerance is not None
    assert step.expect + step.tolerance <= 7 * chem.num("charge_max_v") + 1e-9

"""
The judge's closed forms against the circuit, over made-up banks, wherever both apply.

The judge knows a unit by its ten-second resistance; the circuit's first instant lies below that by what its slow pairs
have not yet built. So both are compared with that resistance as the circuit's plain one, and once more at ten seconds.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hotchpot.bank import sharing
from hotchpot.bank.bank import Bank
from hotchpot.bank.notation import parse
from hotchpot.bank.plan import Plan
from hotchpot.bank.ratings import rate
from hotchpot.bank.sharing import discharge_shares
from hotchpot.bank.surge import joinings
from hotchpot.bench.state import State, state_of
from hotchpot.chemistry import chemistry
from hotchpot.circuit.drive import Stop, Stretch, drive_of
from hotchpot.circuit.model import Pair, UnitModel, model_of, own_curve
from hotchpot.circuit.net import Leads
from hotchpot.circuit.record import Record
from hotchpot.circuit.run import Circuit
from hotchpot.electrics.sharing import Takeoff, ladder_shares, two_branch_currents, two_branch_share_at
from hotchpot.pile.unit import Unit
from hotchpot.trial.scenarios import joining
from hotchpot.trial.wired import circuit_of

LINK_OHM = 0.5e-3
BANKS = ["A // B", "A // B // C", "(A + B) // (C + D)", "A // B // C // D"]


def made(name: str, key: str, cells: int, ah: float, *, worn: float, soc: float) -> State:
    """Return the state of a measured unit."""
    chem = chemistry(key)
    facts = {"capacity_ah": ah, "resistance_mohm": worn * chem.typical_mohm(cells, ah), "soc_frac": soc}
    unit = Unit(id=name, chemistry=key, cells=cells, rated_ah=ah, rated_hours=chem.num("rated_h"),
                temperature_c=25.0, self_discharge_frac_month=0.0, **facts)  # fmt: skip
    return state_of(unit)


@st.composite
def banks(draw: st.DrawFn) -> Bank:
    """Return a bank of measured units of one kind, anything apart."""
    key, cells = draw(st.sampled_from(["lead_agm", "lead_flooded", "lfp", "nmc", "lto"])), draw(st.integers(1, 8))
    text = draw(st.sampled_from(BANKS))
    names = [name for name in "ABCD" if name in text]
    ah, worn, soc = st.floats(20.0, 200.0), st.floats(0.8, 3.0), st.floats(0.25, 0.95)
    states = {name: made(name, key, cells, draw(ah), worn=draw(worn), soc=draw(soc)) for name in names}
    return Bank(parse(text, known=names), states, LINK_OHM)


def plain(state: State) -> UnitModel:
    """Return a unit as the judge sees it in its closed forms: its curve behind its ten-second resistance."""
    ohm = state.resistance_mohm.value * 1e-3
    return replace(model_of(state), ohm=ohm, ohm_by_charge=(), ohm_by_warmth=(), capacity_by_warmth=(), pairs=(),
                   wells=None, hysteresis_v=0.0, gas=None, charge_rise=0.0, leak_a=0.0, oxygen=False)  # fmt: skip


def run(
    bank: Bank, models: list[UnitModel], stretches: list[Stretch], stop: Stop | None = None, **how: float
) -> Record:
    """Run the bank with the links that the judge reckons with, its temperatures held."""
    circuit = Circuit(bank.arrangement, models, Leads(link_ohm=bank.link_ohm), warming=False)
    return circuit.run(drive_of(stretches), stop=stop, fine=not any(s.load_a for s in stretches), **how)


def through(bank: Bank, values: np.ndarray, ids: tuple[str, ...]) -> list[float]:
    """Return what goes through each branch of the bank's outermost group: that of the first unit of each string."""
    return [float(values[ids.index(child.ids[0])]) for child in bank.root.children]


@settings(max_examples=60)
@given(banks())
def test_first_current_of_a_joining(bank: Bank) -> None:
    """Each branch's first current at a joining is the circuit's, to 0.02 % of the largest."""
    record = run(bank, [plain(state) for state in bank.units], [Stretch(seconds=1.0)])
    told = [one.current_a.value for one in joinings(bank, bank.root)]
    found = through(bank, record.unit_amps[0], record.ids)
    assert found == pytest.approx(told, abs=2e-4 * max(map(abs, told)) + 1e-3)


AT, AH_LEAD = st.floats(0.5, 0.95), st.floats(40.0, 200.0)


@settings(max_examples=25)
@given(key=st.sampled_from(["lead_agm", "lead_flooded"]), ah=st.tuples(AH_LEAD, AH_LEAD), soc=st.tuples(AT, AT))
def test_first_current_of_a_joining_of_lead_as_it_is(
    key: str, ah: tuple[float, float], soc: tuple[float, float]
) -> None:
    """
    Lead as `model_of` makes it, wired as a trial does: the surge is the gap over the resistances of the first moment.

    So it is never smaller than the judge's, which reckons with ten seconds' resistance, but for what resistance grows
    with less charge: what charging adds builds up later and must not hide the surge.
    """
    states = {name: made(name, key, 6, ah[k], worn=1.0, soc=soc[k]) for k, name in enumerate("AB")}
    bank = Bank(parse("A // B", known=states), states, LINK_OHM)
    told = abs(joinings(bank, bank.root)[0].current_a.value)
    scenario = joining(bank, Plan(), hours=0.01)
    circuit = circuit_of(bank, Plan(), scenario)
    record = circuit.run(scenario.drive, fine=True, step_s=1.0)
    ohms = [m.ohm * float(np.interp(m.soc_frac, *zip(*m.ohm_by_charge, strict=True))) for m in circuit.models]
    volts = [m.cells * m.curve.volts(m.soc_frac) for m in circuit.models]
    want = two_branch_currents(volts[0], ohms[0] + bank.branch_ohm, volts[1], ohms[1] + bank.branch_ohm, 0.0)
    assert record.unit_amps[0, 0] == pytest.approx(want.i1_a, rel=0.02, abs=0.02)
    assert abs(float(record.unit_amps[0, 0])) > 0.9 * told - 0.02


@settings(max_examples=30)
@given(banks())
def test_charge_moved_by_a_joining(bank: Bank) -> None:
    """The charge that a joining moves is the circuit's after it has settled, within 1 % of the smallest unit."""
    models = [plain(state) for state in bank.units]
    record = run(bank, models, [Stretch(seconds=30.0 * 86_400.0)], Stop(settled_a=1e-3), step_s=30.0)
    told = [one.charge_ah for one in joinings(bank, bank.root)]
    found = through(bank, record.out_ah - record.in_ah, record.ids)
    least_ah = min(model.capacity_ah for model in models)
    assert found == pytest.approx(told, abs=0.01 * least_ah)


@settings(max_examples=60)
@given(
    n=st.integers(1, 12),
    ohm=st.floats(1e-3, 0.05),
    link=st.floats(1e-5, 2e-3),
    takeoff=st.sampled_from(["same_end", "diagonal", "busbar"]),
)
def test_shares_along_a_ladder(n: int, ohm: float, link: float, takeoff: Takeoff) -> None:
    """The shares of a daisy chain are the circuit's at the first instant, solved as a tree and as a mesh."""
    names = [f"A{k}" for k in range(1, n + 1)]
    curve = own_curve([0.0, 1.0], [3.0, 4.2])
    units = [UnitModel(id=name, capacity_ah=100.0, curve=curve, ohm=ohm, soc_frac=0.7) for name in names]
    told = ladder_shares(n, ohm, link, takeoff)
    for taps in ((), (("A1", 0.0),)):
        leads = Leads(link_ohm=link, takeoff=takeoff, taps=taps)
        record = Circuit(parse(" // ".join(names), known=names), units, leads).run(
            drive_of([Stretch(seconds=1.0, load_a=10.0)]), step_s=1.0
        )
        assert record.unit_amps[0] / 10.0 == pytest.approx(told, abs=1e-6)


AH, R_OHM, SLOPE_V, SOC = st.floats(10.0, 300.0), st.floats(1e-3, 0.1), st.floats(0.1, 2.0), st.floats(0.4, 0.95)


@settings(max_examples=60)
@given(ah=st.tuples(AH, AH), ohm=st.tuples(R_OHM, R_OHM), slope=st.tuples(SLOPE_V, SLOPE_V), soc=st.tuples(SOC, SOC),
       c_rate=st.floats(0.0, 0.2))  # fmt: skip
def test_two_branches_over_time(
    ah: tuple[float, float],
    ohm: tuple[float, float],
    slope: tuple[float, float],
    soc: tuple[float, float],
    c_rate: float,
) -> None:
    """Two branches of straight curves drift as the closed form says, from the first moment and all along."""
    units = [
        UnitModel(id=name, capacity_ah=ah[k], curve=own_curve([0.0, 1.0], [3.0, 3.0 + slope[k]]), ohm=ohm[k],
                  soc_frac=soc[k])
        for k, name in enumerate("AB")
    ]  # fmt: skip
    volts = [3.0 + slope[k] * soc[k] for k in (0, 1)]
    load = c_rate * min(ah)
    first = two_branch_currents(volts[0], ohm[0], volts[1], ohm[1], load)
    bank = Circuit(parse("A // B", known=["A", "B"]), units)
    record = bank.run(drive_of([Stretch(seconds=900.0, load_a=load)]), step_s=1.0, record_s=100.0, fine=True, fall=1e-4)
    assert record.unit_amps[0] == pytest.approx([first.i1_a, first.i2_a], abs=1e-9 * (1.0 + abs(first.i1_a)))
    inside = (record.soc_frac > 0.0).all(axis=1) & (record.soc_frac < 1.0).all(axis=1)
    for t, amps in zip(record.time_s[inside], record.unit_amps[inside, 0], strict=True):
        told = two_branch_share_at(float(t), load_a=load, r1_ohm=ohm[0], r2_ohm=ohm[1], q1_ah=ah[0], q2_ah=ah[1],
                                   slope1_v=slope[0], slope2_v=slope[1], ocv1_v=volts[0], ocv2_v=volts[1])  # fmt: skip
        assert amps == pytest.approx(told.i1_a, abs=1e-4 * (abs(first.i1_a) + load + 1.0))


def as_judged(state: State) -> UnitModel:
    """Return a unit as the judge's discharge runs it: resistance by charge, two whole pairs beside its ten seconds."""
    chem, unit = state.chem, state.unit
    worn = state.resistance_ratio * unit.cells * 1e-3 / unit.rated_ah
    pairs = tuple(Pair(worn * chem.num(r), chem.num(tau)) for r, tau in (("r1_q", "tau1"), ("r2_q", "tau2")))
    return replace(plain(state), ohm_by_charge=model_of(state).ohm_by_charge, pairs=pairs)


def apart(bank: Bank) -> tuple[float, float, float]:
    """
    Return how far the judge's discharge from full and the circuit's lie apart: first currents and largest ones, as
    parts of the load, and the length, as a part of it.

    A largest current is looked for within 3 % of the run about the judge's worst hour. The last 3 % of the run are left
    out: there all changes within minutes.
    """
    load = 0.1 * bank.root.capacity_ah.value
    told = discharge_shares(bank, load)
    models = [replace(as_judged(state), soc_frac=1.0) for state in bank.units]
    low = Stop(low_v=rate(bank).discharge_v_min)
    record = run(bank, models, [Stretch(seconds=30.0 * 3600.0, load_a=load)], low, step_s=10.0, record_s=10.0)
    worst = 0.0
    for k, (hour, amps) in enumerate(zip(told.worst_hour, told.worst_a, strict=True)):
        if 0.0 < hour < 0.97 * told.hours:
            about = np.abs(record.time_s / 3600.0 - hour) < 0.03 * told.hours
            worst = max(worst, abs(float(np.abs(record.unit_amps[about, k]).max()) - amps) / load)
    first = float(np.abs(record.unit_amps[0] - told.first_a).max()) / load
    return first, worst, abs(record.ended.time_s / 3600.0 / told.hours - 1.0)


@settings(max_examples=20)
@given(banks())
def test_shares_of_a_whole_discharge(bank: Bank) -> None:
    """
    Who carries what over a discharge from full, and how long it lasts, is what the judge's own march told.

    First currents to a millionth, the length within 1 %, the largest currents within 20 % of the load: of 359 in 300
    banks 342 lay within 5 %. The worst, 14 % apart, are LTO in the judge's first steps of a hundredth of the charge.
    """
    first, worst, length = apart(bank)
    assert first < 1e-6
    assert length < 0.01
    assert worst < 0.20


@settings(max_examples=6)
@given(banks())
def test_the_judge_s_finer_steps_close_the_gap(bank: Bank) -> None:
    """At a tenth of its step the judge's largest currents are the circuit's within 5 % of the load (found: 2.9 %)."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sharing, "_STEP_SOC", 0.001)
        patch.setattr(sharing, "_KNEE_STEP_SOC", 0.0001)
        patch.setattr(sharing, "_MOST_STEPS", 20_000)
        first, worst, length = apart(bank)
    assert first < 1e-6
    assert length < 0.005
    assert worst < 0.05


@settings(max_examples=40)
@given(banks())
def test_drop_at_ten_seconds(bank: Bank) -> None:
    """
    Ten seconds into a load the bank has dropped by about the judge's resistance times the current.

    The units as `model_of` makes them, pairs and all, but at their full resistance and of level voltage; links are with
    it. In series the drops add exactly; in parallel shares shift a little within the ten seconds.
    """
    level = own_curve([0.0, 1.0], [3.0, 3.0])
    models = [
        replace(model_of(state), ohm_by_charge=(), wells=None, hysteresis_v=0.0, gas=None, leak_a=0.0, curve=level)
        for state in bank.units
    ]
    load = 0.1 * bank.root.capacity_ah.value
    record = run(bank, models, [Stretch(seconds=10.0, load_a=load)], step_s=0.5, record_s=10.0)
    open_v = 3.0 * bank.root.cells
    assert open_v - float(record.volts[-1]) == pytest.approx(load * bank.root.resistance_ohm.value, rel=5e-3)


@settings(max_examples=30)
@given(st.sampled_from(["lfp", "nmc", "lead_agm"]), st.lists(st.floats(20.0, 200.0), min_size=2, max_size=4))
def test_capacity_of_a_string_is_its_smallest(key: str, sizes: list[float]) -> None:
    """The judge's capacity of a string is what the circuit has drawn when its first unit is empty."""
    names = [f"A{k}" for k in range(len(sizes))]
    states = {name: made(name, key, 4, ah, worn=1.0, soc=1.0) for name, ah in zip(names, sizes, strict=True)}
    bank = Bank(parse(" + ".join(names), known=names), states, LINK_OHM)
    models = [replace(plain(state), soc_frac=1.0) for state in bank.units]
    load = 0.05 * min(sizes)
    record = run(bank, models, [Stretch(seconds=25.0 * 3600.0, load_a=load)], Stop(first_empty=True), step_s=60.0)
    assert record.bank_out_ah == pytest.approx(rate(bank).capacity_ah.value, rel=1e-6)
    assert record.ended.unit in rate(bank).limits["capacity_ah"] or sizes.count(min(sizes)) > 1

"""
Scenarios and the circuits they run on, against closed forms: Millman, Ohm, counted charge, and the standard's copper.

Units are invented. The referee of the bank's tests makes them; the forms are those of `electrics` and of hand sums.
"""

from __future__ import annotations

import math
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hotchpot.bank.bank import Bank, sum_over_cells
from hotchpot.bank.plan import Charger, Duty, Plan, Protection, Tap, Wiring
from hotchpot.bank.surge import joinings
from hotchpot.chemistry import chemistry
from hotchpot.circuit.drive import ChargePlan, Stretch, drive_of
from hotchpot.circuit.model import model_of
from hotchpot.electrics import two_branch_currents
from hotchpot.errors import InputError
from hotchpot.trial import scenarios
from hotchpot.trial.outcome import Trial
from hotchpot.trial.scenario import Scenario
from hotchpot.trial.shares import label_of
from hotchpot.trial.trying import try_out
from hotchpot.trial.wired import circuit_of, electronics_of, fuses_of, leads_of

sys.path.insert(0, str(Path(__file__).parents[1] / "bank"))

from referee import bank, unit

EMPTY = Plan()


def pair(**second: object) -> Bank:
    """Return two lead units in parallel, the second told otherwise where wanted."""
    return bank("A // B", unit("A", temperature_c=25.0), unit("B", **{"temperature_c": 25.0, **second}))  # type: ignore[arg-type]


def tried(made: Bank, plan: Plan, scenario: Scenario) -> Trial:
    """Return the trial after holding it to the laws that every trial keeps."""
    trial = try_out(made, plan, scenario)
    assert trial.record.balance.charge_error_frac < 1e-9
    assert trial.record.balance.energy_error_frac < 1e-3
    assert sum(share.wh for share in trial.shares) == pytest.approx(trial.label_wh, rel=0.01)
    return trial


# --- wiring ----------------------------------------------------------------------------------------------------------


def test_the_cable_runs_out_and_back_at_working_warmth() -> None:
    """1.8 m of 35 mm²: twice 0.554 Ω/km (IEC 60228 class 5) at 40 °C (IEC 60028, 0.393 %/K), by hand."""
    wiring = Wiring(link_mohm=0.3, joint_mohm=0.1, cable_mm2=35, run_m=1.8, takeoff="diagonal", midpoints_tied=True)
    leads = leads_of(bank("(A + B) // (C + D)", *(unit(name) for name in "ABCD")), Plan(wiring=wiring))
    assert not leads_of(pair(), Plan(wiring=wiring)).tied  # two units side by side have no midpoints
    assert leads.main_ohm == pytest.approx(2 * 1.8e-3 * 0.554 * (1 + 0.00393 * 20))
    assert (leads.link_ohm, leads.joint_ohm, leads.takeoff, leads.tied) == (0.3e-3, 0.1e-3, "diagonal", True)


def test_what_the_plan_does_not_state_is_the_banks_own_link_and_nothing_else() -> None:
    """An empty plan gives the bank's link, ideal bars, no cable, no joints, no fuses."""
    made = pair()
    leads = leads_of(made, EMPTY)
    assert (leads.link_ohm, leads.main_ohm, leads.joint_ohm, leads.takeoff) == (made.link_ohm, 0.0, 0.0, "busbar")
    assert fuses_of(made, EMPTY) == []


def test_a_size_between_the_standards_counts_as_copper_and_stranding() -> None:
    """33 mm² is no IEC size: 1/58 Ω·mm²/m (IEC 60028) and 13 % for stranding, warmed."""
    leads = leads_of(pair(), Plan(wiring=Wiring(cable_mm2=33, run_m=2)))
    assert leads.main_ohm == pytest.approx(2 * 1.13 * 2 / 58 / 33 * (1 + 0.00393 * 20))


def test_every_branch_of_the_outermost_groups_has_its_fuse_and_the_bank_its_own() -> None:
    """Two groups in a string have a fuse in each of four branches; strings inside a group have one a string."""
    plan = Plan(protection=Protection(unit_fuse_a=50, main_fuse_a=125))
    four = {name: unit(name) for name in "ABCD"}
    groups = fuses_of(bank("A // B + C // D", *four.values()), plan)
    assert [(f.amps, f.below) for f in groups] == [*((50, (n,)) for n in "ABCD"), (125, ())]
    strings = fuses_of(bank("(A + B) // (C + D)", *four.values()), plan)
    assert [f.below for f in strings] == [("A", "B"), ("C", "D"), ()]
    assert fuses_of(pair(), Plan(protection=Protection(unit_fuse_a=0, main_fuse_a=0))) == []


def test_electronics_stand_at_the_chemistrys_voltages() -> None:
    """A 4-cell LFP pack opens below 2.5 V and above 3.65 V a cell (a maker's data sheet), or beyond its own amps."""
    made = bank("A", unit("A", "lfp", 4, bms_max_a=80.0, bms_max_v=60.0), unit("L"))
    own = electronics_of(made)["A"]
    assert (own.low_v, own.high_v, own.most_a, own.bears_v) == pytest.approx((10.0, 14.6, 80.0, 60.0))
    assert electronics_of(pair()) == {}


def test_a_tap_counts_with_its_mean_over_the_day_and_is_off_while_joining() -> None:
    """4 A for 6 h a day is 1 A; while units are joined, nothing is drawn."""
    made = bank("A + B", unit("A"), unit("B"))
    plan = Plan(wiring=Wiring(taps=(Tap(below="B", amps=4, hours_per_day=6),)))
    assert leads_of(made, plan).taps == (("B", 1.0),)
    trial = try_out(made, plan, scenarios.discharge(made, plan, amps=5, hours=2))
    assert trial.record.out_ah[1] - trial.record.out_ah[0] == pytest.approx(2.0, rel=1e-6)
    assert try_out(made, plan, scenarios.joining(made, plan)).record.ended.kind == "settled"


# --- discharge -------------------------------------------------------------------------------------------------------


def test_the_first_currents_are_millmans() -> None:
    """At the first moment two unlike units share 40 A as two sources behind resistances, links included."""
    made = pair(ah=60.0, rated_ah=100, resistance_mohm=18.0)
    models = [model_of(state, soc_frac=1.0) for state in made.units]
    by_charge = [np.interp(1.0, *zip(*m.ohm_by_charge, strict=True)) for m in models]
    volts = [m.cells * m.curve.volts(1.0) for m in models]
    ohms = [m.ohm * f + made.branch_ohm for m, f in zip(models, by_charge, strict=True)]
    want = two_branch_currents(volts[0], ohms[0], volts[1], ohms[1], 40)
    record = tried(made, EMPTY, scenarios.discharge(made, EMPTY, amps=40)).record
    # Self-discharge flows beside: some milliamps
    assert record.unit_amps[0] == pytest.approx([want.i1_a, want.i2_a], abs=0.02)


def test_a_unit_gives_its_capacity_at_its_rated_rate() -> None:
    """100 Ah at 20 h, drawn at 5 A, 25 °C, last 20 h within 2 %: that is what the capacity means."""
    made = bank("A", unit("A", temperature_c=25.0))
    trial = tried(made, EMPTY, scenarios.discharge(made, EMPTY, amps=5))
    assert trial.given_ah == pytest.approx(100, rel=0.02)
    assert trial.record.ended.kind == "cut-off"


def test_three_kinds_of_load_keep_their_law() -> None:
    """At every recorded moment amps, watts or the ratio of volts to amps is what was asked for."""
    made = pair()
    for scenario, law in (
        (scenarios.discharge(made, EMPTY, amps=10, hours=1), lambda r: r.amps / 10),
        (scenarios.discharge(made, EMPTY, watts=150, hours=1), lambda r: r.amps * r.volts / 150),
        (scenarios.discharge(made, EMPTY, ohms=1.5, hours=1), lambda r: r.volts / r.amps / 1.5),
    ):
        record = tried(made, EMPTY, scenario).record
        assert record.ended.kind == "time"
        assert record.ended.time_s == pytest.approx(3600)
        assert law(record) == pytest.approx(1.0, rel=1e-6)


def test_the_energy_given_is_the_area_under_volts_and_amps() -> None:
    """What the trial says was given is the integral of its own record, by the trapezoid rule."""
    trial = tried(pair(), EMPTY, scenarios.discharge(pair(), EMPTY, amps=15))
    record = trial.record
    area = np.trapezoid(record.volts * record.amps, record.time_s) / 3600
    assert trial.given_wh == pytest.approx(area, rel=1e-3)
    assert trial.given_ah == pytest.approx(15 * record.ended.time_s / 3600, rel=1e-6)


def test_the_plans_load_and_disconnect_are_used() -> None:
    """Without a load the plan's is drawn; the run ends at its disconnect, else where cells' lowest volts add up."""
    made = bank("A + B", unit("A"), unit("B"))
    plan = Plan(duty=Duty(load_w=300), protection=Protection(disconnect_v=23.2))
    trial = tried(made, plan, scenarios.discharge(made, plan))
    assert trial.record.amps[0] * trial.record.volts[0] == pytest.approx(300)
    assert trial.record.ended.value == pytest.approx(23.2, abs=1e-3)
    assert scenarios.lowest_v(made, EMPTY) == sum_over_cells(made.root, "discharge_min_v") == 21.0


def test_units_are_cut_off_by_what_watches_them() -> None:
    """Cell-level protection of the plan ends at one cell's lowest voltage; a pack's own opens it; lead has neither."""
    plan = Plan(protection=Protection(bms=True))
    cells = bank("A + B", unit("A", "lfp", 1, bms=None), unit("B", "lfp", 1, ah=50, bms=None))
    ended = try_out(cells, plan, scenarios.discharge(cells, plan, amps=20)).record.ended
    assert (ended.kind, ended.unit, ended.value) == ("unit-low", "B", pytest.approx(2.5, abs=1e-3))
    packs = bank("A + B", unit("A", "lfp", 4), unit("B", "lfp", 4, ah=50))
    assert try_out(packs, plan, scenarios.discharge(packs, plan, amps=20)).record.first("electronics-low") is not None
    assert scenarios.unit_cut_offs(pair(), plan) == {}


# --- charge and day --------------------------------------------------------------------------------------------------


def test_a_charge_ends_as_charged_with_the_charge_counted() -> None:
    """From half full the bank takes its missing half; current is the charger's until its voltage holds it."""
    made = bank("A", unit("A", "lfp", 4, temperature_c=25.0))
    plan = Plan(charger=Charger(amps=20, volts=14.2))
    trial = tried(made, plan, scenarios.charge(made, plan, 0.5))
    record = trial.record
    assert record.ended.kind == "charged"
    assert record.bank_in_ah == pytest.approx(100 * (record.soc_frac[-1, 0] - 0.5), rel=2e-3)
    assert record.soc_frac[-1, 0] == pytest.approx(1.0, abs=0.04)  # beyond full the model's voltage rises by 5 V a unit
    assert record.amps.min() == pytest.approx(-20)
    assert record.volts.max() == pytest.approx(14.2, abs=1e-3)


def test_a_compensated_charger_moves_with_temperature() -> None:
    """Six flooded cells at -5 mV/K (a maker's manual) are charged 0.45 V higher at 10 °C than at 25 °C."""
    made = bank("A", unit("A", "lead_flooded", soc_frac=0.95, temperature_c=10.0))
    plan = Plan(charger=Charger(amps=10, volts=14.4, compensated=True), duty=Duty(ambient_c=10.0))
    record = try_out(made, plan, scenarios.charge(made, plan, None)).record
    assert record.volts.max() == pytest.approx(14.4 + 6 * 0.005 * 15, abs=0.04)  # it warms by a kelvin


@pytest.mark.parametrize("duty", [{}, {"idle_w": 8}, {"load_w": 2000}, {"load_a": 20, "idle_w": 8}])
def test_a_day_draws_the_plans_energy_and_no_more(duty: dict[str, float]) -> None:
    """1,200 Wh leave the bank in one day, whatever the shape, the idle draw and the largest load (definition)."""
    made = bank("A + B", unit("A", ah=400), unit("B", ah=400))
    plan = Plan(duty=Duty(energy_wh_per_day=1200, **duty))
    trial = tried(made, plan, scenarios.day(made, plan))
    assert trial.given_wh == pytest.approx(1200, rel=1e-4)
    watts = trial.record.volts * trial.record.amps
    largest = max(duty.get("load_w", 0.0), duty.get("load_a", 0.0) * 24)
    assert watts.max() == pytest.approx(
        largest or 0.09 * (1200 - 24 * duty.get("idle_w", 0.0)) + duty.get("idle_w", 0.0)
    )
    assert watts.min() >= duty.get("idle_w", 0.0)


def test_a_day_says_what_it_makes_of_the_plan() -> None:
    """The largest load and for how long, what is counted in, the source or that it is still, and the float."""
    made = bank("A", unit("A", "nmc", 7, bms=None))
    plan = Plan(duty=Duty(energy_wh_per_day=600, load_w=1000), charger=Charger(amps=10, source="pv", volts=29.0))
    says = scenarios.day(made, plan, 3).says
    for part in ("3 days of 600 Wh each", "1000 W, for 12 min each evening", "idle draw counted in", "10 A of pv"):
        assert part in says
    float_v = 7 * 3.95  # the middle of the band for a controller that forces a float (chemistry data)
    assert f"held at {float_v:.4g} V, where the bank rests at" in says
    still = scenarios.day(made, plan, 3, still=True)
    assert "a source that gives nothing" in still.says
    assert "held at" not in still.says
    assert not still.drive.table[3:].any()


def test_lithium_in_float_comes_down_to_it_by_daylight() -> None:
    """Full in the morning, it feeds its loads alone until it stands at its float, and there the charger holds it."""
    made = bank("A", unit("A", "nmc", 7, ah=50, temperature_c=25.0, bms=None))
    plan = Plan(duty=Duty(energy_wh_per_day=1200), charger=Charger(amps=50, source="mains", volts=29.0))
    scenario = scenarios.day(made, plan, 2)
    record = tried(made, plan, scenario).record
    assert scenario.drive.charge is not None
    assert record.volts[-1] == pytest.approx(scenario.drive.charge.float_v, abs=0.01)
    percent = float(scenario.says.partition("rests at ")[2].partition(" %")[0])
    assert 100 * record.soc_frac[-1, 0] == pytest.approx(percent, abs=3)


@pytest.mark.parametrize(("kind", "hours"), [("pv", 24 / math.pi), ("generator", 4), ("wind", 7.2), ("mains", 24)])
def test_each_source_feeds_its_hours(kind: str, hours: float) -> None:
    """The invented day's feed, in hours of full current: a sine half is 2/π of its 12 hours; by hand."""
    made = pair()
    plan = Plan(duty=Duty(energy_wh_per_day=100), charger=Charger(amps=10, source=kind))
    drive = scenarios.day(made, plan).drive
    assert float((np.diff(drive.edges) * drive.table[3]).sum()) / 36000 == pytest.approx(hours, rel=1e-2)


def test_loads_are_shed_in_a_day_without_sun_and_come_back_with_it() -> None:
    """A small bank is emptied in the evening: its loads go off, what they did without is counted, the run goes on."""
    made = bank("A", unit("A", ah=40))
    plan = Plan(duty=Duty(energy_wh_per_day=1500), charger=Charger(amps=10, source="pv"))
    scenario = scenarios.day(made, plan, 2, from_soc=0.5)
    record = tried(made, plan, scenario).record
    assert record.ended.kind == "time"
    kinds = [event.kind for event in record.events if event.kind.startswith("loads")]
    assert kinds[:2] == ["loads-off", "loads-on"]
    asked_w = np.interp(record.time_s, scenario.drive.edges[:-1] + 1e-6, scenario.drive.table[1])
    assert 0 < record.unmet_wh < float(np.trapezoid(asked_w, record.time_s)) / 3600
    low = record.first("loads-off")
    assert low is not None
    assert low.value == pytest.approx(10.5, abs=1e-3)


def test_a_profile_runs_as_given_and_charges_where_negative() -> None:
    """Three columns of time: 10 A out for an hour, rest, 5 A in for two: counted at the terminals."""
    made = pair(soc_frac=0.6)
    plan = Plan(charger=Charger(volts=14.4))
    scenario = scenarios.profile(made, plan, [0, 3600, 7200, 14400], amps=[10, 0, -5], from_soc=0.6)
    trial = tried(made, plan, scenario)
    assert (trial.given_ah, trial.record.bank_in_ah) == pytest.approx((10, 10), rel=1e-6)


def test_a_profile_of_a_day_is_repeated_with_the_sun_of_its_own() -> None:
    """Two days of 10 A for an hour in the morning and 5 A of sun for four: 20 Ah out, 40 Ah in, counted by hand."""
    made = bank("A", unit("A", ah=200))
    plan = Plan(charger=Charger(volts=14.8, amps=30, source="mains"))
    hours, amps, sun = [0, 6, 7, 10, 14], [0, 10, 0, 0, 0], [0, 0, 0, 5, 0]
    given = {"amps": amps, "source_a": sun, "days": 2, "from_soc": 0.5}
    scenario = scenarios.profile(made, plan, [3600.0 * h for h in hours], **given)
    trial = tried(made, plan, scenario)
    assert (trial.given_ah, trial.record.bank_in_ah) == pytest.approx((20, 40), rel=1e-3)
    assert scenario.drive.seconds == 2 * 86_400
    still = scenarios.profile(made, plan, [3600.0 * h for h in hours], **given, still=True)
    assert tried(made, plan, still).record.bank_in_ah == pytest.approx(0.0, abs=1e-6)


def test_a_profile_of_a_day_without_a_source_is_fed_by_the_plans() -> None:
    """What the file does not say the plan's charger gives, by its hours: four of a generator at 10 A are 40 Ah."""
    made = pair()
    plan = Plan(charger=Charger(volts=14.4, amps=10, source="generator"))
    scenario = scenarios.profile(made, plan, [0, 86_400 / 2], amps=[1, 2], days=1)
    assert float((np.diff(scenario.drive.edges) * scenario.drive.table[3]).sum()) / 3600 == pytest.approx(40)
    once = scenarios.profile(made, plan, [0, 86_400 / 2], amps=[1, 2])
    assert not once.drive.table[3:].any()


# --- joining ---------------------------------------------------------------------------------------------------------


def test_a_joining_begins_with_the_surge_and_ends_at_one_voltage() -> None:
    """12.9 V meets 12.1 V: the first current is the gap over all resistance, in the end the units stand together."""
    made = bank(
        "A // B",
        unit("A", "lead_flooded", soc_frac=None, rest_v=12.9, temperature_c=25.0),
        unit("B", "lead_flooded", soc_frac=None, rest_v=12.1, temperature_c=25.0),
    )
    scenario = scenarios.joining(made, EMPTY)
    record = tried(made, EMPTY, scenario).record
    circuit = circuit_of(made, EMPTY, scenario)
    parts = [m.ohm * np.interp(m.soc_frac, *zip(*m.ohm_by_charge, strict=True)) for m in circuit.models]
    # What charging adds (after Shepherd) builds up over minutes: the first current meets the plain resistance
    want = two_branch_currents(12.9, parts[0] + made.branch_ohm, 12.1, parts[1] + made.branch_ohm)
    assert record.unit_amps[0] == pytest.approx([want.i1_a, want.i2_a], rel=0.02)
    assert record.ended.kind == "settled"
    assert np.ptp(record.unit_volts[-1]) < 0.005
    assert record.temperature_c.max() < 40


def test_the_charge_that_moves_is_the_judges() -> None:
    """Where both apply, what a joining moves is what the judge's closed form says, within 5 %."""
    made = pair(soc_frac=0.6)
    record = tried(made, EMPTY, scenarios.joining(made, EMPTY)).record
    judged = joinings(made, made.root)[0].charge_ah
    moved = 100 * (1.0 - record.soc_frac[-1, 0])
    assert moved == pytest.approx(judged, rel=0.05)


def test_a_joining_without_a_known_charge_is_refused_for_every_such_unit() -> None:
    """Charge that nobody read is not made up: the error names each unit and what to read."""
    made = pair(soc_frac=None)
    with pytest.raises(InputError, match=r"unit B: its charge is not known, read the rest voltage"):
        scenarios.joining(made, EMPTY)


# --- faults ----------------------------------------------------------------------------------------------------------


def test_a_lost_branch_carries_nothing_and_the_rest_all() -> None:
    """With one of two branches cut out the other carries the whole load from the start."""
    made = pair()
    record = tried(made, EMPTY, scenarios.lost(scenarios.discharge(made, EMPTY, amps=10), "A")).record
    assert record.unit_amps[:, 0] == pytest.approx(0.0, abs=1e-6)
    assert record.unit_amps[:, 1] == pytest.approx(10.0, rel=1e-6)


def test_a_lost_unit_takes_its_string_with_it_also_in_a_mesh() -> None:
    """A unit cut out of one of two strings silences that string; with a tap beside it, in a mesh, too."""
    four = [unit(name) for name in "ABCD"]
    made = bank("(A + B) // (C + D)", *four)
    for plan in (EMPTY, Plan(wiring=Wiring(taps=(Tap(below="D", amps=0.001),)))):
        record = try_out(made, plan, scenarios.lost(scenarios.discharge(made, plan, amps=10, hours=1), ["A"])).record
        assert record.unit_amps[-1] == pytest.approx([0, 0, 10, 10], abs=2e-3)


def test_a_shorted_cell_leaves_one_cell_less_of_voltage() -> None:
    """At rest the unit shows five sixths; joined to a sound one the surge is the missing cell over all resistance."""
    made = pair()
    scenario = scenarios.stuck(scenarios.joining(made, EMPTY), ["A"])
    circuit = circuit_of(made, EMPTY, scenario)
    short, sound = circuit.models
    assert (short.cells, sound.cells) == (5, 6)
    assert short.ohm == pytest.approx(sound.ohm * 5.1 / 6)
    full_v = sound.curve.volts(1.0)
    record = tried(made, EMPTY, scenario).record
    by_charge = np.interp(1.0, *zip(*sound.ohm_by_charge, strict=True))
    ohms = (short.ohm + sound.ohm) * by_charge + 2 * made.branch_ohm
    assert record.unit_amps[0, 1] == pytest.approx(full_v / ohms, rel=0.01)
    assert record.unit_volts[-1, 0] / 5 > record.unit_volts[-1, 1] / 6  # its five cells are overcharged


def test_a_shorted_single_cell_is_a_bare_resistor() -> None:
    """A unit of one cell with its cell shorted has no voltage, and the bank discharges into it."""
    made = bank("A // B", unit("A", "lfp", 1), unit("B", "lfp", 1))
    record = try_out(made, EMPTY, scenarios.stuck(scenarios.joining(made, EMPTY, hours=0.01), "A")).record
    assert record.unit_amps[0, 0] < -100
    assert record.unit_amps[0].sum() == pytest.approx(0, abs=1e-6)


def test_a_dead_unit_hardly_takes_part() -> None:
    """A hundred times the resistance leaves about a hundredth of its share at the first moment."""
    made = pair()
    record = try_out(made, EMPTY, scenarios.stuck(scenarios.discharge(made, EMPTY, amps=20), "A", dead=True)).record
    model = model_of(made.units[1], soc_frac=1.0)
    ohm = model.ohm * np.interp(1.0, *zip(*model.ohm_by_charge, strict=True))
    share = (ohm + made.branch_ohm) / (101 * ohm + 2 * made.branch_ohm)
    assert record.unit_amps[0, 0] == pytest.approx(20 * share, abs=0.01)  # gas and self-discharge flow beside


SHAPES = ("A // B // C", "A + B + C", "A // B + C", "(A + B) // (C + D)", "A // B + C // D")


@settings(max_examples=25)
@given(
    shape=st.sampled_from(SHAPES),
    chem=st.sampled_from([("lead_agm", 6), ("lead_flooded", 3), ("lfp", 4), ("nmc", 7), ("nicd", 10)]),
    sizes=st.lists(st.floats(20, 200), min_size=4, max_size=4),
    wear=st.lists(st.floats(0.7, 3.0), min_size=4, max_size=4),
    c_rate=st.floats(0.02, 1.5),
    soc=st.floats(0.1, 1.0),
    ambient=st.floats(-15, 40),
)
def test_any_bank_keeps_the_laws_and_ends_with_a_name(  # noqa: PLR0917  # hypothesis gives them by name
    shape: str, chem: tuple[str, int], sizes: list[float], wear: list[float], c_rate: float, soc: float, ambient: float
) -> None:
    """Charge and energy add up, the labels' energy is all told, currents meet, and the end has a name."""
    kind, count = chem
    names = [name for name in "ABCD" if name in shape]
    units = [
        unit(n, kind, count, ah, rated_ah=100, temperature_c=ambient, bms=None,
             resistance_mohm=w * chemistry(kind).typical_mohm(count, ah))
        for n, ah, w in zip(names, sizes, wear, strict=False)
    ]  # fmt: skip
    made = bank(shape, *units)
    trial = tried(made, EMPTY, scenarios.discharge(made, EMPTY, amps=100 * c_rate, from_soc=soc))
    record = trial.record
    assert record.ended.kind in ("cut-off", "collapse", "time")
    if shape == "A // B // C":
        assert record.unit_amps.sum(axis=1) == pytest.approx(record.amps, rel=1e-6)
    if shape == "A + B + C":
        assert np.ptp(record.unit_amps, axis=1).max() < 1e-6 * 100 * c_rate
    assert trial.notable


def test_a_nickel_charge_stays_within_the_possible() -> None:
    """A warm NiMH pack charged at 0.2 C never has less charge than none, nor passes the boiling of its water."""
    made = bank("A", unit("A", "nimh", 10, temperature_c=25.0, bms=None))
    plan = Plan(charger=Charger(amps=20), duty=Duty(ambient_c=25.0))
    record = try_out(made, plan, scenarios.charge(made, plan, 0.3)).record
    assert record.soc_frac.min() >= 0.0
    assert record.temperature_c.max() < 120.0


def test_lead_held_at_its_absorb_voltage_gasses_and_does_not_overfill() -> None:
    """Two days at 2.45 V a cell put a full flooded unit not a tenth above full: the rest leaves as gas."""
    made = bank("A", unit("A", "lead_flooded", temperature_c=25.0))
    circuit = circuit_of(made, EMPTY, scenarios.discharge(made, EMPTY, amps=5))
    record = circuit.run(drive_of([Stretch(seconds=48 * 3600, source_a=20)], ChargePlan(absorb_v=14.7)))
    assert record.soc_frac.max() < 1.1


# --- what cannot be ---------------------------------------------------------------------------------------------------


def test_impossible_loads_end_with_their_reason() -> None:
    """More power or current than the bank has is a collapse, at once and with no energy made up."""
    made = pair()
    trial = try_out(made, EMPTY, scenarios.discharge(made, EMPTY, watts=1e6))
    assert (trial.record.ended.kind, trial.given_wh) == ("collapse", 0.0)
    assert trial.record.ended.value is not None
    trial = try_out(made, EMPTY, scenarios.discharge(made, EMPTY, amps=1e5))
    assert (trial.record.ended.kind, trial.given_wh) == ("collapse", 0.0)


@pytest.mark.parametrize(
    ("build", "match"),
    [
        (lambda b: scenarios.discharge(b, EMPTY), "discharge: there is no load, give amps"),
        (lambda b: scenarios.discharge(b, EMPTY, amps=1, watts=2), "more than one load is given"),
        (lambda b: scenarios.discharge(b, EMPTY, amps=-1, hours=math.nan), r"amps: it is -1.*\n?.*hours: it is nan"),
        (lambda b: scenarios.discharge(b, EMPTY, amps=5, from_soc=40), "from_soc: it is 40, give a fraction"),
        (lambda b: scenarios.charge(b, EMPTY), "charger.amps: the plan does not state it"),
        (lambda b: scenarios.day(b, EMPTY), "duty.energy_wh_per_day: the plan does not state it"),
        (lambda b: scenarios.day(b, EMPTY, 0), "days: it is 0, give a number above nought"),
        (lambda b: scenarios.day(b, EMPTY, idle_w=-1), "idle_w: it is -1"),
        (
            lambda b: scenarios.day(b, Plan(duty=Duty(energy_wh_per_day=100, idle_w=5))),
            "duty.idle_w: 5 W at all hours are 120 Wh a day, more than energy_wh_per_day",
        ),
        (
            lambda b: scenarios.profile(b, EMPTY, [0, 9e4], amps=[1, 2], days=2),
            "profile: it lasts 25 h, and is to be repeated each day, give 24 h at most",
        ),
        (
            lambda b: scenarios.profile(b, EMPTY, [0, 1], amps=[1, 2], source_a=[1, 1], source_w=[1, 1]),
            "profile: it has two columns of source",
        ),
        (lambda b: scenarios.profile(b, EMPTY, [0, 1]), "profile: it needs one column of load"),
        (lambda b: scenarios.profile(b, EMPTY, [0, 2, 1], watts=[1, 2, 3]), "profile time: it does not rise"),
        (lambda b: scenarios.profile(b, EMPTY, [0, 1, 2], watts=[1, math.nan, 3]), "a value is no number"),
        (lambda b: scenarios.lost(scenarios.discharge(b, EMPTY, amps=5), []), "fault: it names no unit"),
    ],
)
def test_bad_input_says_where_what_and_how_to_mend(build: object, match: str) -> None:
    """Numbers out of range, loads that are missing or doubled: each is refused by name."""
    with pytest.raises(InputError, match=match):
        build(pair())  # type: ignore[operator]


def test_a_fault_on_a_unit_that_is_not_there_is_refused_with_every_name() -> None:
    """Unknown units of a scenario are told all at once; a bank with no branch left is refused."""
    made = pair()
    base = scenarios.discharge(made, EMPTY, amps=5)
    with pytest.raises(InputError) as caught:
        circuit_of(made, EMPTY, replace(base, lost=("X",), shorted=("Y",), soc_frac={"Z": 0.5}))
    assert len(caught.value.faults) == 3
    with pytest.raises(InputError, match="no branch of the bank is left"):
        circuit_of(made, EMPTY, scenarios.lost(base, ["A", "B"]))
    with pytest.raises(InputError, match="tap"):
        circuit_of(made, Plan(wiring=Wiring(taps=(Tap(below="Q", amps=1),))), base)


def test_the_labels_add_up_by_arrangement() -> None:
    """Labels of a string give its smallest Ah, of a group their sum; energy is the sum of all."""
    made = bank("A // B + C", unit("A", ah=60, rated_ah=80), unit("B", ah=60, rated_ah=50), unit("C", ah=100))
    assert label_of(made) == pytest.approx((100, (80 + 50 + 100) * 12))


MESH = (Tap(below="B", amps=0.01),)


@pytest.mark.parametrize("taps", [(), MESH], ids=["tree", "mesh"])
def test_a_main_fuse_opens_the_bank(taps: tuple[Tap, ...]) -> None:
    """A main fuse of 10 A under 40 A opens, and nothing flows any more, in a tree and in a mesh."""
    made = pair()
    plan = Plan(protection=Protection(main_fuse_a=10), wiring=Wiring(taps=taps))
    record = try_out(made, plan, scenarios.discharge(made, plan, amps=40)).record
    assert record.first("fuse") is not None
    assert record.ended.kind == "open"


def test_a_stated_nought_is_no_cut_off() -> None:
    """A plan whose disconnect is nought has none: the load goes on until nothing is left to give, and that is told."""
    made = pair()
    plan = Plan(protection=Protection(disconnect_v=0.0))
    scenario = scenarios.discharge(made, plan, amps=20)
    assert "with no cut-off" in scenario.says
    ended = try_out(made, plan, scenario).record.ended
    assert ended.kind == "collapse"
    assert ended.time_s > try_out(made, EMPTY, scenarios.discharge(made, EMPTY, amps=20)).record.ended.time_s

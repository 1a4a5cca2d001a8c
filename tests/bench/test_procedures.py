"""The test procedures: every number worked out for the unit, cautions and stops everywhere, refusals in their place."""

from __future__ import annotations

import math
import re
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotchpot.bench.meter import meter
from hotchpot.bench.procedure.bulbs import bulbs_for
from hotchpot.bench.procedure.figures import book, figures
from hotchpot.bench.procedure.fitness import remarks_for
from hotchpot.bench.procedure.looking import next_look_h
from hotchpot.bench.procedure.procedures import (
    StepKind,
    brief_for,
    cautions_for,
    clock_hours,
    good_for,
    procedure,
    procedures,
    steps_for,
)
from hotchpot.bench.remark import Weight
from hotchpot.chemistry import KEYS, chemistry
from hotchpot.errors import InputError
from hotchpot.pile import Unit
from hotchpot.pile.reading import ReadingKind

LOADED = ("resistance", "capacity", "leakage")


def unit(key: str = "lead_agm", cells: int = 6, ah: float = 100.0, **facts: Any) -> Unit:
    """Return an invented unit."""
    return Unit(id="A3", chemistry=key, cells=cells, rated_ah=ah, rated_hours=chemistry(key).num("rated_h"), **facts)


def codes(test: str, one: Unit, weight: Weight = Weight.REFUSED) -> list[str]:
    """Return the codes of what speaks against a test of a unit."""
    return [remark.code for remark in remarks_for(procedures()[test], one) if remark.weight is weight]


UNITS = st.builds(
    unit,
    st.sampled_from(KEYS),
    cells=st.integers(1, 16),
    ah=st.floats(0.5, 3000),
    max_discharge_a=st.none() | st.floats(0.5, 500),
    bms_max_a=st.none() | st.floats(0.5, 500),
)


# --- the data --------------------------------------------------------------------------------------------------------


def test_each_procedure_yields_its_kind_of_reading() -> None:
    """The six procedures yield six kinds of readings, all but the logger's, whose file is no guide's."""
    assert {one.reading for one in procedures().values()} == set(ReadingKind) - {ReadingKind.LOG}


def test_a_wrong_procedure_names_the_nearest() -> None:
    """A slip of the key is answered with the key that was meant."""
    with pytest.raises(InputError, match="did you mean 'resistance'"):
        procedure("resistence")


def test_no_number_is_written_into_a_text() -> None:
    """Titles, steps, stops, cautions and good results carry no digit of their own: all come from unit or setting."""
    data = book()
    texts = [row[form] for row in data["cautions"].values() for form in ("text", "short")]
    for key in procedures():
        texts += [data[key][name] for name in ("title", "gives", "good", "suits")] + data[key]["needs"]
        texts += [step[name] for step in data[key]["steps"] for name in ("title", "do", "stop") if name in step]
    assert [text for text in texts if re.search(r"\d", re.sub(r"\{\w+\}", "", text))] == []


def test_every_setting_has_a_source() -> None:
    """Each number of the data file says its unit and where it comes from."""
    for name, row in book()["settings"].items():
        assert row["source"].strip(), name
        assert row["unit"].strip(), name


def test_every_procedure_warns_and_says_when_to_stop() -> None:
    """Each has cautions, each names local codes and a licensed electrician, each has a step that says when to stop."""
    for one in procedures().values():
        told = cautions_for(one, unit("lead_flooded"))
        assert len(told) >= 4, one.key
        assert any("local codes" in text and "licensed electrician" in text for text in told)
        assert any("Goggles" in text for text in told)
        assert any(step.stop_if for step in steps_for(one, unit("lead_flooded")))


@pytest.mark.parametrize("test", ["resistance", "capacity"])
def test_loads_warn_of_sparks_heat_and_fuses(test: str) -> None:
    """Where current flows, the cautions speak of the last clip, hot loads and a fuse."""
    told = " ".join(cautions_for(procedures()[test], unit()))
    assert "sparks" in told
    assert "hot enough to burn" in told
    assert "fuse in the plus lead" in told


def test_a_discharge_is_never_left_alone_without_a_cut_off() -> None:
    """The capacity run, and the stand test that holds two of them, forbid leaving a discharge alone."""
    for test in ("capacity", "leakage"):
        told = " ".join(cautions_for(procedures()[test], unit()))
        assert "Never leave a discharge alone without an automatic cut-off that opens at 10.50 V" in told


@pytest.mark.parametrize("key", KEYS)
@pytest.mark.parametrize("test", procedures())
def test_each_caution_stands_at_a_step_too(test: str, key: str) -> None:
    """Every caution but that on codes and licences is told again, in one line, at a step where it matters."""
    one, battery = procedures()[test], unit(key, 30)
    if not one.for_chemistry(battery):
        return
    brief = brief_for(one, battery)
    assert len(brief) == len(cautions_for(one, battery))
    told = {line for step in steps_for(one, battery) for line in step.cautions}
    assert told == set(brief[1:])
    assert all(len(line) <= 75 for line in brief)


def test_cautions_fit_the_chemistry() -> None:
    """Acid is warned of at lead, alkali at nickel, an empty cell at lithium, and none of them elsewhere."""
    capacity = procedures()["capacity"]
    lead, nickel, lithium = (" ".join(cautions_for(capacity, unit(k, 4))) for k in ("lead_flooded", "nicd", "lfp"))
    assert "Acid burns" in lead
    assert "hydrogen" in lead
    assert "strong alkali" in nickel
    assert "hydrogen" in nickel
    assert "Never below 10.00 V" in lithium
    assert "below 2.50 V" in lithium  # each cell
    assert "Acid burns" not in nickel + lithium
    assert "Never below" not in lead + nickel


def test_high_voltage_is_warned_of_and_then_refused() -> None:
    """Above 60 V d.c. a touch is warned of, above 120 V d.c. it is an electrician's (IEC 60364-4-41, 61140, memory)."""
    seventeen, sixteen = unit("lfp", 17), unit("lfp", 16)  # 62.05 V and 58.4 V at 3.65 V a cell
    assert any("60 V d.c." in text for text in cautions_for(procedures()["rest"], seventeen))
    assert not any("60 V d.c." in text for text in cautions_for(procedures()["rest"], sixteen))
    assert codes("rest", unit("lfp", 33)) == ["voltage-danger"]
    assert codes("rest", unit("lfp", 32)) == []
    assert codes("look", unit("lfp", 33)) == []


# --- the numbers -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("key", "cells", "end_v"),
    [
        ("lead_flooded", 6, 10.5),  # US Navy manual 14113 (check value L35): 1.75 V a cell ends a 10 h discharge
        ("lead_agm", 3, 5.25),  # the same
        ("nicd", 10, 10.0),  # USBR FIST 3-6 (X13): the test stops at 1.00 V x cells
        ("nicd", 19, 19.0),  # the same
        ("lfp", 4, 10.0),  # makers' charts (X01): empty at 2.5 V a cell
        ("lfp", 16, 40.0),  # the same
    ],
)
def test_the_run_ends_where_outside_sources_say(key: str, cells: int, end_v: float) -> None:
    """The cut-off of a capacity run is the handbooks' end voltage times the cells."""
    steps = steps_for(procedures()["capacity"], unit(key, cells))
    ends = [step.end_v for step in steps if step.kind is StepKind.WATCH]
    assert ends == pytest.approx([end_v] * 3)


def test_a_vented_cell_is_charged_full_and_not_only_floated() -> None:
    """It ends at 2.4 to 2.6 V a cell (US Navy manual 14113, L35), above the float range 2.14 to 2.25 V (L31)."""
    each = figures(unit("lead_flooded")).charge_v / 6
    assert 2.4 <= each <= 2.6
    assert each > 2.25


@pytest.mark.parametrize("key", ["lead_flooded", "lead_agm", "lead_gel"])
@pytest.mark.parametrize("ah", [7.2, 100.0, 225.0])
def test_lead_is_run_at_the_twenty_hour_current(key: str, ah: float) -> None:
    """A lead unit is run at a twentieth of its rated Ah (physics.md section 3: about C20)."""
    told = figures(unit(key, 6, ah))
    assert told.run_a == pytest.approx(ah / 20)
    assert told.run_low_a < told.run_a < told.run_high_a == pytest.approx(ah / 10)


@pytest.mark.parametrize("key", ["lfp", "nmc", "nca", "lco", "lmo", "lto", "naion"])
def test_lithium_is_run_at_a_fifth_to_a_half(key: str) -> None:
    """A lithium or sodium cell is run at 0.2 to 0.5C (physics.md section 3)."""
    told = figures(unit(key, 1, 50.0))
    assert (told.run_low_a, told.run_high_a) == (pytest.approx(10.0), pytest.approx(25.0))
    assert 10.0 <= told.run_a <= 25.0


def test_a_units_own_limits_beat_the_chemistrys() -> None:
    """A board or a label that allows less holds every current of every test down."""
    told = figures(unit("lfp", 4, 100.0, bms_max_a=15.0))
    assert told.run_a == told.run_high_a == told.run_low_a == 15.0
    assert told.heavy_a <= 15.0
    told = figures(unit("nmc", 4, 100.0, max_discharge_a=8.0))
    assert max(told.run_high_a, told.heavy_a) <= 8.0


def test_the_heavy_load_is_five_times_the_light_one() -> None:
    """The two loads stand as 1 to 5, as in IEC 61960-3 (R01: 0.2 and 1.0 It) and IEC 60896-21 (R02: 4 and 20 I10)."""
    for key in KEYS:
        told = figures(unit(key, 4))
        assert told.heavy_a / told.light_a == pytest.approx(1.0 / 0.2)
        assert told.heavy_a / told.light_a == pytest.approx(20 / 4)


def test_a_load_is_read_after_ten_seconds() -> None:
    """Each load is on for 10 s before it is read, as the first current of IEC 61960-3 (check value R01)."""
    waits = [s.wait_s for s in steps_for(procedures()["resistance"], unit()) if s.kind is StepKind.WAIT]
    assert waits == [10.0, 10.0]


@pytest.mark.parametrize(("count_v", "doubt"), [("hand", 0.33), ("millivolt", 0.04)])
def test_the_doubt_of_a_step_is_the_published_one(count_v: str, doubt: float) -> None:
    """A 10 A step on 5 mΩ reads R to 33 % with a 10 mV meter and 3 to 4 % with a 1 mV one (physics.md section 3)."""
    counts = meter(count_v).volts
    worked = math.sqrt(2) * counts.own_sd() / (10 * 0.005)
    assert worked == pytest.approx(doubt, rel=0.2)
    one = unit("lead_agm", 6, 100.0, resistance_mohm=5.0)
    told = figures(one, instrument=meter(count_v))
    assert told.doubt_frac == pytest.approx(worked * 10 / told.step_a)


def test_the_resistor_gives_the_current_and_its_watts() -> None:
    """By hand: 12 V over 5 A is 2.4 Ω, and a full 12.66 V block makes 66.8 W in it (BCI: 12.65 V full)."""
    told = figures(unit("lead_flooded"))
    assert told.run_ohm == pytest.approx(12.0 / 5.0)
    assert told.run_w == pytest.approx(12.65**2 / 2.4, rel=0.005)


def test_a_full_cell_is_expected_at_the_makers_gravity() -> None:
    """A full vented cell is expected at 1.255 to 1.275 and an empty one from 1.110 (check value L09b, one maker)."""
    step = next(s for s in steps_for(procedures()["gravity"], unit("lead_flooded")) if s.key == "gravity")
    assert step.expect is not None
    assert step.expect == (pytest.approx(1.110, abs=0.002), pytest.approx(1.275, abs=0.002))
    assert step.count == 6
    assert "1.265 when full" in good_for(procedures()["gravity"], unit("lead_flooded"))


def test_rest_takes_the_chemistrys_hours() -> None:
    """Lead rests a day, nickel-manganese-cobalt two hours (physics.md section 1: lead good at 24 h, NMC 0.5 to 2 h)."""
    for key, hours in (("lead_agm", 24.0), ("nmc", 2.0)):
        watch = next(s for s in steps_for(procedures()["rest"], unit(key, 3)) if s.kind is StepKind.WATCH)
        assert watch.end_at == hours


def test_self_discharge_by_volts_is_offered_only_on_a_steep_curve() -> None:
    """Iron phosphate and nickel stand test by Ah only; lead and NMC may be watched by the volts (trade practice)."""
    told = {}
    for key in ("lfp", "nicd", "nimh", "nife", "lead_agm", "nmc"):
        told[key] = next(s for s in steps_for(procedures()["leakage"], unit(key, 4)) if s.key == "how").options
    assert told["lfp"] == told["nicd"] == told["nimh"] == told["nife"] == ("ah",)
    assert told["lead_agm"] == told["nmc"] == ("volts", "ah")


@given(UNITS)
def test_every_step_of_every_size_is_sound(one: Unit) -> None:
    """For all chemistries and sizes: texts filled in, currents within the unit's limits, bands and ranges in order."""
    told = figures(one)
    limits = [limit for limit in (one.max_discharge_a, one.bms_max_a) if limit is not None]
    assert 0 < told.run_low_a <= told.run_a <= told.run_high_a <= min([*limits, math.inf])
    assert 0 < told.light_a < told.heavy_a <= min([*limits, math.inf])
    assert 0 < told.run_h <= told.run_most_h
    assert told.cutoff_v < told.full_v
    assert told.run_w > 0
    for key, test in procedures().items():
        if not test.for_chemistry(one):
            assert key == "gravity"
            continue
        assert clock_hours(test, one) > 0
        assert "{" not in good_for(test, one)
        for text in cautions_for(test, one):
            assert "{" not in text
        for step in steps_for(test, one):
            assert "{" not in step.do + step.stop_if + step.title
            assert "nan" not in (step.do + step.stop_if).split()
            if step.low is not None and step.high is not None:
                assert step.low < step.high
            if step.expect is not None:
                assert step.expect[0] <= step.expect[1]
                if step.kind is StepKind.READ:
                    assert step.low is not None
                    assert step.high is not None
                    assert step.low <= step.expect[0]
                    assert step.expect[1] <= step.high


@given(UNITS)
def test_the_texts_say_the_numbers_of_the_unit(one: Unit) -> None:
    """The cut-off and the current of the run that a person reads are those worked out for the unit."""
    told = figures(one)
    text = " ".join(step.do + step.stop_if for step in steps_for(procedures()["capacity"], one))
    assert f"{told.cutoff_v:.2f} V" in text or f"{told.cutoff_v:.3f} V" in text
    said = re.search(r"Set the tester to ([\d.]+) A", text)
    assert said is not None
    assert float(said[1]) == pytest.approx(told.run_a, rel=0.01, abs=0.006)


def test_bulbs_make_up_the_current() -> None:
    """By hand: three 21 W bulbs draw 5.25 A at 12 V; at 24 V they stand in pairs; a single cell lights none."""
    three = bulbs_for(12.0, 5.25)
    assert three is not None
    assert three.rows * three.watt / 12.0 == pytest.approx(5.25, rel=0.25)
    pairs = bulbs_for(24.0, 5.25)
    assert pairs is not None
    assert pairs.in_series == 2
    assert bulbs_for(3.2, 10.0) is None
    assert bulbs_for(12.0, 200.0) is None


# --- looking in ------------------------------------------------------------------------------------------------------


def test_looks_come_closer_towards_the_knee() -> None:
    """On a curve that bends down, each look is due sooner after the last than that was after the one before."""
    hours, volts = [0.0, 5.0, 10.0, 15.0, 18.0, 19.0], [12.7, 12.5, 12.2, 11.8, 11.3, 10.9]
    gaps = [
        next_look_h(hours[:n], volts[:n], cutoff_v=10.5, run_h=20.0) - hours[n - 1] for n in range(3, len(hours) + 1)
    ]
    assert gaps == sorted(gaps, reverse=True)
    assert gaps[-1] < 1.0 < gaps[0]


@given(
    st.lists(st.floats(0.01, 5), min_size=1, max_size=8),
    st.lists(st.floats(-0.3, 0.3), min_size=8, max_size=8),
    st.floats(0.5, 100),
)
def test_the_next_look_always_lies_ahead(gaps: list[float], falls: list[float], run_h: float) -> None:
    """Whatever was read, rising volts too, the next look lies ahead, and no farther than an eighth of the run."""
    hours, volts = [0.0], [13.0]
    for gap, fall in zip(gaps, falls, strict=False):
        hours.append(hours[-1] + gap)
        volts.append(volts[-1] - fall)
    ahead = next_look_h(hours, volts, cutoff_v=10.5, run_h=run_h) - hours[-1]
    assert 0 < ahead <= run_h / 8 + 1e-9


# --- refusals --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("flag", ["swollen", "leaking", "immersed", "burnt", "crashed", "hot"])
@pytest.mark.parametrize("test", [*LOADED, "gravity", "rest"])
def test_a_damaged_unit_is_not_tested(flag: str, test: str) -> None:
    """What a look rejects is neither loaded nor charged nor opened nor handled; it may only be looked at."""
    damaged = unit("lead_flooded", flags=(flag,))
    assert codes(test, damaged) == ["unit-rejected"]
    assert codes("look", damaged) == []
    told = remarks_for(procedures()[test], damaged)[0]
    assert "outdoors" in told.do


@pytest.mark.parametrize("flag", ["dented", "unknown_history"])
def test_a_dent_refuses_nothing(flag: str) -> None:
    """A dent or an unknown history is no reason to refuse a test."""
    assert all(codes(test, unit("lead_flooded", flags=(flag,))) == [] for test in procedures())


@pytest.mark.parametrize(
    ("key", "cells", "below_v", "above_v"),
    [
        ("lfp", 4, 7.99, 8.01),  # 2.0 V a cell (maker's sheet in the chemistry file)
        ("nmc", 1, 1.99, 2.01),  # 2.0 V a cell, common practice
        ("lead_agm", 6, 10.49, 10.51),  # 1.75 V a cell rested, common practice
    ],
)
@pytest.mark.parametrize("test", LOADED)
def test_the_rest_voltage_refuses_a_load(test: str, key: str, cells: int, below_v: float, above_v: float) -> None:
    """Just below its limit a unit is neither loaded nor charged; just above it may be."""
    assert codes(test, unit(key, cells, rest_v=below_v)) == ["unit-rejected"]
    assert codes(test, unit(key, cells, rest_v=above_v)) == []
    assert codes("rest", unit(key, cells, rest_v=below_v)) == []


def test_an_empty_lithium_unit_is_set_aside_outdoors() -> None:
    """The words for a lithium unit below its limit: do not test, set it aside outdoors."""
    told = remarks_for(procedures()["capacity"], unit("nmc", 3, rest_v=5.0))[0]
    assert told.do.startswith("Do not test")
    assert "set it aside outdoors" in told.do
    assert (told.value, told.limit, told.unit) == (5.0, 6.0, "V")


@pytest.mark.parametrize("key", KEYS)
@pytest.mark.parametrize("test", LOADED)
def test_a_reversed_unit_is_not_loaded(test: str, key: str) -> None:
    """Below zero volts no chemistry is loaded or charged."""
    assert codes(test, unit(key, 4, rest_v=-0.4)) == ["unit-reversed"]


def test_a_unit_warm_at_rest_is_not_tested() -> None:
    """More than a kelvin above its surroundings with nothing connected: no test (common practice, no source)."""
    assert codes("capacity", unit(rest_rise_k=1.5)) == ["unit-rejected"]
    assert codes("capacity", unit(rest_rise_k=0.9)) == []


@pytest.mark.parametrize("key", KEYS)
def test_a_hydrometer_is_for_vented_lead_only(key: str) -> None:
    """Acid ruins nickel, and sealed lead and lithium are never opened (common practice; hazards of the data)."""
    found = codes("gravity", unit(key, 4))
    nickel = chemistry(key).kind == "nickel"
    assert found == ([] if key == "lead_flooded" else ["alkaline-no-hydrometer" if nickel else "sealed-no-hydrometer"])


def test_no_test_that_charges_in_the_frost() -> None:
    """Lithium is not charged below 0 °C (check values X08, X09), so nothing that begins with a charge begins there."""
    cold = unit("lfp", 4, temperature_c=-3.0)
    assert codes("capacity", cold) == codes("leakage", cold) == ["too-cold"]
    assert codes("resistance", cold) == []
    assert codes("capacity", unit("lfp", 4, temperature_c=70.0)) == ["too-warm"]


@pytest.mark.parametrize("key", ["lfp", "nicd", "nimh", "nife"])
def test_a_rest_voltage_that_tells_little_is_called_so(key: str) -> None:
    """Nickel and the iron plateau: doubtful, not refused (check value X02: charts disagree by over 10 % there)."""
    assert codes("rest", unit(key, 4), Weight.DOUBTFUL) == ["rest-says-little"]
    assert codes("rest", unit("nca", 3), Weight.DOUBTFUL) == []
    assert codes("rest", unit("lead_agm"), Weight.DOUBTFUL) == []


def test_cells_without_a_known_board_are_to_be_read_one_by_one() -> None:
    """Without a known board every cell of a lithium pack is read; with one, or of one cell, that is not asked."""
    assert codes("capacity", unit("nmc", 3), Weight.DOUBTFUL) == ["no-protection-known"]
    assert codes("capacity", unit("nmc", 3, bms=True), Weight.DOUBTFUL) == []
    assert codes("capacity", unit("nmc", 1), Weight.DOUBTFUL) == []


@given(UNITS, st.sampled_from(["swollen", "burnt", "hot"]), st.floats(-20, 60))
def test_every_refusal_says_what_why_and_what_to_do(one: Unit, flag: str, rest_v: float) -> None:
    """Every remark of every test names the unit, gives a reason, a next step and a source."""
    from dataclasses import replace

    for test in procedures().values():
        for remark in remarks_for(test, replace(one, flags=(flag,), rest_v=rest_v)):
            assert remark.subject == one.id
            assert remark.says
            assert remark.why
            assert remark.do
            assert remark.source
            assert re.fullmatch(r"[a-z]+(-[a-z]+)*", remark.code)

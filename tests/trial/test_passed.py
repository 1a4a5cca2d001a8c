"""
What a run is held against: peaks between records, live cells, and how far below empty; for findings and chances alike.

Outside: Ohm and Kirchhoff by hand; 2.1 V a lead cell and 3.65 V an LFP cell (common practice; a maker's data sheet).
"""

from __future__ import annotations

import re
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from hotchpot.bank.bank import Bank
from hotchpot.bank.plan import Charger, Plan, Protection, Tap, Wiring
from hotchpot.bank.rules import joining as judged
from hotchpot.bank.verdict import Finding, Verdict
from hotchpot.circuit.record import Balance, Event
from hotchpot.trial import passed, scenarios
from hotchpot.trial.doubt import summary
from hotchpot.trial.look import ENDS
from hotchpot.trial.notable import notable
from hotchpot.trial.outcome import Trial
from hotchpot.trial.samples import Study, kept
from hotchpot.trial.scenario import Scenario
from hotchpot.trial.telling import tell
from hotchpot.trial.trying import try_out
from hotchpot.trial.wired import circuit_of, electronics_of

sys.path.insert(0, str(Path(__file__).parents[1] / "bank"))

from referee import bank, unit

EMPTY = Plan()


def found(trial: Trial, code: str) -> Finding:
    """Return the first finding of a code."""
    return next(finding for finding in trial.notable if finding.code == code)


def codes(trial: Trial) -> set[str]:
    """Return the codes of all findings."""
    return {finding.code for finding in trial.notable}


def pulsed() -> tuple[Bank, Scenario]:
    """Return two lead units and a day at 1 A with 300 A for 2 s in it."""
    made = bank("A // B", unit("A", temperature_c=25.0), unit("B", temperature_c=25.0))
    return made, scenarios.profile(made, EMPTY, [0, 40_000, 40_002, 86_400], amps=[1, 300, 1])


def test_two_seconds_of_a_large_current_in_a_day_are_seen() -> None:
    """300 A for 2 s between two records: each unit carries its half, told with its moment, its share and its chance."""
    made, scenario = pulsed()
    trial = try_out(made, EMPTY, scenario)
    finding = found(trial, "trial-discharge-share")
    assert finding.value == pytest.approx(150, rel=0.01)
    assert finding.verdict is not Verdict.FINE
    assert "after 11.1 h" in finding.says
    assert "an equal share then is 150 A" in finding.says
    assert any("150 A" in line for line in tell(made, trial, "profile").lines)
    assert kept(trial.record, list(made.units), index=0).most_a[0] == pytest.approx(150, rel=0.01)


def short_pair(chem: str, cells: int, volts: float) -> tuple[Bank, Plan, Scenario]:
    """Return one unit with a shorted cell, charged to a voltage."""
    made = bank("A", unit("A", chem, cells, temperature_c=25.0, bms=None))
    plan = Plan(charger=Charger(amps=20, volts=volts))
    return made, plan, scenarios.stuck(scenarios.charge(made, plan, 0.5), "A")


def test_a_shorted_unit_is_held_to_its_live_cells() -> None:
    """Three live LFP cells may have 3 x 3.65 = 10.95 V; charged to 14.2 V they are at 4.7 V each: forbidden, twice."""
    made, plan, scenario = short_pair("lfp", 4, 14.2)
    trial = try_out(made, plan, scenario)
    over = found(trial, "trial-over-voltage")
    assert over.verdict is Verdict.FORBID
    assert over.limit == pytest.approx(10.95)
    assert over.value == pytest.approx(14.2, abs=0.01)
    assert "4.73" in over.says
    assert found(trial, "trial-short-charged").verdict is Verdict.FORBID
    lead = try_out(*short_pair("lead_agm", 6, 14.4))
    assert found(lead, "trial-short-charged").verdict is Verdict.FORBID  # nobody is to charge it, whatever it is
    assert circuit_of(made, plan, scenario).models[0].cells == passed.live_cells(made.units[0], ["A"]) == 3
    own = bank("A", unit("A", "lfp", 4))
    models = circuit_of(own, EMPTY, replace(scenario, shorted=("A",))).models
    assert electronics_of(own, models)["A"].high_v == pytest.approx(10.95)


def test_over_voltage_is_seen_without_a_charger() -> None:
    """A sound 4S unit on one with a shorted cell puts 13.2 V on three cells that may have 10.95 V: forbidden."""
    made = bank("A // B", unit("A", "lfp", 4, bms=None), unit("B", "lfp", 4, bms=None))
    trial = try_out(made, EMPTY, scenarios.stuck(scenarios.joining(made, EMPTY, hours=1), "A"))
    assert trial.record.bank_in_ah == 0.0
    finding = found(trial, "trial-over-voltage")
    assert (finding.verdict, finding.subject) == (Verdict.FORBID, ("A",))


def test_a_single_shorted_cell_has_no_charge_to_be_out_of() -> None:
    """Where no cell lives nothing is told of empty, of copper or of its voltage."""
    made = bank("A + B", *(unit(name, "lfp", 1, bms=None) for name in "AB"))
    plan = Plan(protection=Protection(disconnect_v=2.0))
    trial = try_out(made, plan, scenarios.stuck(scenarios.discharge(made, plan, amps=20), "A"))
    told = [f for f in trial.notable if f.code in ("trial-reversed", "trial-internal-short", "trial-over-voltage")]
    assert not [f for f in told if "A" in f.subject]
    assert not any("A is empty" in line for line in tell(made, trial, "load").lines)


@pytest.mark.parametrize("chem", ["lead_flooded", "lead_agm"])
def test_the_first_surge_of_a_shorted_cell_is_that_of_the_plain_resistance(chem: str) -> None:
    """2.1 V over 12 mΩ is 176 A (by hand; the project's physics reference, section 2.3); charging does not hide it."""
    made = bank("A // B", unit("A", chem, temperature_c=25.0), unit("B", chem, temperature_c=25.0), link_mohm=0.0)
    scenario = scenarios.stuck(scenarios.joining(made, EMPTY, hours=1), "B")
    models = circuit_of(made, EMPTY, scenario).models
    ohm = sum(m.ohm * np.interp(1.0, *zip(*m.ohm_by_charge, strict=True)) for m in models)
    surge = found(try_out(made, EMPTY, scenario), "trial-surge")
    assert surge.value is not None
    assert surge.value * ohm / 12e-3 == pytest.approx(176, abs=3)  # the same volts over twelve milliohms


def test_a_surge_that_opens_protection_is_told_with_its_amps() -> None:
    """Packs that open at 80 A at the first moment have carried the surge: never 0 A and fine, never settled."""
    told = {"soc_frac": 1.0, "bms_max_a": 80.0, "resistance_mohm": 8.0}
    made = bank("A // B", unit("A", "nmc", 7, **told), unit("B", "nmc", 7, **{**told, "soc_frac": 0.2}))  # type: ignore[arg-type]
    trial = try_out(made, EMPTY, scenarios.joining(made, EMPTY))
    surge = found(trial, "trial-surge")
    full, low = (state.ocv_v for state in made.units)
    assert full is not None
    assert low is not None
    gap_v = full.value - low.value
    assert surge.value is not None
    assert surge.value > 0.5 * gap_v / 18e-3
    assert surge.verdict is Verdict.FORBID or surge.value > 80
    assert surge.verdict.rank >= Verdict.ONLY_IF.rank
    assert "and something opens" in surge.says
    settling = found(trial, "trial-settling")
    assert settling.verdict is Verdict.CAUTION
    assert "come apart" in settling.says
    opened = found(trial, "trial-electronics")
    assert "A; " in opened.says
    met = re.search(r"closed again at the end, ([0-9.]+) V and about ([0-9.]+) A would meet", opened.says)
    assert met is not None
    assert float(met[1]) == pytest.approx(gap_v, rel=0.05)
    assert float(met[2]) == pytest.approx(gap_v / (2 * 8e-3 + 4 * 0.5e-3), rel=0.1)  # two units, four links


def test_the_side_that_stays_closed_is_what_an_open_pack_would_meet() -> None:
    """Only one of two packs opens; the joining ends as parted, and its gap at the end is told in volts and amps."""
    made = bank("A // B", unit("A", "nmc", 7, bms_max_a=50.0), unit("B", "nmc", 7, bms=None, soc_frac=0.5))
    trial = try_out(made, EMPTY, scenarios.joining(made, EMPTY))
    assert trial.record.ended.kind == "parted"
    assert "has not settled" in tell(made, trial, "joining").lines[0]
    assert found(trial, "trial-settling").verdict is Verdict.CAUTION
    assert "A would meet" in found(trial, "trial-electronics").says
    assert found(trial, "trial-surge").value != 0.0


@pytest.mark.parametrize(("part", "verdict"), [(0.1, Verdict.FINE), (0.4, Verdict.CAUTION), (0.7, Verdict.ONLY_IF)])
def test_the_surge_is_held_to_the_judges_own_constants(part: float, verdict: Verdict) -> None:
    """Fine to 0.2 of the limit, caution to 0.5, else only if: the judge's constants, at currents on either side."""
    made = bank("A // B", unit("A"), unit("B"))
    scenario = scenarios.joining(made, EMPTY, hours=0.01)
    record = try_out(made, EMPTY, scenario).record
    limit = made.units[0].discharge_limit_a()
    none = np.zeros(2)
    peaks = replace(record.peaks, out_a=np.array([part * limit, 0.0]), in_a=none)
    told = notable(made, scenario, replace(record, peaks=peaks, out_ah=none, in_ah=none), ())
    assert next(f for f in told if f.code == "trial-surge").verdict is verdict
    moved = np.array([11.0, 0.0])
    told = notable(made, scenario, replace(record, peaks=peaks, out_ah=moved, in_ah=none), ())
    at_least = max(verdict, Verdict.CAUTION, key=lambda one: one.rank)
    assert next(f for f in told if f.code == "trial-surge").verdict is at_least
    assert (judged.FINE_FRAC, judged.CAUTION_FRAC, judged.CHARGE_FRAC) == (0.2, 0.5, 0.1)


def test_a_tiny_current_hides_no_overload() -> None:
    """A unit that may take none at its temperature and takes a hair does not stand before one that takes too much."""
    made = bank("A // B", unit("A", "lfp", 4, temperature_c=25.0), unit("B", "lfp", 4, temperature_c=-10.0))
    plan = Plan(charger=Charger(amps=10, volts=14.2))
    scenario = scenarios.charge(made, plan, 0.5)
    record = try_out(made, plan, scenario).record
    warmth = np.broadcast_to(record.temperature_c[0], record.temperature_c.shape)
    record = replace(record, unit_amps=0.0 * record.unit_amps, temperature_c=warmth)  # the peaks alone speak
    peaks = replace(record.peaks, in_a=np.array([2.0 * made.units[0].charge_limit_at(25.0), 1e-3]))
    told = notable(made, scenario, replace(record, peaks=peaks), ())
    share = next(f for f in told if f.code == "trial-charge-share")
    assert share.subject == ("A",)
    # Worst verdict first: half an amp where none is allowed stands before twice a limit
    peaks = replace(peaks, in_a=np.array([peaks.in_a[0], 0.5]))
    told = notable(made, scenario, replace(record, peaks=peaks), ())
    share = next(f for f in told if f.code == "trial-charge-share")
    assert (share.subject, share.verdict) == (("B",), Verdict.FORBID)


def test_a_warm_unit_is_empty_below_nought_and_not_reversed() -> None:
    """Above 25 °C a unit gives more than its capacity: at -2 % with nothing drawn beyond its own empty all is well."""
    made = bank("A", unit("A", "lfp", 4, bms=None))
    scenario = scenarios.discharge(made, EMPTY, amps=20, hours=1)
    record = try_out(made, EMPTY, scenario).record
    soc = record.soc_frac - record.soc_frac.min() - 0.02
    warm = replace(record, soc_frac=soc, under_ah=np.array([0.0]))
    assert not passed.below_empty(warm, made.units, [4]).any()
    assert "trial-reversed" not in {f.code for f in notable(made, scenario, warm, ())}
    deep = replace(record, soc_frac=soc - 0.115, under_ah=np.array([11.5]))  # 13.5 % below nought, 11.5 below its own
    assert passed.below_empty(deep, made.units, [4]).all()
    assert not passed.internal_short(deep, made.units, [4]).any()
    cold = replace(record, soc_frac=soc + 0.2, under_ah=np.array([15.0]))  # 15 Ah that the cold holds back
    assert not passed.below_empty(cold, made.units, [4]).any()


@pytest.mark.parametrize(
    ("text", "kind", "says"),
    [("trial-cycling", "too-many-events", "loads are cut off and come back 3 times"), ("trial-open", "open", "flow")],
)
def test_loads_that_come_and_go_have_a_name_of_their_own(text: str, kind: str, says: str) -> None:
    """A run that stops as loads come and go is told as that, with how often; one that is open as open."""
    made = bank("A", unit("A"))
    scenario = scenarios.discharge(made, EMPTY, amps=20, hours=1)
    record = try_out(made, EMPTY, scenario).record
    offs = tuple(Event(one, float(k), None, 10.5) for k in range(3) for one in ("loads-off", "loads-on"))
    told = notable(made, scenario, replace(record, events=offs, ended=Event(kind, 3000.0)), ())
    assert says in next(f for f in told if f.code == text).says
    assert len({"trial-cycling", "trial-open"} & {f.code for f in told}) == 1


def test_a_tap_on_a_string_that_is_cut_out_is_left_out_and_said() -> None:
    """With D cut out the tap at D hangs on nothing: the run goes without it, and says so; other taps stay."""
    made = bank("(A + B) // (C + D)", *(unit(name) for name in "ABCD"))
    plan = Plan(wiring=Wiring(taps=(Tap(below="D", amps=2), Tap(below="B", amps=1))))
    scenario = scenarios.lost(scenarios.discharge(made, plan, amps=10, hours=1), ["C"])
    trial = try_out(made, plan, scenario)
    assert circuit_of(made, plan, scenario).leads.taps == (("B", 1.0),)
    finding = found(trial, "trial-tap-dropped")
    assert (finding.subject, finding.verdict) == (("D",), Verdict.CAUTION)
    assert "trial-tap-dropped" not in codes(try_out(made, plan, replace(scenario, lost=())))


def test_energy_that_does_not_add_up_is_told_with_taps_too() -> None:
    """Taps are in the sum of energy: a run with taps whose energy is off is forbidden like any other."""
    made = bank("A + B", unit("A"), unit("B"))
    plan = Plan(wiring=Wiring(taps=(Tap(below="B", amps=4),)))
    scenario = scenarios.discharge(made, plan, amps=5, hours=2)
    trial = try_out(made, plan, scenario)
    assert trial.record.balance.energy_error_frac < 1e-3
    off = replace(trial.record, balance=Balance(0.0, 1e-2))
    assert notable(made, scenario, off, trial.shares, plan)[0].code == "trial-balance"


@pytest.mark.parametrize("kind", ["hot", "diverged", "parted"])
def test_every_end_is_a_plain_sentence(kind: str) -> None:
    """Ends are told in words, not by their code."""
    assert len(ENDS[kind].split()) > 4


def test_the_time_to_half_is_no_record_interval() -> None:
    """Recorded every ten minutes or at every step, the surge is down to half after the same time, or 'within'."""
    made = bank("A // B", unit("A", "nmc", 7), unit("B", "nmc", 7, ah=40, soc_frac=0.7))
    scenario = scenarios.joining(made, EMPTY)
    assert scenario.record_s == 0.0
    trial = try_out(made, EMPTY, scenario)
    record = trial.record
    largest = np.abs(record.unit_amps).max(axis=1)
    j = int(np.argmax(largest <= 0.5 * largest[0]))
    assert record.time_s[j] - record.time_s[j - 1] <= 60.0
    says = found(trial, "trial-settling").says
    assert "half after" in says
    number, of = says.rstrip(".").split()[-2:]
    seconds = float(number) * {"s": 1.0, "min": 60.0, "h": 3600.0}[of]
    assert 0.99 * record.time_s[j - 1] <= seconds <= 1.01 * record.time_s[j]
    coarse = try_out(made, EMPTY, replace(scenario, record_s=86_400.0))
    assert "half within" in found(coarse, "trial-settling").says


def test_a_joining_of_thousands_of_units_is_not_recorded_step_by_step() -> None:
    """Five thousand units at every step of a fortnight would be gigabytes."""
    many = bank(" // ".join(f"A{k:04d}" for k in range(5000)), *(unit(f"A{k:04d}", "nmc", 1) for k in range(5000)))
    assert scenarios.joining(many, EMPTY).record_s is None


def test_a_charge_that_time_ends_says_that_it_is_not_full() -> None:
    """Charged for an hour, or for a stage of an hour, the current has not tailed off: a caution with the reason."""
    made = bank("A", unit("A", "lead_flooded", temperature_c=25.0))
    plan = Plan(charger=Charger(amps=20, volts=14.4))
    assert (
        "its time is over" in found(try_out(made, plan, scenarios.charge(made, plan, 0.3, hours=1)), "trial-short").says
    )
    brief = Plan(charger=Charger(amps=20, volts=14.4, hours=0.5))
    finding = found(try_out(made, brief, scenarios.charge(made, brief, 0.3)), "trial-short")
    assert "the time of the charger's stage is over" in finding.says
    lfp = bank("A", unit("A", "lfp", 4, temperature_c=25.0))
    done = Plan(charger=Charger(amps=20, volts=14.2))
    assert "trial-short" not in codes(try_out(lfp, done, scenarios.charge(lfp, done, 0.5)))


def test_an_unknown_charge_is_told_as_the_best_case() -> None:
    """A unit whose charge nobody read begins full: that is said to be the best case, and where the range is."""
    made = bank("A // B", unit("A"), unit("B", soc_frac=None))
    trial = try_out(made, EMPTY, scenarios.discharge(made, EMPTY, amps=5, hours=1, from_soc=None))
    says = found(trial, "trial-assumed").says
    assert "best case" in says
    assert "--doubt" in says


def test_a_study_has_the_chances_of_what_a_trial_forbids() -> None:
    """A string driven below empty by its small cell: the study's chances are those of the trial's own findings."""
    cells = [*(unit(f"C{k}", "lfp", 1, bms=None) for k in range(7)), unit("W", "lfp", 1, 50, rated_ah=100, bms=None)]
    made = bank(" + ".join(one.id for one in cells), *cells)
    plan = Plan(protection=Protection(disconnect_v=20))
    scenario = scenarios.discharge(made, plan, amps=20)
    doubt = summary([Study(made, plan, scenario)(i) for i in range(3)])
    assert doubt.chance("below-empty", "W").frac == doubt.chance("internal-short", "W").frac == 1.0
    assert doubt.chance("over-voltage").happened == 0
    assert doubt.unit_bands["under_frac"]["W"].p50 > 0.12
    assert doubt.unit_bands["least_soc"]["W"].p50 < -0.12
    short = [Study(*short_pair("lfp", 4, 14.2))(i) for i in range(2)]
    assert summary(short).chance("over-voltage", "A").frac == 1.0
    assert short[0].most_v_of_max[0] == pytest.approx(14.2 / 10.95, rel=0.01)


def test_a_surge_is_held_to_its_fuse_as_the_judge_does() -> None:
    """A fuse of 10 A in every branch leaves 0.8 of it, 8 A, as the limit of a unit that may give more."""
    made = bank("A // B", unit("A", "lead_agm"), unit("B", "lead_agm", soc_frac=0.9))
    plan = Plan(protection=Protection(unit_fuse_a=10))
    finding = found(try_out(made, plan, scenarios.joining(made, plan, hours=0.1)), "trial-surge")
    assert finding.limit == pytest.approx(judged.FUSE_FRAC * 10)


@pytest.mark.parametrize("load", [{"watts": [50, 1e6]}, {"amps": [5, 1e5]}])
def test_the_moment_of_collapse_is_no_peak(load: dict[str, list[float]]) -> None:
    """A load that no bank can feed after an hour: no current of that moment is told, only what was before it."""
    made = bank("A", unit("A"))
    trial = try_out(made, EMPTY, scenarios.profile(made, EMPTY, [0, 3600, 7200], **load))  # type: ignore[arg-type]
    assert trial.record.ended.kind == "collapse"
    for finding in trial.notable:
        assert finding.code != "trial-discharge-share" or (finding.value or 0.0) < 6.0
    peaks = passed.possible(trial.record).peaks
    assert 3.0 < float(peaks.out_a[0]) < 6.0
    assert float(peaks.low_v[0]) > 12.0

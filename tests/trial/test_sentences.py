"""
What a trial says first and how: its own verdict, cut-out units left out, days without loads, reasons, plain figures.

Outside: sums of labels by hand; Kirchhoff (a swap needs no load); the judge's bounds on lead above its charge voltage.
"""

from __future__ import annotations

import math
import re
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from hotchpot.bank.plan import Charger, Duty, Plan, Protection
from hotchpot.bank.verdict import Verdict
from hotchpot.circuit.record import Event
from hotchpot.trial import passed, scenarios
from hotchpot.trial.doubt import summary
from hotchpot.trial.look import Look, after, energy, percent_down
from hotchpot.trial.notable import notable
from hotchpot.trial.samples import Study, kept
from hotchpot.trial.telling import tell, verdict_of
from hotchpot.trial.trying import try_out
from hotchpot.trial.wired import cut_out

sys.path.insert(0, str(Path(__file__).parents[1] / "bank"))
sys.path.insert(0, str(Path(__file__).parent))

from referee import bank, unit
from test_notable import charged, dark, found, hard, joined, overcharged, pair, reversed_lithium

EMPTY = Plan()


def test_the_first_sentence_is_the_verdict_and_its_worst_finding() -> None:
    """A cell charged too high is told before all else, though the charge itself went well."""
    trial = overcharged()
    worst = trial.notable[0]
    assert worst.verdict is Verdict.FORBID
    assert verdict_of(trial).startswith("The trial by itself: FORBID")
    assert verdict_of(trial).endswith(worst.says)
    fine = replace(trial, notable=tuple(one for one in trial.notable if one.verdict is Verdict.FINE))
    assert "fine, on paper" in verdict_of(fine)


def test_the_verdict_counts_its_like_and_says_nothing_twice() -> None:
    """How many more of that verdict there are is told; a sentence that the verdict has said is not said again."""
    trial = reversed_lithium()
    made = bank("+".join(f"C{k}" for k in range(1, 8)) + "+ W", *(unit(name, "lfp", 1) for name in trial.record.ids))
    told = tell(made, trial, "load")
    count = sum(one.verdict is Verdict.FORBID for one in trial.notable) - 1
    assert f"(and {count} more below)" in told.verdict
    assert told.sentences[0] == told.verdict
    assert not any(told.verdict.endswith(f" {line}") for line in told.sentences[1:])


# --- cut out ---------------------------------------------------------------------------------------------------------


def test_a_unit_that_is_cut_out_counts_for_nothing() -> None:
    """Of 100, 80 and a full 60 Ah the last is cut out: labels by hand 180 Ah, 2160 Wh; it is neither full nor high."""
    made = bank("A // B // (C + D)", unit("A", cells=12, ah=100), unit("B", cells=12, ah=80),
                unit("C", ah=60), unit("D", ah=60))  # fmt: skip
    base = scenarios.discharge(made, EMPTY, amps=20)
    trial = try_out(made, EMPTY, scenarios.lost(base, ["C"]))
    assert cut_out(made.root, ["C"]) == {"C", "D"}
    assert trial.label_ah == 180
    assert trial.label_wh == pytest.approx(180 * 24)
    assert sum(share.wh for share in trial.shares) == pytest.approx(trial.label_wh, rel=0.01)
    for finding in trial.notable:
        if finding.code in ("trial-over-voltage", "trial-heat", "trial-reversed", "trial-low-volts"):
            assert not {"C", "D"} & set(finding.subject), finding.says
    emptied = next(line for line in tell(made, trial, "load").lines if "is empty" in line or "None is empty" in line)
    assert "100 %" not in emptied
    assert "100 %" not in found(trial, "trial-first-empty").says


def test_a_cut_out_unit_is_not_over_its_voltage_in_a_study() -> None:
    """The same in each draw: what hangs on nothing cannot be charged too high."""
    made = bank("A // B", unit("A"), unit("B"))
    scenario = scenarios.lost(scenarios.discharge(made, EMPTY, amps=5, hours=1), ["B"])
    record = try_out(made, EMPTY, scenario).record
    high = replace(record, peaks=replace(record.peaks, high_v=np.array([12.8, 16.0])))
    assert kept(high, list(made.units), index=0).harmed["over-voltage"] == (False, True)
    assert kept(high, list(made.units), index=0, gone={"B"}).harmed["over-voltage"] == (False, False)


# --- days ------------------------------------------------------------------------------------------------------------


def test_when_and_how_long_the_loads_are_off_is_told() -> None:
    """From the first cut-off to the end or to the coming back: the sum of those stretches, and what was not fed."""
    trial = dark()
    made = bank("A", unit("A", ah=40))
    spans = passed.off_spans(trial.record)
    assert spans
    first = tell(made, trial, "day").lines[0]
    assert first.startswith(f"The loads first go off {after(spans[0][0])}")
    assert energy(trial.record.unmet_wh) in first
    assert after(spans[0][0]) in found(trial, "trial-unmet").says
    assert "1 times" not in found(trial, "trial-unmet").says
    events = (Event("loads-off", 100.0), Event("loads-on", 250.0), Event("loads-off", 900.0))
    record = replace(trial.record, events=events, ended=Event("time", 1000.0))
    assert passed.off_spans(record) == [(100.0, 250.0), (900.0, 1000.0)]


def test_a_study_of_days_tells_the_chance_of_being_cut_off() -> None:
    """A small bank is cut off in every draw, a large one in none: its first time is infinite, and nothing is unmet."""
    plan = Plan(duty=Duty(energy_wh_per_day=1500))
    for ah, happened in ((40, 4), (800, 0)):
        made = bank("A", unit("A", ah=ah))
        study = Study(made, plan, replace(scenarios.day(made, plan), step_s=60.0))
        doubt = summary([study(k) for k in range(4)])
        assert doubt.chance("loads-off").happened == happened
        assert math.isfinite(doubt.bands["first_off_h"].p50) == bool(happened)
        assert (doubt.bands["unmet_wh"].p05 > 0.0) == bool(happened)
        assert (doubt.bands["off_h"].p05 > 0.0) == bool(happened)


# --- reasons ---------------------------------------------------------------------------------------------------------


def test_a_surge_says_why_it_is_no_better_than_its_verdict() -> None:
    """Above half of its limit, the judge's bound, a surge is bound to a condition: the part is told, and the reason."""
    made = bank("A // B", unit("A", "lfp", 4, bms=None, rest_v=13.4, soc_frac=None, resistance_mohm=8.0),
                unit("B", "lfp", 4, bms=None, rest_v=12.9, soc_frac=None, resistance_mohm=8.0))  # fmt: skip
    surge = found(try_out(made, EMPTY, scenarios.joining(made, EMPTY)), "trial-surge")
    assert surge.value is not None
    assert surge.limit is not None
    assert 0.5 < surge.value / surge.limit < 1.0
    assert surge.verdict is Verdict.ONLY_IF
    assert f"{surge.value / surge.limit:.2g} of that" in surge.says
    assert surge.why.startswith("More than half of its limit")
    assert "nearest its unit's limit" in surge.quantity


def test_units_of_unlike_voltage_are_never_told_to_be_brought_to_one() -> None:
    """12 V onto 24 V, or onto a unit that reads reversed: do not join, in plain words."""
    unlike = bank("A // (B + C)", unit("A"), unit("B"), unit("C"))
    turned = bank("A // B", unit("A"), unit("B", rest_v=-12.9, soc_frac=None))
    for made in (unlike, turned):
        told = try_out(made, EMPTY, scenarios.joining(made, EMPTY, hours=1)).notable
        assert next(one for one in told if one.code == "trial-surge").do.startswith("Do not join: ")
        for one in told:
            assert "to one voltage" not in one.do
            assert " 0 Ah" not in one.says + one.do


def test_sealed_lead_far_above_its_voltage_is_forbidden() -> None:
    """2.85 V a cell on AGM is above any equalise voltage (2.58, a maker's sheet), as the judge forbids; 2.5 is not."""
    made = bank("A", unit("A"))
    for volts, verdict in ((17.1, Verdict.FORBID), (15.0, Verdict.ONLY_IF), (14.6, Verdict.FINE)):
        plan = Plan(charger=Charger(amps=20, volts=volts))
        trial = try_out(made, plan, scenarios.charge(made, plan, 0.9))
        assert found(trial, "trial-over-voltage").verdict is verdict, volts


def test_lead_turned_round_by_little_is_no_scrap_yet() -> None:
    """Turned round by more than half its capacity a unit is what the judge scraps; by less it is a condition."""
    made = bank("+".join(f"C{k}" for k in range(1, 24)) + "+ W",
                *(unit(f"C{k}", "lead_flooded", 1) for k in range(1, 24)),
                unit("W", "lead_flooded", 1, ah=50, rated_ah=100))  # fmt: skip
    scenario = scenarios.discharge(made, EMPTY, amps=10, hours=5.2)
    finding = found(try_out(made, EMPTY, scenario), "trial-reversed")
    assert "reversed" in finding.says
    assert finding.value is not None
    assert 0.5 < finding.value < 25.0
    assert finding.verdict is Verdict.ONLY_IF


def test_a_swap_between_units_is_not_told_to_be_a_smaller_load() -> None:
    """What flows from unit to unit while less leaves the bank (Kirchhoff) needs no smaller load to mend it."""
    made = bank("A // B", unit("A", soc_frac=1.0), unit("B", soc_frac=0.1))
    scenario = scenarios.discharge(made, EMPTY, amps=1, hours=1, from_soc=None)
    trial = try_out(made, EMPTY, scenario)
    record = replace(trial.record, peaks=replace(trial.record.peaks, out_a=np.array([90.0, 1.0])))
    told = notable(made, scenario, record, trial.shares)
    share = next(one for one in told if one.code == "trial-discharge-share")
    assert "Keep the load" not in share.do
    assert "from it to other units" in share.do


def test_the_largest_load_comes_before_a_swap() -> None:
    """A day: units of unlike charge swap at first; who carries most in the evening's peak is told before that."""
    made = bank("A // B", unit("A", soc_frac=1.0), unit("B", soc_frac=0.5))
    scenario = scenarios.profile(made, EMPTY, [0, 60_000, 70_000, 80_000], amps=[0.5, 30, 0.5, 0.5], from_soc=None)
    trial = try_out(made, EMPTY, scenario)
    record = replace(trial.record, peaks=replace(trial.record.peaks, out_a=np.array([60.0, 20.0]),
                                                 out_a_s=np.array([10.0, 65_000.0])))  # fmt: skip
    lines = tell(made, replace(trial, record=record), "profile").lines
    largest = next(k for k, line in enumerate(lines) if line.startswith("At the largest load, 30 A"))
    assert re.search(r"swap up to 60 A \(A, after 10 s\)", lines[largest + 1])


# --- figures ---------------------------------------------------------------------------------------------------------


def test_figures_read_as_people_write_them() -> None:
    """No 0.000143 s, 0.466 of this one, 262000 Wh or powers of ten."""
    assert [after(s) for s in (0.0, 1.4e-4, 0.5, 7200.0)] == ["at the first moment"] * 2 + ["after 0.5 s", "after 2 h"]
    assert [energy(wh) for wh in (12.34, 4541.0, 262_000.0)] == ["12.3 Wh", "4540 Wh", "262 kWh"]
    assert [percent_down(part) for part in (0.4667, 0.0109, 1.0)] == ["46", "1", "100"]
    two = bank("A // B", unit("A", "nmc", 7), unit("B", "nmc", 7))
    for trial, made, kind in ((hard(), two, "load"), (joined(), two, "joining"), (charged(), pair(), "charge")):
        for text in (*tell(made, trial, kind).sentences, *(one.says + one.do for one in trial.notable)):
            assert not re.search(r"\d[eE][+-]?\d|0\.000|\b0\.\d+ of this", text), text


def test_a_charger_below_the_bank_is_no_load() -> None:
    """A bank at 12.8 V on a charger of 11 V ends at once, and is told of a charger and not of a load."""
    made, plan = bank("A", unit("A")), Plan(charger=Charger(amps=10, volts=11))
    trial = try_out(made, plan, scenarios.charge(made, plan, 1.0))
    line = next(line for line in tell(made, trial, "charge", plan).lines if line.startswith("It ends at once"))
    assert "load" not in line
    assert "charger goes up to 11 V" in line


def test_a_plan_is_told_by_the_figure_that_is_off() -> None:
    """The bank's 12 V stand against the charger's 27 V, not against a system of 12 V that fits."""
    made = bank("A", unit("A"))
    plan = Plan(duty=Duty(system_v=12), charger=Charger(amps=10, volts=27), protection=Protection(disconnect_v=11))
    trial = try_out(made, plan, scenarios.discharge(made, plan, amps=5, hours=1))
    finding = found(trial, "trial-plan-volts")
    assert (finding.value, finding.limit) == (12.0, 27.0)


def test_a_peak_between_records_takes_the_larger_of_both_sides() -> None:
    """Where a step lies between two records, the bank's current there is the larger of both, not their mean."""
    made = bank("A // B", unit("A"), unit("B"))
    scenario = scenarios.discharge(made, EMPTY, amps=10, hours=1)
    record = try_out(made, EMPTY, scenario).record
    apart = replace(record.peaks, out_a_s=np.array([1.0, 3000.0]))
    two = replace(record, time_s=np.array([0.0, 10.0]), amps=np.array([2.0, 40.0]), peaks=apart)
    assert Look(made, scenario, two, ()).bank_a_at(5.0, charging=False) == 40.0

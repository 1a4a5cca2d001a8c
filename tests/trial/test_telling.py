"""
The first sentences of a trial: what opened, who is pressed low, what is tapped, what gasses; and its drivers' names.

Outside: Kirchhoff's laws by hand; Faraday's law for hydrogen (0.418 L/Ah a cell at 0 °C).
"""

from __future__ import annotations

import re
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from hotchpot.bank.plan import Duty, Plan, Protection, Tap, Wiring
from hotchpot.trial import scenarios
from hotchpot.trial.doubt import ALL, Limits, summary
from hotchpot.trial.notable import notable
from hotchpot.trial.outcome import Trial
from hotchpot.trial.samples import Study
from hotchpot.trial.telling import tell
from hotchpot.trial.trying import try_out

sys.path.insert(0, str(Path(__file__).parents[1] / "bank"))
sys.path.insert(0, str(Path(__file__).parent))

from referee import bank, unit
from test_notable import found, fused, gassing, hard, joined, loaded, misplanned, opened, packs, pair, pressed

EMPTY = Plan()


def test_a_unit_pressed_low_is_told_with_volts_and_charge() -> None:
    """By Kirchhoff the worn unit has the cut-off's volts less those of the others; nobody says that it is well."""
    trial = pressed()
    record, whole = trial.record, bank("A + B + W", *(unit(name, "lead_flooded") for name in "ABW"))
    low = 31.5 - float(record.unit_volts[-1, :2].sum())
    finding = found(trial, "trial-low-volts")
    assert finding.subject == ("W",)
    assert finding.value == pytest.approx(low, abs=1e-3)
    told = tell(whole, trial, "load").lines
    assert any(f"{low:.3g} V" in line and "Ah are forced" in line for line in told)
    assert not any("below empty" in line for line in told)
    assert found(trial, "trial-first-empty").verdict is not found(trial, "trial-heat").verdict


def test_what_opens_stands_in_the_first_sentences() -> None:
    """A pack's protection with its reason and amps; a fuse, and what the shorted unit takes: by hand, one current."""
    lines = tell(packs(), opened(), "load").lines
    assert any(re.search(r"B's protection opens after .* by a low voltage at 30 A", line) for line in lines[:3])
    trial = fused()
    lines = tell(pair(), trial, "joining").lines
    fuses = [line for line in lines if "fuse of" in line]
    amps = {re.search(r"at ([0-9.]+) A", line)[1] for line in fuses}  # type: ignore[index]
    assert len(fuses) == 2
    assert len(amps) == 1
    assert any(line.startswith("A has a shorted cell and takes up to") for line in lines)


def test_the_main_fuse_is_called_so() -> None:
    """A fuse without a branch is the main fuse, not that of a unit called main."""
    made, plan = bank("A // B", unit("A"), unit("B")), Plan(protection=Protection(main_fuse_a=20))
    trial = try_out(made, plan, scenarios.discharge(made, plan, amps=100))
    assert any(line.startswith("The main fuse opens after") for line in tell(made, trial, "load").lines)
    assert "trial-fuse-loaded" not in {finding.code for finding in trial.notable}


def test_a_tap_is_told_in_what_is_tried_and_in_who_carries_it() -> None:
    """5 A for 12 h a day are 2.5 A: beside 3 A the lower unit carries 5.5 A, the upper 3 A (Kirchhoff)."""
    made = bank("A + B", unit("A"), unit("B"))
    plan = Plan(wiring=Wiring(taps=(Tap(below="B", amps=5, hours_per_day=12),)))
    scenario = scenarios.discharge(made, plan, amps=3, hours=2)
    assert "2.5 A at the plus of B" in scenario.says
    trial = try_out(made, plan, scenario)
    lines = tell(made, trial, "load", plan).lines
    assert any("B carries most, with the tap's share, 5.5 A" in line and "A at most 3 A" in line for line in lines)
    assert not any("same current" in line for line in lines)


def test_the_litres_are_faradays() -> None:
    """Ah of gas times six cells times 0.42 L: within 1 % of Faraday's 0.418 L; told in the first sentences too."""
    trial = gassing()
    finding = found(trial, "trial-gas")
    assert finding.value == pytest.approx(float(trial.record.gas_ah.sum()) * 6 * 0.418, rel=0.01)
    assert finding.says in tell(bank("A", unit("A", "lead_flooded")), trial, "charge").lines


def test_a_fuse_above_its_rating_is_told_with_its_time() -> None:
    """Each of two equal units carries half of 44 A, above 20 A, for the whole hour."""
    trial = loaded()
    finding = found(trial, "trial-fuse-loaded")
    assert finding.value == pytest.approx(22, rel=0.05)
    assert finding.limit == 20.0
    assert "60 min" in finding.says
    assert not any(event.kind == "fuse" for event in trial.record.events)


def test_a_plan_of_another_voltage_is_the_first_thing_told() -> None:
    """12 V and 24 V are two systems: said before the end at once."""
    assert "The bank is one of 12 V" in tell(pair(), misplanned(), "load").lines[0]


def test_the_unit_nearest_its_limit_is_not_called_the_largest() -> None:
    """Where another unit carries more it is named beside the one nearest its limit."""
    trial = hard()
    finding = found(trial, "trial-discharge-share")
    assert "nearest" in finding.quantity
    largest = trial.record.ids[int(trial.record.peaks.out_a.argmax())]
    assert finding.subject == (largest,) or f"the largest is {largest}'s" in finding.says


def test_nothing_left_is_not_told_as_not_empty() -> None:
    """A lowest charge that rounds to nought is all but empty."""
    made = bank("A // B", unit("A"), unit("B"))
    run = try_out(made, EMPTY, scenarios.discharge(made, EMPTY, amps=10, hours=1))
    record = replace(run.record, soc_frac=np.minimum(run.record.soc_frac, 0.004))
    assert any("all but empty" in line for line in tell(made, replace(run, record=record), "load").lines)


@pytest.mark.parametrize(
    ("chem", "celsius", "amps", "cold", "rate"),
    [("lfp", -15.0, 20, True, False), ("lead_flooded", 25.0, 60, False, True), ("lead_flooded", -10.0, 30, True, True)],
)
def test_what_the_cold_holds_is_not_told_as_bound_by_the_rate(
    chem: str, celsius: float, amps: float, cold: bool, rate: bool
) -> None:
    """Lithium has no second well: what is left in it in the cold comes back with warmth; in lead both can be."""
    made = bank("A", unit("A", chem, 4 if chem == "lfp" else 6, bms=None, temperature_c=celsius))
    plan = Plan(duty=Duty(ambient_c=celsius), protection=Protection(disconnect_v=7.0 if rate else None))
    trial = try_out(made, plan, scenarios.discharge(made, plan, amps=amps))
    line = next(line for line in tell(made, trial, "load").lines if line.startswith("A is empty"))
    assert ("held by the cold, and come back with warmth" in line) is cold
    assert ("bound at this rate, and come back with rest" in line) is rate
    row = int(np.searchsorted(trial.record.time_s, next(e.time_s for e in trial.record.events if e.kind == "empty")))
    told = sum(map(int, re.findall(r"(\d+) % are", line)))
    assert told == pytest.approx(100.0 * float(trial.record.soc_frac[row, 0]), abs=1.1)


def test_a_fuse_overloaded_between_two_records_is_told() -> None:
    """
    10 min of 22 A in 4 h of 5 A, none of them in a record: by hand 17 A · 10 min / 22 A = 7.7 min; 2 s are not told.
    """
    made, plan = bank("A // B", unit("A"), unit("B")), Plan(protection=Protection(unit_fuse_a=20))
    for pulse_s, told in ((600.0, True), (2.0, False)):
        edges = [0.0, 3600.0, 3600.0 + pulse_s, 14_400.0]
        base = scenarios.profile(made, plan, edges, amps=[10.0, 44.0, 10.0])
        trial = try_out(made, plan, base)
        record = trial.record
        kept = (record.time_s < 3599.0) | (record.time_s > 3601.0 + pulse_s)
        names = ("time_s", "volts", "amps", "unit_amps", "unit_volts", "soc_frac", "temperature_c")
        few = replace(record, **{name: getattr(record, name)[kept] for name in names})
        assert float(few.unit_amps.max()) < 20.0 < float(record.peaks.out_a.max())
        said = [one for one in notable(made, base, few, trial.shares, plan) if one.code == "trial-fuse-loaded"]
        assert bool(said) is told
        if told:
            assert said[0].value == pytest.approx(float(record.peaks.out_a.max()))
            assert said[0].value == pytest.approx(22.0, abs=0.5)
            assert float(re.findall(r"for ([\d.]+) min", said[0].says)[0]) == pytest.approx(7.7, abs=0.3)


def study_of(from_soc: float | None) -> tuple[Study, tuple[str, ...]]:
    """Return a study of three units whose charge comes from voltages on one curve."""
    made = bank("A // B // C", *(unit(n, "lfp", 4, soc_frac=None, rest_v=13.1, bms=None) for n in "ABC"))
    scenario = scenarios.discharge(made, EMPTY, amps=60, from_soc=from_soc)
    return Study(made, EMPTY, replace(scenario, step_s=60.0)), tuple(scenario.soc_frac)


def test_a_stated_charge_is_no_driver_and_a_common_one_has_no_single_unit() -> None:
    """What the scenario sets moves nothing; one curve's error is told as the charge of all units."""
    for begin in (1.0, None):
        study, stated = study_of(begin)
        drivers = summary([study(k) for k in range(40)], Limits(set_charge=stated)).drivers
        names = {one.unit for one in drivers if one.quantity == "soc_frac"}
        assert names == (set() if begin else {ALL})


def test_joining_and_loads_are_told_in_sentences() -> None:
    """Every line is a whole sentence without a number that is none."""
    cases: list[tuple[Trial, str]] = [(joined(), "joining"), (hard(), "load")]
    for trial, kind in cases:
        made = bank("A // B", unit("A", "nmc", 7), unit("B", "nmc", 7))
        for line in tell(made, trial, kind).lines:
            assert line.endswith(".")
            assert not re.search(r"nan|inf\b|None\b(?! is empty)|\de[+-]", line)

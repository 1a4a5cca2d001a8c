"""
Whether a charge fills: units that are far from full when the charger is done, and the volts that would fill them.

Outside: absorb of AGM lead 2.37 to 2.45 V a cell (makers' data sheets, by the chemistry data), of LFP 3.45 to 3.55 V
(common practice); times the cells by hand.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from hotchpot.bank.plan import Charger, Duty, Plan
from hotchpot.bank.verdict import Verdict
from hotchpot.trial import scenarios
from hotchpot.trial.outcome import Trial
from hotchpot.trial.telling import verdict_of
from hotchpot.trial.trying import try_out

sys.path.insert(0, str(Path(__file__).parents[1] / "bank"))
sys.path.insert(0, str(Path(__file__).parent))

from referee import bank, unit
from test_notable import found, underfilled

LEAD = bank("A // B", unit("A"), unit("B", ah=90))
LFP = bank("A // B", *(unit(name, "lfp", 4, bms=None) for name in "AB"))


def told(trial: Trial) -> bool:
    """Return whether a trial says that units are not filled."""
    return any(finding.code == "trial-unfilled" for finding in trial.notable)


def test_lead_charged_to_too_low_volts_is_told_with_the_volts_it_needs() -> None:
    """12.5 V end the charge far below full; six cells of 2.37 to 2.45 V are 14.2 to 14.7 V. The verdict says it."""
    trial = underfilled()
    finding = found(trial, "trial-unfilled")
    assert trial.record.ended.kind == "charged"
    assert finding.value == pytest.approx(100.0 * float(trial.record.soc_frac[-1].min()))
    assert finding.value is not None
    assert finding.value < 90.0
    assert "14.2 to 14.7 V" in finding.says
    assert "14.2 to 14.7 V" in finding.do
    assert "sulphates" in finding.why
    assert verdict_of(trial).startswith("The trial by itself: only if")


def test_lithium_that_takes_nothing_is_told_too() -> None:
    """At 12.9 V a charge of LFP from 20 % is over at once; four cells of 3.45 to 3.55 V are 13.8 to 14.2 V."""
    plan = Plan(charger=Charger(amps=20, volts=12.9))
    trial = try_out(LFP, plan, scenarios.charge(LFP, plan))
    finding = found(trial, "trial-unfilled")
    assert trial.record.ended.time_s == 0.0
    assert finding.verdict is Verdict.CAUTION
    assert finding.value == pytest.approx(20.0)
    assert "at once and with nothing taken" in finding.says
    assert "13.8 to 14.2 V" in finding.says


@pytest.mark.parametrize(("made", "volts"), [(LEAD, 14.4), (LFP, 14.2), (LEAD, None), (LFP, None)])
def test_a_charge_within_the_band_fills(made: object, volts: float | None) -> None:
    """Up to the volts of the band, or with none stated, both chemistries fill, and nothing is said."""
    plan = Plan(charger=Charger(amps=20, volts=volts))
    assert not told(try_out(made, plan, scenarios.charge(made, plan)))  # type: ignore[arg-type]


def test_a_unit_that_another_holds_back_is_to_be_charged_by_itself() -> None:
    """A string's full unit ends the charge while the other is far below: its volts are right, and none are told."""
    made = bank("A + B", *(unit(n, "lfp", 4, bms=None, soc_frac=soc) for n, soc in (("A", 0.99), ("B", 0.6))))
    plan = Plan(charger=Charger(amps=5, volts=28.4))
    trial = try_out(made, plan, scenarios.charge(made, plan, None))
    finding = found(trial, "trial-unfilled")
    assert trial.record.ended.kind == "charged"
    assert finding.subject == ("B",)
    assert "by itself" in finding.do
    assert "needs" not in finding.says


def test_unlike_chemistries_are_told_no_volts() -> None:
    """What fills six cells of lead is not what four of LFP bear: side by side no volts are told for both."""
    made = bank("A // L", unit("A"), unit("L", "lfp", 4, bms=None))
    plan = Plan(charger=Charger(amps=20, volts=12.9))
    trial = try_out(made, plan, scenarios.charge(made, plan))
    finding = found(trial, "trial-unfilled")
    assert "needs" not in finding.says
    assert " V" not in finding.do


def test_a_unit_with_a_shorted_cell_is_never_to_be_filled() -> None:
    """Where a cell has shorted the charge itself is what is wrong: nobody is told to give it more."""
    plan = Plan(charger=Charger(amps=20, volts=12.5))
    assert not told(try_out(LEAD, plan, scenarios.stuck(scenarios.charge(LEAD, plan), "A")))


@pytest.mark.parametrize("source", ["mains", "pv"])
@pytest.mark.parametrize(("volts", "low"), [(12.5, True), (14.4, False)])
def test_days_that_never_fill_are_a_caution(volts: float, low: bool, source: str) -> None:
    """From full, a week by mains or sun: 12.5 V let lead sink and stay low, 14.4 V keep it full."""
    plan = Plan(duty=Duty(energy_wh_per_day=600), charger=Charger(amps=20, volts=volts, source=source))
    trial = try_out(LEAD, plan, scenarios.day(LEAD, plan, 7))
    assert trial.record.first("float") is not None
    assert told(trial) is low
    if low:
        finding = found(trial, "trial-unfilled")
        assert finding.verdict is Verdict.CAUTION
        assert "14.2 to 14.7 V" in finding.do

"""
What a unit may reach at its moment: warmth on charge and discharge, charge volts in cold and heat; depth if reversed.

Outside: NMC is charged up to 45 °C and discharged up to 60 °C (makers' data sheets, from memory); compensation of AGM
by -4 mV a cell and kelvin from 25 °C (common practice); charge forced through a cell by hand, amps times hours.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from hotchpot.bank.plan import Charger, Duty, Plan, Protection
from hotchpot.bank.verdict import Verdict
from hotchpot.trial import scenarios
from hotchpot.trial.allowed import hottest
from hotchpot.trial.doubt import summary
from hotchpot.trial.outcome import Trial
from hotchpot.trial.samples import Study
from hotchpot.trial.trying import try_out

sys.path.insert(0, str(Path(__file__).parents[1] / "bank"))
sys.path.insert(0, str(Path(__file__).parent))

from referee import bank, unit
from test_notable import found


def agm(at_c: float, volts: float, *, compensated: bool) -> Trial:
    """Charge a 12 V AGM unit in a place as warm as it is."""
    made = bank("A", unit("A", temperature_c=at_c))
    plan = Plan(duty=Duty(ambient_c=at_c), charger=Charger(amps=5, volts=volts, compensated=compensated))
    return try_out(made, plan, scenarios.charge(made, plan, 0.8))


def test_trial_and_doubt_hold_warmth_to_one_limit() -> None:
    """NMC charged up to some 50 °C is beyond 45 °C: the trial forbids it, and all draws are hot; a discharge is not."""
    made = bank("A // B", *(unit(name, "nmc", 4, 100, temperature_c=46.0) for name in "AB"))
    plan = Plan(duty=Duty(ambient_c=48.0), charger=Charger(volts=16.4, amps=40.0))
    scenario = scenarios.charge(made, plan, hours=1)
    heat = found(try_out(made, plan, scenario), "trial-heat")
    assert (heat.verdict, heat.limit) == (Verdict.FORBID, 45.0)
    assert summary([Study(made, plan, scenario)(k) for k in range(3)]).chance("hot").happened == 3
    load = scenarios.discharge(made, plan, amps=40, hours=0.5)
    assert found(try_out(made, plan, load), "trial-heat").limit == 60.0
    assert summary([Study(made, plan, load)(k) for k in range(3)]).chance("hot").happened == 0


def test_a_unit_that_was_hot_while_it_took_current_is_told_though_it_gave_more() -> None:
    """A run that gives more than it takes still holds the hour of charge to the limit of charge."""
    made = bank("A", unit("A", "nmc", 4, 100, temperature_c=50.0))
    plan = Plan(duty=Duty(ambient_c=50.0), charger=Charger(volts=16.4, amps=10.0))
    scenario = scenarios.profile(made, plan, [0, 3600, 7200, 14_400], amps=[20, -5, 20], from_soc=0.9)
    record = try_out(made, plan, scenario).record
    assert record.bank_out_ah > record.bank_in_ah
    assert hottest(record, made.units).limit[0] == 45.0


def test_compensated_charge_in_the_cold_is_within_its_limit() -> None:
    """14.4 V at 25 °C is 15.48 V at -20 °C (6 x 4 mV x 45 K = 1.08 V): fine; the same volts uncompensated are not."""
    cold = found(agm(-20.0, 14.4, compensated=True), "trial-over-voltage")
    assert cold.value is not None
    assert cold.limit is not None
    assert cold.value > 15.2
    assert cold.limit > 15.5
    assert cold.verdict is Verdict.FINE
    assert found(agm(-20.0, 15.4, compensated=False), "trial-over-voltage").verdict is not Verdict.FINE
    made = bank("A", unit("A", temperature_c=-20.0))
    plan = Plan(duty=Duty(ambient_c=-20.0), charger=Charger(amps=5, volts=14.4, compensated=True))
    assert summary([Study(made, plan, scenarios.charge(made, plan, 0.8))(0)]).chance("over-voltage").happened == 0


def test_the_limit_is_lower_where_it_is_hot() -> None:
    """At 45 °C an AGM unit may have 6 x 4 mV x 20 K = 0.48 V less than 14.7 V: 14.4 V, not compensated, is too much."""
    hot = found(agm(45.0, 14.4, compensated=False), "trial-over-voltage")
    assert hot.verdict is Verdict.CAUTION  # as the judge has it
    assert hot.limit == pytest.approx(6 * (2.45 - 0.004 * 20 + 0.01), abs=0.06)
    assert found(agm(45.0, 14.4, compensated=True), "trial-over-voltage").verdict is Verdict.FINE


def test_a_cold_unit_turned_round_is_past_empty() -> None:
    """At -15 °C a small LFP unit is reversed with charge held back by the cold: what is forced through it counts."""
    made = bank(
        "A + B",
        unit("A", "lfp", 4, 100, bms=None, temperature_c=-15.0),
        unit("B", "lfp", 4, 60, bms=None, temperature_c=-15.0),
    )
    plan = Plan(duty=Duty(ambient_c=-15.0), protection=Protection(disconnect_v=5.0))
    scenario = scenarios.discharge(made, plan, amps=10)
    trial = try_out(made, plan, scenario)
    turned = next(event for event in trial.record.events if event.kind == "reversed")
    by_hand = 10.0 * (trial.record.ended.time_s - turned.time_s) / 3600.0 / 60.0
    finding = found(trial, "trial-internal-short")
    assert finding.verdict is Verdict.FORBID
    assert finding.value == pytest.approx(-by_hand, abs=0.02)
    assert float(trial.record.soc_frac.min()) > -0.12
    assert summary([Study(made, plan, scenario)(0)]).chance("internal-short", "B").happened == 1

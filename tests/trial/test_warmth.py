"""
Cold and warmth in a trial: charge held to the limit of the moment, charge in the cold, freezing, standing empty.

Outside: LFP is charged at 0 °C or more, to 5 °C at 0.2C at most (makers' data sheets); the freezing points of acid by
density (US Army OD1002 lesson 2 / TM 5-1185 Table III); lead left at 15 % and -15 °C freezes (hazard case of the
project's reference). Charges by hand: amps times hours.
"""

from __future__ import annotations

import re
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from hotchpot.bank.bank import Bank
from hotchpot.bank.plan import Charger, Duty, Plan
from hotchpot.bank.verdict import Verdict
from hotchpot.trial import passed, scenarios, warmth
from hotchpot.trial.notable import notable
from hotchpot.trial.outcome import Trial
from hotchpot.trial.samples import kept
from hotchpot.trial.telling import tell
from hotchpot.trial.trying import try_out

sys.path.insert(0, str(Path(__file__).parents[1] / "bank"))
sys.path.insert(0, str(Path(__file__).parent))

from referee import bank, unit
from test_notable import charged_cold, found, frozen


def codes(trial: Trial) -> set[str]:
    """Return the codes of all findings."""
    return {finding.code for finding in trial.notable}


def cooling(amps: float, hours: float = 24) -> tuple[Bank, Trial]:
    """Charge an LFP unit, read at 12 °C, in a place of -6 °C: it cools through 5 and 0 °C while it is charged."""
    made = bank("A", unit("A", "lfp", 4, bms=None, temperature_c=12.0))
    plan = Plan(duty=Duty(ambient_c=-6.0), charger=Charger(amps=amps, volts=14.2))
    return made, try_out(made, plan, scenarios.charge(made, plan, 0.2, hours=hours))


def test_charge_is_held_to_the_limit_of_its_moment() -> None:
    """10 A into 100 Ah are fine at 12 °C (0.5C) and at 3 °C (0.2C), and forbidden below 0 °C, where none is allowed."""
    made, trial = cooling(10)
    record = trial.record
    share = found(trial, "trial-charge-share")
    assert record.temperature_c[0, 0] == 12.0
    assert record.temperature_c[-1, 0] < 0.0
    assert (share.verdict, share.limit) == (Verdict.FORBID, 0.0)
    assert "none at all as it is at -" in share.says
    assert f"({made.units[0].charge_limit_a():.3g} A when neither cold nor hot)" in share.says
    assert "Do not charge A" in share.do
    warmth_c = np.round(record.temperature_c[:, 0], 2)
    by_hand = np.select([warmth_c < 0, warmth_c < 5], [0.0, 20.0], 50.0)
    assert passed.charge_limits(record, made.units)[:, 0] == pytest.approx(by_hand)


def test_a_cold_limit_is_told_as_such() -> None:
    """At 4 °C an LFP unit of 100 Ah may take 20 A by its maker's 0.2C, though its label says 50 A."""
    made = bank("A", unit("A", "lfp", 4, bms=None, temperature_c=4.0, max_charge_a=50.0))
    plan = Plan(duty=Duty(ambient_c=4.0), charger=Charger(amps=27, volts=14.2))
    share = found(try_out(made, plan, scenarios.charge(made, plan, 0.2, hours=0.5)), "trial-charge-share")
    assert (share.verdict, share.limit) == (Verdict.FORBID, pytest.approx(20.0))
    assert "against 20 A as it is at 4" in share.says
    assert "(50 A when neither cold nor hot)" in share.says
    assert "Charge at 74 % of this current or less" in share.do  # 20 / 27, rounded down
    assert made.units[0].chem.cite("charge_c_cold") in share.source


def test_charge_taken_in_the_cold_is_counted() -> None:
    """10 A for 2 h at -5 °C are 20 Ah; for lithium that forbids, is the first sentence, and tells how cold it was."""
    trial = charged_cold()
    finding = found(trial, "trial-charge-cold")
    assert finding.value == pytest.approx(20.0, rel=0.01)
    assert finding.limit == 0.0
    assert "at -5" in finding.says
    made = bank("A", unit("A", "lfp", 4, bms=None))
    assert "FORBID" in tell(made, trial, "charge").verdict
    warm = replace(trial.record, temperature_c=np.full_like(trial.record.temperature_c, 5.0))
    told = notable(made, trial.scenario, warm, trial.shares)
    assert "trial-charge-cold" not in {one.code for one in told}


def test_only_what_was_charged_below_the_window_counts() -> None:
    """Of a unit that cools as it is charged, the part after it has passed 0 °C counts: amps times those hours."""
    _, trial = cooling(4)
    record = trial.record
    cold_h = (record.time_s[-1] - record.time_s[int(np.argmax(record.temperature_c[:, 0] < 0.0))]) / 3600.0
    finding = found(trial, "trial-charge-cold")
    assert finding.value == pytest.approx(4 * cold_h, rel=0.02)
    assert finding.value is not None
    assert finding.value < float(record.in_ah[0])


def test_a_charge_that_no_record_shows_counts_as_cold() -> None:
    """60 s of 30 A between two records, 0.5 Ah, at -5 °C: found all the same; never more than what went in."""
    made = bank("A", unit("A", "lfp", 4, bms=None, temperature_c=-5.0))
    plan = Plan(duty=Duty(ambient_c=-5.0), charger=Charger(amps=30, volts=14.6))
    scenario = scenarios.profile(made, plan, [0, 40_000, 40_060, 86_400], amps=[0.2, -30, 0.2, 0.2], from_soc=0.5)
    trial = try_out(made, plan, replace(scenario, record_s=7200.0))
    taken, _ = passed.charged_cold_ah(trial.record, made.units)
    assert taken[0] == pytest.approx(0.5, rel=0.02)
    assert taken[0] <= trial.record.in_ah[0] + 1e-9
    assert found(trial, "trial-charge-cold").verdict is Verdict.FORBID


def test_electronics_that_nobody_asked_are_named() -> None:
    """The model's protection knows no temperature; a unit that has some is told so."""
    made = bank("A", unit("A", "lfp", 4, bms=True, temperature_c=-5.0))
    plan = Plan(duty=Duty(ambient_c=-5.0), charger=Charger(amps=10, volts=14.0))
    trial = try_out(made, plan, scenarios.charge(made, plan, 0.3, hours=1))
    assert "its own protection" in found(trial, "trial-charge-cold").says


def test_cold_units_are_told_together() -> None:
    """Three alike in the cold are one finding that names all three; nickel is bound to a condition, not forbidden."""
    made = bank("A // B // C", *(unit(name, "lfp", 4, bms=None, temperature_c=-5.0) for name in "ABC"))
    plan = Plan(duty=Duty(ambient_c=-5.0), charger=Charger(amps=30, volts=14.2))
    trial = try_out(made, plan, scenarios.charge(made, plan, 0.3, hours=1))
    told = [one for one in trial.notable if one.code == "trial-charge-cold"]
    assert [set(one.subject) for one in told] == [{"A", "B", "C"}]
    nickel = bank("A", unit("A", "nimh", 10, temperature_c=-5.0))
    plan = Plan(duty=Duty(ambient_c=-5.0), charger=Charger(amps=10, volts=15.0))
    trial = try_out(nickel, plan, scenarios.charge(nickel, plan, 0.3, hours=1))
    assert found(trial, "trial-charge-cold").verdict is Verdict.ONLY_IF


def test_the_study_of_doubt_holds_charge_to_the_same_limit() -> None:
    """A charge that began warm and went on below 0 °C passes its limit there: its ratio is infinite."""
    made, trial = cooling(10)
    assert kept(trial.record, list(made.units), index=0).of_charge[0] == np.inf
    made, trial = cooling(10, hours=0.5)
    assert kept(trial.record, list(made.units), index=0).of_charge[0] <= 0.5 + 1e-6


def test_the_coldest_is_told() -> None:
    """Where a unit cools, the finding on heat tells how cold it became, and when."""
    _, trial = cooling(4)
    told = re.search(r"The coldest: A, (-[0-9.]+) °C after", found(trial, "trial-heat").says)
    assert told is not None
    assert float(told[1]) == pytest.approx(float(trial.record.temperature_c.min()), abs=0.06)


@pytest.mark.parametrize(("density", "freezes_c"), [(1.150, -15.0), (1.200, -26.7), (1.250, -52.2)])
def test_acid_freezes_where_the_armys_table_has_it(density: float, freezes_c: float) -> None:
    """US Army OD1002 lesson 2, as the project's check values have it: within 2 K, where a unit's acid is so thin."""
    densities, points = warmth._acid("lead_flooded")
    assert np.interp(density, densities, points) == pytest.approx(freezes_c, abs=2.0)


def test_lead_left_empty_in_the_frost_may_be_ice() -> None:
    """At 12 % the acid has 1.14: ice at -15 °C (the same table); full, 1.265, it stands the frost."""
    finding = found(frozen(), "trial-freezing")
    assert "may be ice" in finding.says
    assert finding.limit is not None
    assert -12 < finding.limit < -5  # 5 K above its freezing point
    made = bank("A", unit("A", "lead_flooded", temperature_c=-15.0))
    plan = Plan(duty=Duty(ambient_c=-15.0))
    full = try_out(made, plan, scenarios.profile(made, plan, [0, 86_400], amps=[0.01, 0.01]))
    assert not {"trial-freezing", "trial-standing"} & codes(full)


def test_ice_that_is_charged_is_forbidden() -> None:
    """A flooded unit at 15 % and -15 °C, then charged: forbidden, as the hazard case of the reference has it (H55)."""
    made = bank("A", unit("A", "lead_flooded", temperature_c=-15.0))
    plan = Plan(duty=Duty(ambient_c=-15.0), charger=Charger(amps=5, volts=14.4))
    finding = found(try_out(made, plan, scenarios.charge(made, plan, 0.15, hours=1)), "trial-freezing")
    assert finding.verdict is Verdict.FORBID
    assert "charged so" in finding.says


def test_lead_that_stands_empty_is_told_with_its_hours() -> None:
    """Two days below 20 % to the end; one that is charged again is not told."""
    trial = frozen()
    finding = found(trial, "trial-standing")
    assert finding.value == pytest.approx(trial.record.ended.time_s / 3600.0)
    assert finding.value is not None
    assert finding.value >= 47.9
    made = bank("A", unit("A", "lead_flooded", temperature_c=20.0))
    plan = Plan(charger=Charger(amps=10, volts=14.4))
    trial = try_out(
        made, plan, scenarios.profile(made, plan, [0, 172_800, 200_000], amps=[0.01, -10, 0.01], from_soc=0.1)
    )
    assert "trial-standing" not in codes(trial)


def test_lithium_neither_freezes_nor_sulphates() -> None:
    """What is said of acid is said of lead alone."""
    made = bank("A", unit("A", "lfp", 4, bms=None, temperature_c=-15.0))
    plan = Plan(duty=Duty(ambient_c=-15.0))
    trial = try_out(made, plan, scenarios.profile(made, plan, [0, 86_400], amps=[0.01, 0.01], from_soc=0.12))
    assert not {"trial-freezing", "trial-standing"} & codes(trial)

"""
What a trial has to say: every code with a bank that earns it, its figures against hand sums, and none without a cause.

Banks are invented. Limits come from the chemistry data and labels; currents and voltages are held to Kirchhoff.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from hotchpot.bank.bank import Bank
from hotchpot.bank.plan import Charger, Duty, Plan, Protection, Tap, Wiring
from hotchpot.bank.sharing import discharge_shares
from hotchpot.bank.verdict import Finding, Verdict
from hotchpot.chemistry import chemistry
from hotchpot.circuit.record import Balance, Event
from hotchpot.circuit.run import Circuit
from hotchpot.trial import scenarios, shares
from hotchpot.trial.notable import Figure, notable, span
from hotchpot.trial.outcome import Trial
from hotchpot.trial.texts import CAUTION, TEXTS
from hotchpot.trial.trying import try_out
from hotchpot.trial.wired import circuit_of

sys.path.insert(0, str(Path(__file__).parents[1] / "bank"))

from referee import bank, unit

EMPTY = Plan()
PAGE = Path(__file__).parents[2] / "docs" / "methods" / "trial.md"


def cells(count: int, small_ah: float, chem: str = "lfp") -> Bank:
    """Return a string of single cells without protection, the last one small."""
    named = [unit(f"C{k}", chem, 1, bms=None) for k in range(1, count)]
    weak = unit("W", chem, 1, ah=small_ah, rated_ah=100, bms=None)
    return bank(" + ".join([*(f"C{k}" for k in range(1, count)), "W"]), *named, weak)


def packs(**told: object) -> Bank:
    """Return two protected lithium packs in series, the second smaller."""
    return bank("A + B", unit("A", "lfp", 4, **told), unit("B", "lfp", 4, ah=60, rated_ah=100, **told))  # type: ignore[arg-type]


def pair() -> Bank:
    """Return a sound and an aged lead unit in parallel."""
    return bank("A // B", unit("A"), unit("B", ah=60, rated_ah=100, resistance_mohm=18.0))


def collapse() -> Trial:
    """Ask for more power than there is."""
    return try_out(pair(), EMPTY, scenarios.discharge(pair(), EMPTY, watts=1e6))


def reversed_lithium() -> Trial:
    """Let a string drive its smallest cell below empty, as the disconnect looks at the whole only."""
    made, plan = cells(8, 50), Plan(protection=Protection(disconnect_v=20))
    return try_out(made, plan, scenarios.discharge(made, plan, amps=20))


def reversed_lead() -> Trial:
    """Let a long lead string drive its smallest cell below empty."""
    made, plan = cells(24, 50, "lead_flooded"), Plan(protection=Protection(disconnect_v=42))
    return try_out(made, plan, scenarios.discharge(made, plan, amps=10))


def overcharged() -> Trial:
    """Charge a string whose last cell is nearly full already."""
    made, plan = cells(4, 100), Plan(charger=Charger(amps=20, volts=14.0))
    base = scenarios.charge(made, plan, 0.5)
    return try_out(made, plan, replace(base, soc_frac={**base.soc_frac, "W": 0.97}))


def opened(**told: object) -> Trial:
    """Discharge packs in series until the smaller one's protection opens."""
    made = packs(**told)
    return try_out(made, EMPTY, scenarios.discharge(made, EMPTY, amps=30))


def fused() -> Trial:
    """Join a unit with a shorted cell through fuses that are too small for it."""
    plan = Plan(protection=Protection(unit_fuse_a=20))
    return try_out(pair(), plan, scenarios.stuck(scenarios.joining(pair(), plan), "A"))


def joined() -> Trial:
    """Join a full and a smaller, emptier lithium unit."""
    made = bank("A // B", unit("A", "nmc", 7), unit("B", "nmc", 7, ah=40, soc_frac=0.7))
    return try_out(made, EMPTY, scenarios.joining(made, EMPTY))


def hard() -> Trial:
    """Draw more than the smaller of two units may give."""
    made = bank("A // B", unit("A", "nmc", 7, ah=10), unit("B", "nmc", 7, ah=5))
    return try_out(made, EMPTY, scenarios.discharge(made, EMPTY, amps=22, hours=2))


def plain() -> Trial:
    """Discharge the pair as one would."""
    return try_out(pair(), EMPTY, scenarios.discharge(pair(), EMPTY, amps=20))


def charged() -> Trial:
    """Charge the pair faster than the aged unit should be."""
    plan = Plan(charger=Charger(amps=60, volts=14.4))
    return try_out(pair(), plan, scenarios.charge(pair(), plan, 0.3))


def dark() -> Trial:
    """Live a day from a bank that is too small for it."""
    made, plan = bank("A", unit("A", ah=40)), Plan(duty=Duty(energy_wh_per_day=1500))
    return try_out(made, plan, scenarios.day(made, plan))


def unmeasured() -> Trial:
    """Draw on a unit of which nothing but the label is known."""
    made = bank("A // B", unit("A"), unit("B", capacity_ah=None, resistance_mohm=None))
    return try_out(made, EMPTY, scenarios.discharge(made, EMPTY, amps=20))


def unbalanced() -> Trial:
    """Spoil the sums of a run."""
    trial = try_out(pair(), EMPTY, scenarios.discharge(pair(), EMPTY, amps=10, hours=1))
    record = replace(trial.record, balance=Balance(1e-3, 1e-2))
    return replace(trial, notable=notable(pair(), trial.scenario, record, trial.shares))


def cycling() -> Trial:
    """Stop a run whose loads come and go."""
    trial = plain()
    events = tuple(Event(kind, 1.0, None, 10.5) for kind in ("loads-off", "loads-on"))
    record = replace(trial.record, events=events, ended=Event("too-many-events", 60.0))
    return replace(trial, notable=notable(pair(), trial.scenario, record, trial.shares))


def tapped() -> Trial:
    """Cut out the string that a tap hangs on."""
    made = bank("(A + B) // (C + D)", *(unit(name) for name in "ABCD"))
    plan = Plan(wiring=Wiring(taps=(Tap(below="D", amps=2),)))
    return try_out(made, plan, scenarios.lost(scenarios.discharge(made, plan, amps=10, hours=1), ["C"]))


def short_charged() -> Trial:
    """Charge a lithium unit with a shorted cell."""
    made, plan = bank("A", unit("A", "lfp", 4, bms=None)), Plan(charger=Charger(amps=20, volts=14.2))
    return try_out(made, plan, scenarios.stuck(scenarios.charge(made, plan, 0.5), "A"))


def misplanned() -> Trial:
    """Try a 12 V bank with a plan for 24 V."""
    plan = Plan(duty=Duty(system_v=24), protection=Protection(disconnect_v=21.6))
    return try_out(pair(), plan, scenarios.discharge(pair(), plan, amps=10))


def turned_round() -> Trial:
    """Begin full with a unit that was read at -8 V."""
    made = bank("A + B", unit("A"), unit("B", rest_v=-8.0, soc_frac=None))
    return try_out(made, EMPTY, scenarios.discharge(made, EMPTY, amps=5, hours=1))


def pressed() -> Trial:
    """Let two sound lead units press a worn third below its lowest voltage."""
    cold = {"temperature_c": 15.0}
    made = bank("A + B + W", unit("A", "lead_flooded", **cold), unit("B", "lead_flooded", **cold),
                unit("W", "lead_flooded", ah=40, rated_ah=100, resistance_mohm=15.0, **cold))  # fmt: skip
    return try_out(made, EMPTY, scenarios.discharge(made, EMPTY, amps=15))


def loaded() -> Trial:
    """Carry 22 A for hours through a fuse of 20 A."""
    made, plan = bank("A // B", unit("A"), unit("B")), Plan(protection=Protection(unit_fuse_a=20))
    return try_out(made, plan, scenarios.discharge(made, plan, amps=44, hours=1))


def gassing() -> Trial:
    """Hold flooded units at a high voltage for two days."""
    made = bank("A", unit("A", "lead_flooded"))
    plan = Plan(charger=Charger(amps=10, volts=15.0, hours=48))
    return try_out(made, plan, scenarios.charge(made, plan, 0.9))


def too_cold() -> Trial:
    """Draw on lead at -25 °C, below the window of its discharge."""
    made = bank("A", unit("A", temperature_c=-25.0))
    plan = Plan(duty=Duty(ambient_c=-25.0))
    return try_out(made, plan, scenarios.discharge(made, plan, amps=5, hours=1))


def charged_cold() -> Trial:
    """Charge lithium at -5 °C."""
    made = bank("A", unit("A", "lfp", 4, bms=None, temperature_c=-5.0))
    plan = Plan(duty=Duty(ambient_c=-5.0), charger=Charger(amps=10, volts=14.2))
    return try_out(made, plan, scenarios.charge(made, plan, 0.3, hours=2))


def frozen() -> Trial:
    """Leave a flooded unit at 12 % and -15 °C for two days."""
    made = bank("A", unit("A", "lead_flooded", temperature_c=-15.0))
    plan = Plan(duty=Duty(ambient_c=-15.0))
    return try_out(made, plan, scenarios.profile(made, plan, [0, 86_400, 172_800], amps=[0.01] * 3, from_soc=0.12))


def underfilled() -> Trial:
    """Charge lead up to 12.5 V only."""
    plan = Plan(charger=Charger(amps=20, volts=12.5, hours=8))
    return try_out(pair(), plan, scenarios.charge(pair(), plan))


CASES: dict[str, tuple[Callable[[], Trial], Verdict]] = {
    "trial-balance": (unbalanced, Verdict.FORBID),
    "trial-collapse": (collapse, Verdict.FORBID),
    "trial-electronics-overstressed": (lambda: opened(bms_max_v=20.0), Verdict.FORBID),
    "trial-internal-short": (reversed_lithium, Verdict.FORBID),
    "trial-reversed": (reversed_lead, Verdict.FORBID),
    "trial-over-voltage": (overcharged, Verdict.FORBID),
    "trial-short-charged": (short_charged, Verdict.FORBID),
    "trial-plan-volts": (misplanned, Verdict.ONLY_IF),
    "trial-start": (turned_round, Verdict.ONLY_IF),
    "trial-low-volts": (pressed, Verdict.ONLY_IF),
    "trial-fuse-loaded": (loaded, Verdict.CAUTION),
    "trial-gas": (gassing, Verdict.CAUTION),
    "trial-cycling": (cycling, Verdict.ONLY_IF),
    "trial-tap-dropped": (tapped, Verdict.CAUTION),
    "trial-open": (opened, Verdict.ONLY_IF),
    "trial-fuse": (fused, Verdict.ONLY_IF),
    "trial-electronics": (opened, Verdict.ONLY_IF),
    "trial-surge": (joined, Verdict.ONLY_IF),
    "trial-discharge-share": (hard, Verdict.ONLY_IF),
    "trial-charge-share": (charged, Verdict.ONLY_IF),
    "trial-heat": (opened, Verdict.CAUTION),
    "trial-cold": (too_cold, Verdict.FORBID),
    "trial-charge-cold": (charged_cold, Verdict.FORBID),
    "trial-freezing": (frozen, Verdict.ONLY_IF),
    "trial-first-empty": (plain, Verdict.FINE),
    "trial-short": (hard, Verdict.CAUTION),
    "trial-unfilled": (underfilled, Verdict.ONLY_IF),
    "trial-unmet": (dark, Verdict.CAUTION),
    "trial-standing": (frozen, Verdict.CAUTION),
    "trial-settling": (joined, Verdict.FINE),
    "trial-usable": (opened, Verdict.CAUTION),
    "trial-losses": (opened, Verdict.FINE),
    "trial-assumed": (unmeasured, Verdict.CAUTION),
    "trial-typical": (opened, Verdict.FINE),
}


def found(trial: Trial, code: str) -> Finding:
    """Return the first finding of a code."""
    return next(finding for finding in trial.notable if finding.code == code)


@pytest.mark.parametrize("code", CASES)
def test_every_code_is_told_of_a_bank_that_earns_it(code: str) -> None:
    """Each code comes with its verdict, whole sentences, a source, and units of the bank as its subject."""
    build, verdict = CASES[code]
    trial = build()
    finding = found(trial, code)
    assert finding.verdict is verdict, finding.says
    known = {*trial.record.ids, "main"}
    assert {name for subject in finding.subject for name in subject.split()} <= known
    for text in (finding.says, finding.why, finding.do):
        assert re.fullmatch(r"[^{}]+\.", text), text
        assert not re.search(r"nan|inf\b|None|e\+", text), text
    assert finding.source
    assert (finding.do == "Nothing.") == (verdict is Verdict.FINE)


def test_every_code_stands_in_the_register_the_tests_and_the_page() -> None:
    """The table of words, the cases above and docs/methods/trial.md name the same codes."""
    page = set(re.findall(r"^\| `(trial-[a-z-]+)` \|", PAGE.read_text("utf-8"), re.MULTILINE))
    assert set(TEXTS) == set(CASES) == page


@pytest.mark.parametrize("build", [collapse, opened, joined, hard, overcharged])
def test_the_weightiest_comes_first(build: Callable[[], Trial]) -> None:
    """Findings are sorted by their verdict, the worst first."""
    ranks = [finding.verdict.rank for finding in build().notable]
    assert ranks == sorted(ranks, reverse=True)


def test_a_sound_bank_is_told_of_no_harm() -> None:
    """Two equal measured units under a small load: every finding is fine."""
    made = bank("A // B", unit("A"), unit("B"))
    trial = try_out(made, EMPTY, scenarios.discharge(made, EMPTY, amps=6, hours=4))
    assert {finding.verdict for finding in trial.notable} == {Verdict.FINE}
    assert "licensed electrician" in CAUTION


def test_the_reversed_units_volts_are_what_the_others_leave_it() -> None:
    """By Kirchhoff: at the end, cut-off or heat, the weak cell has the bank's volts less those of the seven others."""
    trial = reversed_lithium()
    finding = found(trial, "trial-reversed")
    record = trial.record
    weak = float(record.volts[-1] - record.unit_volts[-1, :7].sum())
    assert record.unit_volts[-1, 7] == pytest.approx(weak, abs=1e-3)
    assert f"{weak:.3g} V" in finding.says
    # Its own charge is counted too: what went through it beyond its capacity
    assert finding.value == pytest.approx(trial.given_ah - 50.0, rel=0.1)
    assert found(trial, "trial-internal-short").value == pytest.approx(1 - trial.given_ah / 50, abs=0.02)


def test_a_weak_lead_cell_that_is_not_reversed_is_a_caution() -> None:
    """Six cells down to 10.5 V leave the small one at 0.3 V: below 1 V a cell, but not turned round."""
    made = cells(6, 50, "lead_flooded")
    trial = try_out(made, EMPTY, scenarios.discharge(made, EMPTY, amps=5))
    finding = found(trial, "trial-reversed")
    assert finding.verdict is Verdict.CAUTION
    assert trial.record.first("reversed") is None
    assert 0.0 < float(trial.record.unit_volts[-1, 5]) < 1.0


def test_over_voltage_is_what_the_others_leave_the_fullest() -> None:
    """Held at 14.0 V, three cells on their plateau leave the full one far above 3.65 V, by the string's sum."""
    trial = overcharged()
    finding = found(trial, "trial-over-voltage")
    record = trial.record
    row = int(record.unit_volts[:, 3].argmax())
    assert finding.subject == ("W",)
    assert finding.value == pytest.approx(record.volts[row] - record.unit_volts[row, :3].sum(), rel=1e-6)
    assert finding.value is not None
    assert finding.value > 3.65


def test_an_open_switch_may_see_its_strings_charge_voltage() -> None:
    """
    Of two packs of 4 cells one opens: now the bank's own open voltage lies there, later up to 8 x 3.65 = 29.2 V.

    3.65 V: a maker's data sheet. That a switch must bear its string's charge voltage is common practice.
    """
    trial = opened(bms_max_v=20.0)
    finding = found(trial, "trial-electronics-overstressed")
    now = re.search(r"with ([0-9.]+) V across it", finding.says)
    assert now is not None
    assert float(now[1]) == pytest.approx(float(trial.record.unit_volts[-1].sum()), abs=1.5)
    assert finding.value == pytest.approx(29.2)
    assert finding.limit == 20.0
    # What lies there at first is borne, the string's charge voltage is not
    assert found(opened(bms_max_v=28.0), "trial-electronics-overstressed").verdict is Verdict.FORBID
    spared = opened(bms_max_v=60.0)
    assert found(spared, "trial-electronics").verdict is Verdict.CAUTION
    assert "29.2 V can come to lie there" in found(spared, "trial-electronics").says
    assert "trial-electronics-overstressed" not in {one.code for one in spared.notable}


@pytest.mark.parametrize("chem", ["lfp", "nmc"])
def test_the_worst_share_is_the_judges(chem: str) -> None:
    """The judge's own discharge, which leaves warmth out, names the same currents within 5 % of the load."""
    count = {"lfp": 4, "nmc": 7}[chem]
    made = bank("A // B", unit("A", chem, count, temperature_c=25.0),
                unit("B", chem, count, 60, rated_ah=100, resistance_mohm=30.0, temperature_c=25.0))  # fmt: skip
    judged = discharge_shares(made, 40)
    scenario = scenarios.discharge(made, EMPTY, amps=40)
    wired = circuit_of(made, EMPTY, scenario)
    cold = Circuit(made.arrangement, wired.models, wired.leads, warming=False)
    record = cold.run(scenario.drive, stop=scenario.stop, record_s=0)
    assert record.unit_amps.max(axis=0) == pytest.approx(judged.worst_a, abs=0.05 * 40)
    assert record.ended.time_s / 3600 == pytest.approx(judged.hours, rel=0.02)


def test_the_aged_lithium_unit_ends_up_with_the_load() -> None:
    """
    100 Ah beside 60 Ah of twice the resistance times capacity, 40 A: the small unit goes from 9 to about 38 A.

    By Millman the first share is 40 * (1/3.333)/(1 + 1/3.333) = 9.2 A; 38 A is this project's physics reference
    (section 2.2), worked out apart from this code; the judge's example.
    """
    typical = chemistry("lfp").typical_mohm(4, 60)
    old = unit("B", "lfp", 4, 60, resistance_mohm=2 * typical, temperature_c=25.0)
    made = bank("A // B", unit("A", "lfp", 4, temperature_c=25.0), old, link_mohm=0.0)
    trial = try_out(made, EMPTY, scenarios.discharge(made, EMPTY, amps=40))
    assert trial.record.unit_amps[0, 1] == pytest.approx(40 * 0.3 / 1.3, rel=0.01)
    finding = found(trial, "trial-discharge-share")
    assert finding.subject == ("B",)
    assert finding.value == pytest.approx(38, abs=2)


def test_many_units_alike_are_told_as_one() -> None:
    """Of thirty small cells driven below empty four are told, and the last of them counts and names the others."""
    small = [unit(f"W{k:02d}", "lfp", 1, ah=40, bms=None) for k in range(30)]
    large = [unit(f"C{k:03d}", "lfp", 1, bms=None) for k in range(200)]
    made = bank("+(C000..C199) + +(W00..W29)", *large, *small)
    plan = Plan(protection=Protection(disconnect_v=600))
    told = [
        f for f in try_out(made, plan, scenarios.discharge(made, plan, amps=20)).notable if f.code == "trial-reversed"
    ]
    assert len(told) == 4
    assert "The same, if less, of 26 more." in told[-1].says
    assert len({name for finding in told for name in finding.subject}) == 30


def test_an_equal_share_counts_the_branches_that_are_there() -> None:
    """Of 30 A each of three branches would carry 10 A, with one cut out each of two 15 A."""
    made = bank("A // B // C", unit("A"), unit("B"), unit("C"))
    base = scenarios.discharge(made, EMPTY, amps=30, hours=1)
    assert "an equal share then is 10 A" in found(try_out(made, EMPTY, base), "trial-discharge-share").says
    less = found(try_out(made, EMPTY, scenarios.lost(base, "C")), "trial-discharge-share")
    assert "an equal share then is 15 A" in less.says


@pytest.mark.parametrize("build", [reversed_lithium, reversed_lead, overcharged, opened, joined, charged, dark])
def test_the_shares_add_up_to_the_labels(build: Callable[[], Trial]) -> None:
    """Where the labels' watt-hours are is told to within 1 %, whatever was done to the bank."""
    trial = build()
    assert sum(share.wh for share in trial.shares) == pytest.approx(trial.label_wh, rel=0.01)
    given = sum(share.wh for share in trial.shares if share.name == shares.GIVEN)
    record = trial.record
    area = np.trapezoid(np.maximum(record.volts * record.amps, 0.0), record.time_s) / 3600
    assert given == pytest.approx(area, rel=0.02, abs=0.002 * trial.label_wh)


def test_worn_energy_is_the_labels_less_the_capacity() -> None:
    """60 Ah left of 100 on a 12 V label: 480 Wh were never there; by hand."""
    trial = try_out(pair(), EMPTY, scenarios.discharge(pair(), EMPTY, amps=10))
    worn = next(share.wh for share in trial.shares if share.name == shares.WORN)
    assert worn == pytest.approx(40 * 12)


def test_what_was_never_measured_is_named_with_its_test() -> None:
    """A unit known by its label alone: capacity and resistance are named, each with the test that settles it."""
    finding = found(unmeasured(), "trial-assumed")
    assert finding.subject == ("B",)
    assert "capacity of B" in finding.says
    assert "resistance of B" in finding.says
    assert "a timed discharge run" in finding.do


def test_figures_are_told_without_exponents_and_times_in_their_best_unit() -> None:
    """Large numbers stay plain, as people read them; seconds, minutes and hours each have their range."""
    assert f"{Figure(15382.0):.3g}" == "15400"
    assert f"{Figure(0.1234):.2g}" == "0.12"
    assert [span(s) for s in (4.2, 600.0, 36_000.0)] == ["4.2 s", "10 min", "10 h"]

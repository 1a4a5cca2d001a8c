"""
What a unit is now: measured values with their doubts, and wide priors where nothing was measured.

Numbers: project rules and guesses (docs/methods/judge.md, doubt and units that were never measured); grades: common
practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import replace
from statistics import NormalDist

import pytest

from hotchpot.bench.standing.curve import OwnCurve
from hotchpot.bench.state import State, made_year, meter_sd_v, rejected_on_sight, state_of
from hotchpot.bench.study import Study
from hotchpot.chemistry import KEYS, chemistry
from hotchpot.measure import Basis
from hotchpot.pile.unit import Unit

Z95 = NormalDist().inv_cdf(0.95)


def state(chem: str = "lead_agm", cells: int = 6, ah: float = 100, year: int | None = 2026, **known: object) -> State:
    """Return the state of an invented unit of which only what is given is known."""
    hours = chemistry(chem).num("rated_h")
    return state_of(Unit(id="U", chemistry=chem, cells=cells, rated_ah=ah, rated_hours=hours, **known), year=year)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("chem", "made", "left", "sd"),
    [
        ("lead_agm", "2021", 1 - 0.05 * 5, 0.15),
        ("lead_flooded", "2026-03", 1.0, 0.15),
        ("lfp", "2016", 1 - 0.025 * 10, 0.10),
        ("nmc", None, 0.75, 0.15),
        ("lead_gel", None, 0.65, 0.20),
        ("nicd", "2016", 1 - 0.03 * 10, 0.15),
        ("nife", None, 0.70, 0.20),
    ],
)
def test_priors_by_age(chem: str, made: str | None, left: float, sd: float) -> None:
    """Project rule: lead 1 - 0.05 a year ± 0.15, unknown 0.65 ± 0.20; lithium 1 - 0.025 ± 0.10, unknown 0.75 ± 0.15."""
    found = state(chem, made=made).capacity_ah
    assert (found.value, found.sd) == pytest.approx((100 * left, 100 * sd))
    assert found.basis is Basis.ASSUMED


def test_a_prior_never_falls_to_nothing() -> None:
    """A lead unit of 1990 is not assumed to hold less than nothing: a tenth is left, and it still asks for a test."""
    assert state(made="1990").capacity_ah.value == pytest.approx(10)
    assert state(made="1990").grade == "untested"


def test_without_a_present_year_age_is_unknown() -> None:
    """The core has no clock: where the year is not given, the date of manufacture tells nothing."""
    assert state(made="2025", year=None).capacity_ah.value == pytest.approx(65)


def test_a_unit_from_the_future_is_new() -> None:
    """A date of manufacture beyond the present year counts as new, not as more than new."""
    assert state(made="2030").capacity_ah.value == pytest.approx(100)


def test_resistance_prior_grows_as_health_falls() -> None:
    """Project rule: R/R_new = 1/SoH² ± 30 %: AGM of 60 Ah left of 100: 6 x 90 / 100 mΩ / 0.36 = 15 mΩ."""
    found = state(capacity_ah=60.0).resistance_mohm
    assert (found.value, found.sd) == pytest.approx((5.4 / 0.36, 0.3 * 5.4 / 0.36))
    assert found.basis is Basis.ASSUMED


def test_measured_values_carry_their_doubt() -> None:
    """Project rule: capacity 1.7 % of the meters with 3 % of repeatability, resistance 10 %; both marked measured."""
    found = state(capacity_ah=90.0, resistance_mohm=6.0)
    assert found.capacity_ah.sd == pytest.approx(90 * math.hypot(0.017, 0.03))
    assert found.resistance_mohm.sd == pytest.approx(0.6)
    assert found.basis is found.resistance_mohm.basis is Basis.MEASURED


def test_percentiles() -> None:
    """Currents are held to their 95th percentile and capacities trusted to their 5th: ± 1.645 sd of a normal value."""
    found = state(capacity_ah=100.0)
    assert found.capacity_ah.lower() == pytest.approx(100 - Z95 * 100 * math.hypot(0.017, 0.03))
    assert found.capacity_ah.upper() == pytest.approx(100 + Z95 * 100 * math.hypot(0.017, 0.03))
    assert pytest.approx(1.645, abs=1e-3) == Z95


@pytest.mark.parametrize(
    ("chem", "cells", "health", "ratio", "grade"),
    [
        ("lead_agm", 6, 0.95, 1.0, "A"),
        ("lead_agm", 6, 0.90, 1.3, "A"),
        ("lead_agm", 6, 0.95, 1.4, "B"),
        ("lead_agm", 6, 0.85, 1.0, "B"),
        ("lead_agm", 6, 0.70, 1.0, "C"),
        ("lead_agm", 6, 0.95, 1.49, "B"),
        ("lead_agm", 6, 0.95, 1.51, "C"),
        ("lead_agm", 6, 0.95, 1.99, "C"),
        ("lead_agm", 6, 0.95, 2.01, "reject"),
        ("lead_agm", 6, 0.89, 1.0, "B"),
        ("lead_agm", 6, 0.79, 1.0, "C"),
        ("lead_agm", 6, 0.55, 1.0, "reject"),
        ("lfp", 4, 0.75, 1.0, "C"),
        ("lfp", 4, 0.65, 1.0, "reject"),
    ],
)
def test_grades(chem: str, cells: int, health: float, ratio: float, grade: str) -> None:
    """A from 90 % and 1.3 R, B from 80 % and 1.5 R, C to 2 R, reject beyond and below the chemistry's line."""
    typical = chemistry(chem).typical_mohm(cells, 100)
    assert state(chem, cells, capacity_ah=100 * health, resistance_mohm=ratio * typical).grade == grade


@pytest.mark.parametrize(
    "known",
    [
        {"flags": ("swollen",)},
        {"flags": ("leaking",)},
        {"flags": ("immersed",)},
        {"rest_rise_k": 1.5},
        {"rest_v": 4 * 1.9},
    ],
)
def test_a_look_or_a_touch_rejects(known: dict[str, object]) -> None:
    """Project rule: swelling, leak, water, more than 1 K at rest, or lithium found below 2.0 V a cell is a reject."""
    assert state("lfp", 4, capacity_ah=100.0, resistance_mohm=6.0, **known).grade == "reject"
    assert rejected_on_sight(state("lfp", 4, capacity_ah=100.0, **known).unit)


@pytest.mark.parametrize("flag", ["dented", "unknown_history"])
def test_a_dent_or_an_unknown_past_does_not_reject_by_itself(flag: str) -> None:
    """A dent and an unknown past call for care and tests; the judge's rules decide on them."""
    assert not rejected_on_sight(state("lfp", 4, flags=(flag,)).unit)


@pytest.mark.parametrize("key", KEYS)
def test_charge_from_voltage_goes_back_to_the_voltage(key: str) -> None:
    """A rest voltage on the curve gives the charge it came from, and the reading itself is kept as the voltage."""
    curve = chemistry(key).ocv
    for soc in (0.15, 0.45, 0.75, 0.95):
        found = state(key, 4, rest_v=4 * curve.volts(soc))
        assert found.soc_frac is not None
        assert found.ocv_v is not None
        assert curve.volts(found.soc_frac.value) == pytest.approx(curve.volts(soc), abs=1e-9)
        assert found.ocv_v.value == pytest.approx(4 * curve.volts(soc))
        assert found.ocv_v.basis is Basis.MEASURED


def test_a_flat_curve_leaves_the_charge_in_doubt() -> None:
    """Project rule: on the LFP plateau a rest voltage tells little; on NMC it tells the charge to a few percent."""
    plateau, sloped = state("lfp", 4, rest_v=4 * 3.297).soc_frac, state("nmc", 4, rest_v=4 * 3.76).soc_frac
    assert plateau is not None
    assert sloped is not None
    assert plateau.sd > 0.10
    assert sloped.sd < 0.07


def test_a_stated_charge_gives_a_voltage_with_its_doubt() -> None:
    """Full is a defined point; elsewhere one percent of charge is the slope's worth of volts."""
    full, half = state(soc_frac=1.0), state(soc_frac=0.5)
    assert full.ocv_v is not None
    assert half.ocv_v is not None
    assert full.ocv_v.value == pytest.approx(6 * 2.133)
    assert half.ocv_v.sd == pytest.approx(6 * (0.28 + 0.25) / 2 * 0.01)  # 0.28 V below half, 0.25 V above
    assert full.ocv_v.sd < half.ocv_v.sd


def test_neither_voltage_nor_charge_leaves_both_unknown() -> None:
    """Nothing is made up where nothing was read."""
    found = state(capacity_ah=100.0)
    assert found.soc_frac is None
    assert found.ocv_v is None


def test_a_read_voltage_beats_a_stated_charge() -> None:
    """The voltage is a reading; a stated charge does not change it."""
    found = state(rest_v=12.5, soc_frac=1.0)
    assert found.ocv_v is not None
    assert found.ocv_v.value == 12.5


def test_meter_doubt() -> None:
    """By hand: two counts of 10 mV spread evenly are 5.8 mV; above 11.5 V half a permille is more."""
    assert meter_sd_v(3.3) == pytest.approx(0.02 / math.sqrt(12))
    assert meter_sd_v(48.0) == pytest.approx(0.024)
    assert meter_sd_v(-48.0) == pytest.approx(0.024)


@pytest.mark.parametrize(("made", "year"), [("2019", 2019), ("2019-03-25", 2019), (None, None), ("?", None)])
def test_year_made(made: str | None, year: int | None) -> None:
    """The year is read from a year or a date."""
    assert made_year(Unit(id="U", chemistry="lfp", cells=4, rated_ah=1, rated_hours=1, made=made)) == year


def test_limits_come_from_the_label_first() -> None:
    """A maker's limit replaces the chemistry's, protection electronics can only lower it, and size sets the rest."""
    assert state(capacity_ah=80.0).charge_limit_a() == pytest.approx(0.3 * 80)
    assert state(capacity_ah=80.0, max_charge_a=40.0).charge_limit_a() == 40
    assert state(capacity_ah=80.0, max_charge_a=40.0, bms_max_a=15.0).charge_limit_a() == 15
    assert state(capacity_ah=80.0).discharge_limit_a() == pytest.approx(0.5 * 80)
    assert state(capacity_ah=80.0).peak_limit_a() == pytest.approx(3 * 80)


def test_self_discharge_prior_is_as_doubtful_as_itself() -> None:
    """Project rule: self-discharge not measured: the chemistry's with a doubt as large."""
    found = state("lfp", 4).self_discharge_frac_month
    assert (found.value, found.sd, found.basis) == (0.03, 0.03, Basis.ASSUMED)


def test_a_measured_self_discharge_is_known_to_a_fifth() -> None:
    """Project rule: a month's stand gives the self-discharge to ± 20 %."""
    found = state(self_discharge_frac_month=0.04).self_discharge_frac_month
    assert (found.value, found.sd) == pytest.approx((0.04, 0.008))


def test_full_is_known_better_than_a_counter() -> None:
    """Project rule: a charge stated as 99.5 % or more is full, ± 0.2 %; below, it is a counter's, ± 1 %."""
    for stated, sd in ((1.0, 0.002), (0.996, 0.002), (0.994, 0.01)):
        found = state(soc_frac=stated).soc_frac
        assert found is not None
        assert found.sd == pytest.approx(sd), stated


def test_a_temperature_that_nobody_read_is_that_of_a_room() -> None:
    """Common practice: 20 °C where nothing is known, and marked as not known."""
    found = state()
    assert (found.temperature_c, found.temperature_known) == (20.0, False)


def test_a_resistance_is_assumed_for_a_tenth_of_health_at_the_least() -> None:
    """Project rule: 1/SoH² grows no further below a tenth: an AGM unit of 5 Ah left of 100 counts as one of 10."""
    assert state(capacity_ah=5.0).resistance_mohm.value == pytest.approx(5.4 / 0.01)


@pytest.mark.parametrize(("rise", "rejected"), [(0.98, False), (1.02, True)])
def test_warm_at_rest_from_one_kelvin(rise: float, rejected: bool) -> None:
    """Common practice, no source: a unit 1 K warmer than its surroundings with nothing connected is rejected."""
    assert rejected_on_sight(state(rest_rise_k=rise).unit) is rejected


def test_charge_from_voltage_is_in_doubt_by_half_the_curve_s_band() -> None:
    """Six flooded cells at 12.21 V: 2.025 V are 41.7 %, 2.045 V 57.1 % of the curve, so 50 ± 7.7 % (by hand)."""
    found = state("lead_flooded", rest_v=12.21).soc_frac
    assert found is not None
    assert (found.value, found.sd) == pytest.approx((0.5, (0.5 + 1 / 14 - 0.4 - 1 / 60) / 2))


def test_a_unit_s_own_curve_travels_with_it() -> None:
    """A cell whose own curve lies 60 mV above its kind's is read by its own: at 3.82 V what 3.76 V says of its kind."""
    kind, sd_v = chemistry("nmc").ocv, 0.004
    own = OwnCurve(
        curve=replace(kind, volt=tuple(v + 0.06 for v in kind.volt)), sd_v=sd_v, gap_v=0.0, low=0.1, measured=True
    )
    unit = Unit(id="U", chemistry="nmc", cells=4, rated_ah=50, rated_hours=5, rest_v=4 * 3.82)
    found = state_of(unit, study=Study(unit=unit, estimates=(), told={}, remarks=(), curve=own))
    assert found.ocv_curve is own.curve
    assert (found.ocv_sd_at(0.5), found.ocv_sd_at(0.02)) == (sd_v, chemistry("nmc").num("ocv_curve_sd"))
    assert found.soc_frac is not None
    assert found.soc_frac.value == pytest.approx(kind.soc_at(3.76))
    by_kind = state_of(unit)
    assert by_kind.ocv_curve is kind
    assert by_kind.soc_frac is not None
    assert found.soc_frac.sd < by_kind.soc_frac.sd
    stated = replace(unit, rest_v=None, soc_frac=0.5)
    volts = state_of(stated, study=Study(unit=stated, estimates=(), told={}, remarks=(), curve=own))
    assert volts.ocv_v is not None
    assert volts.ocv_v.value == pytest.approx(4 * (kind.volts(0.5) + 0.06))
    assert volts.curve_doubt_v == pytest.approx(4 * sd_v)


def test_a_refused_curve_is_not_the_unit_s_own() -> None:
    """A curve that holds the chemistry's because its run was refused counts as the chemistry's."""
    refused = OwnCurve(curve=chemistry("lfp").ocv, sd_v=0.001, gap_v=0.0)
    unit = Unit(id="U", chemistry="lfp", cells=4, rated_ah=50, rated_hours=5)
    found = state_of(unit, study=Study(unit=unit, estimates=(), told={}, remarks=(), curve=refused))
    assert found.ocv_curve is unit.chem.ocv
    assert found.ocv_sd_at(0.5) == unit.chem.num("ocv_curve_sd")


def test_where_nothing_was_read_the_charge_may_be_anything() -> None:
    """Without voltage or charge the doubt is the whole of it."""
    assert state().soc_doubt_frac == 1.0

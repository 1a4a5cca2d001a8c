"""
How sure a trial is, held against closed forms and scipy.

Outside: a unit with a straight curve under constant current lasts Q (U0 - U_low - I R) / (I (U0 - U1)) hours, two in
parallel share a current by their conductances at the first moment (Ohm), a string empties its smallest first; the
chances of these are those of normal distributions (scipy.stats). Wilson's interval, rank correlation and percentiles
are scipy's and NumPy's; how far a percentile of n draws may lie off follows from the binomial distribution.
"""

from __future__ import annotations

import pickle
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy import stats

from hotchpot.bank.bank import Bank
from hotchpot.bank.notation import parse
from hotchpot.bank.plan import Plan
from hotchpot.bench.state import State, state_of
from hotchpot.circuit.drive import Stop, Stretch, drive_of
from hotchpot.circuit.model import UnitModel, own_curve
from hotchpot.circuit.run import Circuit
from hotchpot.errors import InputError
from hotchpot.measure import Measure
from hotchpot.pile.unit import Unit
from hotchpot.trial.chance import Chance
from hotchpot.trial.doubt import Limits, summary
from hotchpot.trial.samples import Sample, Study, drawn_bank, kept, sample
from hotchpot.trial.scenario import Scenario

FULL_V, EMPTY_V, LOW_V, AMPS = 4.2, 3.0, 3.3, 20.0
STRAIGHT = own_curve([0, 1], [EMPTY_V, FULL_V])
SURELY = 1e-3  # how seldom a right program would fail these tests of drawn numbers, were they drawn anew


def state(name: str, *, ah: float = 100.0, ah_sd: float = 0.0, mohm: float = 3.0, mohm_sd: float = 0.0) -> State:
    """Return a full invented cell whose capacity and resistance are as well known as is said."""
    unit = Unit(
        id=name, chemistry="lfp", cells=1, rated_ah=100.0, rated_hours=5.0, capacity_ah=ah, resistance_mohm=mohm,
        rest_v=3.35, rest_hours=48.0, soc_frac=1.0, temperature_c=25.0, self_discharge_frac_month=0.0,
    )  # fmt: skip
    return replace(
        state_of(unit), capacity_ah=Measure(ah, ah_sd), resistance_mohm=Measure(mohm, mohm_sd),
        self_discharge_frac_month=Measure(0.0),
    )  # fmt: skip


def bank(text: str, *states: State) -> Bank:
    """Return a bank without links."""
    return Bank(parse(text, known=[one.unit.id for one in states]), {one.unit.id: one for one in states}, 0.0)


def straight(
    whole: Bank, *, seed: int = 1, amps: float = AMPS, seconds: float = 1e6, **stop: Any
) -> Callable[[int], Sample]:
    """Return what runs one draw of a bank whose units have nothing but a straight curve and their resistance."""

    def run(index: int) -> Sample:
        drawn = drawn_bank(whole, seed=seed, index=index)
        models = [
            UnitModel(
                id=one.unit.id, capacity_ah=one.capacity_ah.value, curve=STRAIGHT, ohm=one.resistance_mohm.value * 1e-3
            )
            for one in drawn.units
        ]
        record = Circuit(drawn.arrangement, models).run(
            drive_of([Stretch(seconds=seconds, load_a=amps)]), stop=Stop(**stop), step_s=30.0
        )
        return kept(record, list(drawn.units), index=index)

    return run


def off_by_chance(values: Any, percent: float, exact: Callable[[float], float]) -> bool:
    """Tell whether a percentile of n draws is further off than chance brings once in a thousand."""
    n, p = len(values), percent / 100
    low, high = stats.binom.ppf([SURELY / 2, 1 - SURELY / 2], n, p) / n
    return not exact(max(low - 1 / n, 1e-9)) <= np.percentile(values, percent) <= exact(min(high + 1 / n, 1 - 1e-9))


# --- draws -----------------------------------------------------------------------------------------------------------


def test_a_draw_depends_on_seed_index_and_unit_alone() -> None:
    """The same seed and index give the same unit, whatever stands beside it; another index another."""
    a, b = state("A", ah_sd=5.0, mohm_sd=0.3), state("B", ah_sd=5.0)
    both, alone = bank("A // B", a, b), bank("A", a)
    one, again = drawn_bank(both, seed=3, index=7), drawn_bank(alone, seed=3, index=7)
    assert one.states["A"] == again.states["A"]
    assert one.states["A"].capacity_ah.value != one.states["B"].capacity_ah.value
    others = {drawn_bank(both, seed=s, index=i).states["A"].capacity_ah for s, i in ((3, 7), (3, 8), (4, 7))}
    assert len(others) == 3


def test_draws_follow_the_states_distribution() -> None:
    """Drawn capacities and resistances are normal as the state says (Kolmogorov-Smirnov), and independent."""
    whole = bank("A", state("A", ah=90.0, ah_sd=6.0, mohm=3.0, mohm_sd=0.3))
    drawn = [drawn_bank(whole, seed=1, index=i).units[0] for i in range(400)]
    ah, mohm = (np.array([getattr(one, name).value for one in drawn]) for name in ("capacity_ah", "resistance_mohm"))
    assert stats.kstest(ah, stats.norm(90.0, 6.0).cdf).pvalue > SURELY
    assert stats.kstest(mohm, stats.norm(3.0, 0.3).cdf).pvalue > SURELY
    assert stats.spearmanr(ah, mohm).pvalue > SURELY


def test_a_drawn_unit_rests_at_its_drawn_voltage() -> None:
    """The curve of each draw passes through its charge and voltage, beside the state's own by what was drawn."""
    unit = Unit(id="A", chemistry="lead_agm", cells=6, rated_ah=100.0, rated_hours=20.0, rest_v=12.4, rest_hours=48.0)
    known = state_of(unit)
    draws = [drawn_bank(bank("A", known), seed=1, index=i).units[0] for i in range(40)]
    for drawn in draws:
        assert drawn.soc_frac is not None
        assert drawn.ocv_v is not None
        rests_v = 6 * drawn.ocv_curve.volts(drawn.soc_frac.value)
        assert rests_v == pytest.approx(drawn.ocv_v.value, abs=6 * 1e-4)
    spread = np.std([drawn.ocv_curve.volt[0] for drawn in draws])
    assert spread == pytest.approx(known.chem.num("ocv_curve_sd"), rel=0.5)


def test_a_draw_of_nothing_known_is_refused() -> None:
    """A seed or index below nought is no draw."""
    whole = bank("A", state("A"))
    with pytest.raises(InputError, match="seed"):
        drawn_bank(whole, seed=-1, index=0)
    with pytest.raises(InputError, match="index"):
        drawn_bank(whole, seed=0, index=-1)


# --- bands -----------------------------------------------------------------------------------------------------------


def test_hours_of_a_straight_curve_have_the_band_of_the_capacity() -> None:
    """To a cut-off at constant current each draw lasts as the closed form says, and the band is the capacity's."""
    known = state("A", ah_sd=8.0)
    samples = [straight(bank("A", known), low_v=LOW_V)(i) for i in range(300)]
    part = (FULL_V - LOW_V - AMPS * 3.0e-3) / (FULL_V - EMPTY_V)
    for one in samples:
        assert one.ended == "cut-off"
        assert one.hours == pytest.approx(one.drawn["capacity_ah"][0] * part / AMPS, rel=1e-6)
        assert one.given_ah == pytest.approx(one.hours * AMPS, rel=1e-9)
        assert max(one.charge_error_frac, one.energy_error_frac) < 1e-3
    band = summary(samples).bands["hours"]
    hours = [one.hours for one in samples]
    assert (band.p05, band.p50, band.p95) == pytest.approx(np.percentile(hours, [5, 50, 95]), rel=1e-12)
    exact = stats.norm(100.0 * part / AMPS, 8.0 * part / AMPS)
    assert not any(off_by_chance(hours, percent, exact.ppf) for percent in (5, 25, 50, 75, 95))


def test_the_chance_to_end_early_is_that_of_the_normal_distribution() -> None:
    """The chance of a cut-off before the wanted hours holds scipy's in its interval; so for its standard error."""
    part = (FULL_V - LOW_V - AMPS * 3.0e-3) / (FULL_V - EMPTY_V)
    samples = [straight(bank("A", state("A", ah_sd=8.0)), seed=2, low_v=LOW_V)(i) for i in range(300)]
    wanted_h = 96.0 * part / AMPS
    chance = summary(samples, Limits(wanted_h=wanted_h)).chance("ended-early")
    exact = stats.norm(100.0, 8.0).cdf(96.0)
    low, high = chance.interval(1 - SURELY)
    assert low < exact < high
    assert chance.sd == pytest.approx(np.sqrt(exact * (1 - exact) / 300), rel=0.1)


def test_the_voltage_over_time_has_the_band_of_its_closed_form() -> None:
    """At each moment the band is that of U0 - I R - (U0 - U1) I t / Q over the draws that still run; then they end."""
    samples = [straight(bank("A", state("A", ah_sd=8.0)), low_v=LOW_V)(i) for i in range(80)]
    band = summary(samples).volts
    ah = np.array([one.drawn["capacity_ah"][0] for one in samples])
    last_h = min(one.hours for one in samples)
    for j in np.flatnonzero(band.time_h < last_h)[::20]:
        volts = FULL_V - AMPS * 3e-3 - (FULL_V - EMPTY_V) * AMPS * band.time_h[j] / ah
        assert band.volts[:, j] == pytest.approx(np.percentile(volts, [5, 25, 50, 75, 95]), abs=2e-5)
        assert band.running_frac[j] == 1.0
    assert (np.diff(band.running_frac) <= 0.0).all()
    assert band.running_frac[-1] == pytest.approx(1 / 80)


def test_a_whole_trial_lasts_as_long_as_the_drawn_capacity() -> None:
    """Wired as the plan says, a unit is empty after its capacity over the current; its own warmth gives 2 % at most."""
    known = bank("A", state("A", ah_sd=8.0))
    scenario = Scenario(
        name="run", says="Until empty.", drive=drive_of([Stretch(seconds=40 * 3600, load_a=AMPS)]),
        stop=Stop(first_empty=True), step_s=30.0,
    )  # fmt: skip
    study = Study(known, Plan(), scenario, seed=1)
    samples = [study(i) for i in range(12)]
    assert samples[3] == sample(known, Plan(), scenario, seed=1, index=3)
    for one in samples:
        assert (one.ended, one.first_empty) == ("empty", "A")
        plain_h = one.drawn["soc_frac"][0] * one.drawn["capacity_ah"][0] / AMPS
        assert plain_h < one.hours < 1.02 * plain_h  # capacity_t_slow of the chemistry data: 1.02 at 40 °C
    assert pickle.loads(pickle.dumps((study(0), study)))[0] == samples[0]


# --- chances ---------------------------------------------------------------------------------------------------------


def test_the_chance_of_too_much_current_is_that_of_ohms_law() -> None:
    """Of two in parallel one carries I R2/(R1 + R2) at first: above its limit as often as a normal difference is."""
    units = (state("A", mohm_sd=0.6), state("B", mohm_sd=0.6))
    limit_a = units[0].peak_limit_a()
    amps = limit_a / 0.56
    samples = [straight(bank("A // B", *units), amps=amps, seconds=10.0)(i) for i in range(300)]
    chance = summary(samples).chance("peak-amps", "A")
    # I R2 / (R1 + R2) > L  where  (1 - a) R2 - a R1 > 0, a = L/I
    exact = stats.norm(0.44 * 3.0 - 0.56 * 3.0, 0.6 * np.hypot(0.44, 0.56)).sf(0.0)
    low, high = chance.interval(1 - SURELY)
    assert low < exact < high
    for one in samples:
        r1, r2 = one.drawn["resistance_mohm"]
        assert one.most_a[0] == pytest.approx(amps * r2 / (r1 + r2), rel=0.03)


def test_the_smallest_of_a_string_is_empty_first_and_reversed() -> None:
    """Of two in series the smaller is empty first; driven on, that one is reversed and no other before."""
    units = (state("A", ah=100.0, ah_sd=5.0), state("B", ah=104.0, ah_sd=5.0))
    samples = [straight(bank("A + B", *units), first_reversed=True)(i) for i in range(200)]
    for one in samples:
        a, b = one.drawn["capacity_ah"]
        assert one.first_empty == ("A" if a < b else "B")
        assert one.ended == "reversed"
    doubt = summary(samples)
    low, high = doubt.chance("empty-first", "A").interval(1 - SURELY)
    assert low < stats.norm(-4.0, np.hypot(5.0, 5.0)).cdf(0.0) < high
    assert doubt.chance("reversed").frac == doubt.chance("ended-reversed").frac == 1.0
    assert doubt.chance("reversed", "A").happened == doubt.chance("empty-first", "A").happened
    assert doubt.chance("fuse").frac == 0.0


def test_a_lasting_current_is_a_mean_over_half_a_minute() -> None:
    """10 s of 100 A within a run at 10 A is 100 A at most and 40 A lasting; a shorter run counts with its own mean."""
    one = state("A")
    circuit = Circuit(parse("A", known=["A"]), [UnitModel(id="A", capacity_ah=100, curve=STRAIGHT, ohm=1e-3)])
    pulse = [Stretch(seconds=100, load_a=10), Stretch(seconds=10, load_a=100), Stretch(seconds=100, load_a=10)]
    found = kept(circuit.run(drive_of(pulse), step_s=0.5, record_s=0.5), [one], index=0)
    assert found.most_a[0] == pytest.approx(100.0)
    assert found.of_peak[0] == pytest.approx(100.0 / one.peak_limit_a())
    assert found.of_lasting[0] == pytest.approx(40.0 / one.discharge_limit_a(), rel=0.03)
    short = kept(circuit.run(drive_of([Stretch(seconds=5, load_a=50)]), step_s=0.5), [one], index=0)
    assert short.of_lasting[0] == pytest.approx(50.0 / one.discharge_limit_a())
    assert (short.most_share, short.of_charge) == ((pytest.approx(1.0),), (0.0,))


def test_a_warm_unit_is_held_to_its_chemistry() -> None:
    """A unit beyond its chemistry's window counts as hot: LFP above 60 °C giving, above 55 °C taking."""
    one = state("A")
    circuit = Circuit(parse("A", known=["A"]), [UnitModel(id="A", capacity_ah=100, curve=STRAIGHT, ohm=1e-3)])
    record = circuit.run(drive_of([Stretch(seconds=60, load_a=20)]), step_s=30.0)

    def hot(warmth_c: float, sign: float) -> int:
        warm, amps = np.full_like(record.temperature_c, warmth_c), sign * np.abs(record.unit_amps)
        peaks = replace(record.peaks, hot_c=np.array([warmth_c]))
        run = replace(record, temperature_c=warm, unit_amps=amps, peaks=peaks)
        return summary([kept(run, [one], index=0)]).chance("hot").happened

    assert [hot(59, 1), hot(61, 1), hot(54, -1), hot(56, -1)] == [0, 1, 0, 1]


@pytest.mark.parametrize(("happened", "draws"), [(0, 100), (3, 100), (50, 100), (1, 7), (400, 400), (399, 400)])
def test_the_interval_of_a_chance_is_wilsons(happened: int, draws: int) -> None:
    """Interval as scipy's, at two confidences."""
    chance = Chance("fuse", "", happened, draws)
    for sure in (0.95, 0.99):
        exact = stats.binomtest(happened, draws).proportion_ci(sure, method="wilson")
        assert chance.interval(sure) == pytest.approx((exact.low, exact.high), abs=1e-12)


@pytest.mark.parametrize("frac", [0.0, 0.01, 0.1, 0.5, 0.95])
@pytest.mark.parametrize("within", [0.01, 0.05, 0.1])
def test_the_draws_needed_bring_the_interval_there(frac: float, within: float) -> None:
    """With the draws asked for the interval is as narrow as was wanted, with one part in twenty fewer not."""

    def half(n: float) -> float:
        z = stats.norm.ppf(0.975)
        return float(z * np.sqrt(frac * (1 - frac) / n + z * z / (4 * n * n)) / (1 + z * z / n))

    needed = Chance("fuse", "", round(100 * frac), 100).draws_needed(within)
    exact = stats.binomtest(round(1e6 * frac), 10**6).proportion_ci(method="wilson")
    assert half(1e6) == pytest.approx((exact.high - exact.low) / 2, rel=1e-6)
    assert half(needed) <= within < half(0.95 * needed - 1)


def test_no_interval_is_asked_that_says_nothing() -> None:
    """A half-width of nought or of everything is refused."""
    with pytest.raises(InputError, match="within"):
        Chance("fuse", "", 1, 2).draws_needed(0.0)


# --- drivers ---------------------------------------------------------------------------------------------------------


def test_the_driver_of_the_hours_is_the_unit_that_decides_them() -> None:
    """In a string the small unit's capacity moves the hours, by scipy's rank correlation; no other stands out."""
    units = (state("A", ah=80.0, ah_sd=5.0, mohm_sd=0.3), state("B", ah=120.0, ah_sd=5.0))
    samples = [straight(bank("A + B", *units), first_empty=True)(i) for i in range(100)]
    drivers = [one for one in summary(samples).drivers if one.outcome == "hours"]
    first = drivers[0]
    assert (first.unit, first.quantity, first.told) == ("A", "capacity_ah", True)
    exact = stats.spearmanr([one.drawn["capacity_ah"][0] for one in samples], [one.hours for one in samples])
    assert first.rank_correlation == pytest.approx(exact.statistic, abs=1e-12)
    assert not any(one.told for one in drivers[1:])


# --- the whole -------------------------------------------------------------------------------------------------------


def test_the_order_of_samples_changes_nothing() -> None:
    """A study says the same of its samples in any order; and as many are needed as its widest chance needs."""
    samples = [straight(bank("A", state("A", ah_sd=8.0)), low_v=LOW_V)(i) for i in range(20)]
    one, other = summary(samples), summary(samples[::-1])
    assert (one.bands, one.unit_bands, one.chances, one.drivers) == (
        other.bands, other.unit_bands, other.chances, other.drivers
    )  # fmt: skip
    assert np.array_equal(one.volts.volts, other.volts.volts)
    assert one.draws_needed == 59
    assert not one.enough
    halved = [replace(s, ended="open" if s.index % 2 else s.ended) for s in samples]
    assert summary(halved).draws_needed == 381


def test_samples_that_do_not_belong_together_are_refused() -> None:
    """No samples, or samples of unlike banks, are no study."""
    with pytest.raises(InputError, match="there are none"):
        summary([])
    a, b = (straight(bank(name, state(name)), seconds=60.0)(0) for name in ("A", "B"))
    with pytest.raises(InputError, match="same units"):
        summary([a, b])

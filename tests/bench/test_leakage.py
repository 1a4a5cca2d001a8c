"""Self-discharge: by voltage and by charge, worked by hand, normalised, refused where nothing can be read off."""

from __future__ import annotations

import math

import numpy as np
import pytest

from hotchpot.bench.estimate import Shape
from hotchpot.bench.meter import Accuracy, Meter, meter
from hotchpot.bench.standing.leakage import REPEAT_SD_FRAC, SLOPE_SD_FRAC, leakage_of_ah, leakage_of_volts
from hotchpot.errors import InputError
from hotchpot.pile.unit import Unit

AGM = Unit(id="A1", chemistry="lead_agm", cells=6, rated_ah=100, rated_hours=20)
MV = meter("millivolt")


def unit(key: str, cells: int = 4) -> Unit:
    """Return a unit of 100 Ah."""
    return Unit(id="U1", chemistry=key, cells=cells, rated_ah=100, rated_hours=20)


def test_two_rest_voltages_by_hand() -> None:
    """AGM falls by 16 mV a cell from 100 to 90 %: 48 mV on six cells in 30 days at 25 °C are 5 % a month."""
    found = leakage_of_volts([0, 30], [12.80, 12.752], unit=AGM, meter=MV, temperature_c=25)
    assert found.value == pytest.approx(0.05)
    assert found.facts["days"] == 30
    assert found.facts["drift_mv_day"] == pytest.approx(48 / 6 / 30)


@pytest.mark.parametrize(("celsius", "factor"), [(15, 2.0), (25, 1.0), (35, 0.5), (5, 4.0)])
def test_it_is_brought_to_25_degrees(celsius: float, factor: float) -> None:
    """Common rule (a handbook's table: halves at 10 K less): what 15 °C loses, 25 °C loses twice."""
    here = leakage_of_volts([0, 30], [12.80, 12.752], unit=AGM, meter=MV, temperature_c=celsius)
    assert here.value == pytest.approx(0.05 * factor)


def test_the_meter_s_gain_and_the_curve_s_level_cancel() -> None:
    """One meter reads both: 1 % high, or a unit 0.2 V above its chemistry, changes the loss by no more than 1 %."""
    plain = leakage_of_volts([0, 30], [12.80, 12.752], unit=AGM, meter=MV, temperature_c=25)
    high = leakage_of_volts([0, 30], [12.928, 12.87952], unit=AGM, meter=MV, temperature_c=25)
    assert high.value == pytest.approx(plain.value, rel=0.011)
    assert not any("gain" in line.cause for line in plain.budget)


def test_the_budget_by_hand() -> None:
    """Two counts of 1 mV on six cells and 0.16 V for all of the charge: each reading ± 0.21 %, rectangular."""
    found = leakage_of_volts([0, 30], [12.80, 12.752], unit=AGM, meter=MV, temperature_c=25)
    by = {line.cause: line for line in found.budget}
    assert by["counts of reading 2"].sd == pytest.approx(0.002 / 6 / 0.16 / math.sqrt(3), rel=0.06)
    assert by["counts of reading 2"].shape is Shape.RECTANGULAR
    assert by["slope of the curve"].sd == pytest.approx(0.05 * SLOPE_SD_FRAC)
    assert by["temperature while standing"].sd == pytest.approx(0.05 * math.log(2) / 10 * 3 / math.sqrt(3))


def test_readings_between_help() -> None:
    """A third reading half-way on the line changes nothing; two at each end bring the doubt of counts down by 1/√2."""
    coarse = Meter("c", "coarse", Accuracy(0.0, 2, 0.01), Accuracy(0.0, 1, 0.01), "made up")
    two = leakage_of_volts([0, 30], [12.80, 12.752], unit=AGM, meter=coarse, temperature_c=25)
    three = leakage_of_volts([0, 15, 30], [12.80, 12.776, 12.752], unit=AGM, meter=coarse, temperature_c=25)
    many = leakage_of_volts([0, 1, 29, 30], [12.80, 12.7984, 12.7536, 12.752], unit=AGM, meter=coarse, temperature_c=25)
    assert three.value == pytest.approx(two.value, rel=0.01)
    assert many.sd < 0.8 * two.sd


@pytest.mark.parametrize(("days", "doubted"), [(13, True), (14, False), (28, False)])
def test_under_a_fortnight_is_doubtful(days: float, doubted: bool) -> None:
    """Common practice: two to four weeks; under fourteen days the figure is given and doubted."""
    found = leakage_of_volts([0, days], [12.80, 12.76], unit=AGM, meter=MV, temperature_c=25)
    assert ("too-few-days" in [remark.code for remark in found.remarks]) is doubted
    by_ah = leakage_of_ah([0, days], [90, 85], unit=AGM, meter=MV, temperature_c=25)
    assert ("too-few-days" in [remark.code for remark in by_ah.remarks]) is doubted


def test_no_temperature_is_a_doubt() -> None:
    """Where nobody noted the temperature a room's is taken, told, and the bounds reach further up than down."""
    found = leakage_of_volts([0, 30], [12.80, 12.70], unit=AGM, meter=meter("lab"))
    low, high = found.interval()
    assert "temperature-unread" in [remark.code for remark in found.remarks]
    assert found.value is not None
    assert high - found.value > 1.2 * (found.value - low)


def test_surface_charge_at_the_start_is_a_doubt() -> None:
    """13.3 V is above any full rested AGM unit: what falls off then is not all leakage."""
    found = leakage_of_volts([0, 30], [13.3, 12.9], unit=AGM, meter=MV, temperature_c=25)
    assert "surface-charge" in [remark.code for remark in found.remarks]


def test_a_voltage_that_rose_is_refused() -> None:
    """Standing does not charge: 50 mV more is refused; 1 mV more is within the counts, so the loss is about zero."""
    rose = leakage_of_volts([0, 30], [12.80, 12.85], unit=AGM, meter=MV, temperature_c=25)
    assert rose.refused
    assert rose.remarks[0].code == "voltage-rose"
    still = leakage_of_volts([0, 30], [12.800, 12.801], unit=AGM, meter=MV, temperature_c=25)
    assert still.value == 0.0
    assert still.interval()[0] == 0.0
    assert still.interval()[1] > 0.0


def test_lithium_iron_is_refused_by_voltage() -> None:
    """On a flat curve a fall of voltage is no figure of charge; the drift is told as a fact."""
    found = leakage_of_volts([7, 35], [13.40, 13.38], unit=unit("lfp"), meter=MV, temperature_c=25)
    assert found.refused
    assert [remark.code for remark in found.remarks] == ["voltage-plateau"]
    assert found.facts["drift_mv_day"] == pytest.approx(20 / 4 / 28)


@pytest.mark.parametrize(
    ("days", "volts", "words"),
    [
        ([0, 7, 21], [13.60, 13.40, 13.32], "Reject it."),  # 80 mV in 14 days of four cells: 1.4 mV a day each
        ([0, 20], [13.60, 13.40], "Read it twice more"),  # fast, but mostly settling of the first week
        ([0, 7, 35], [13.60, 13.40, 13.32], None),  # 0.7 mV a day
    ],
)
def test_drift_beyond_the_first_week_rejects(days: list[float], volts: list[float], words: str | None) -> None:
    """Engineering guess: more than 1 mV a day and lithium cell beyond day 7 rejects; the first week settles."""
    found = leakage_of_volts(days, volts, unit=unit("lfp"), meter=MV, temperature_c=25)
    drifts = [remark for remark in found.remarks if remark.code == "drift"]
    assert [remark.do.startswith(words) for remark in drifts if words] == [True] * len(drifts)
    assert bool(drifts) is (words is not None)


def test_sloped_lithium_gives_a_number_and_is_watched_for_drift() -> None:
    """NMC near full rises by 1.07 V for all of the charge: 3 mV a cell in 30 days are 0.3 %; 60 mV also drift."""
    small = leakage_of_volts([8, 38], [4.150, 4.147], unit=unit("nmc", 1), meter=meter("lab"), temperature_c=25)
    assert small.value == pytest.approx(0.003 / 1.075, rel=0.05)
    assert not small.remarks
    fast = leakage_of_volts([8, 38], [4.150, 4.090], unit=unit("nmc", 1), meter=meter("lab"), temperature_c=25)
    assert [remark.code for remark in fast.remarks] == ["drift"]


@pytest.mark.parametrize("key", ["nicd", "nimh", "nife"])
def test_nickel_by_voltage_is_refused(key: str) -> None:
    """The rest voltage of nickel cells tells nothing; drawing what is left does."""
    found = leakage_of_volts([0, 28], [13.2, 12.9], unit=unit(key, 10), meter=MV)
    assert found.refused
    assert found.remarks[0].code == "nickel-voltage"
    assert not leakage_of_ah([0, 28], [100, 80], unit=unit(key, 10), meter=MV, temperature_c=25).refused


def test_by_charge_by_hand() -> None:
    """88 Ah full and 83.6 Ah after 30 days: 5 % a month; the ammeter's gain cancels, its zero of 0.1 A does not."""
    found = leakage_of_ah([0, 30], [88.0, 83.6], unit=AGM, meter=meter("hand"), temperature_c=25)
    assert found.value == pytest.approx(0.05)
    by = {line.cause: line for line in found.budget}
    assert by["repeating the full run"].sd == pytest.approx(0.95 * REPEAT_SD_FRAC)
    assert by["zero of the ammeter, full run"].sd == pytest.approx(0.95 * 0.1 / 5 / math.sqrt(3))
    assert not any("gain" in cause for cause in by)


def test_more_left_than_was_there_is_refused() -> None:
    """100 Ah after standing where 88 Ah were full is no leakage but two unlike runs; 1 Ah more is within doubt."""
    assert leakage_of_ah([0, 30], [88, 100], unit=AGM, meter=MV, temperature_c=25).remarks[0].code == "capacity-rose"
    assert leakage_of_ah([0, 30], [88, 89], unit=AGM, meter=MV, temperature_c=25).value == 0.0


@pytest.mark.parametrize(
    ("days", "values"),
    [([0], [12.8]), ([0, 28], [12.8]), ([28, 0], [12.8, 12.7]), ([0, 28], [12.8, math.nan]), ([], [])],
)
def test_malformed_lists_are_bad_input(days: list[float], values: list[float]) -> None:
    """Too few, unlike, falling or missing numbers are faults of the input."""
    with pytest.raises(InputError, match="leak"):
        leakage_of_volts(days, values, unit=AGM, meter=MV)
    with pytest.raises(InputError, match="leak"):
        leakage_of_ah(days, values, unit=AGM, meter=MV)


def test_three_capacities_are_bad_input() -> None:
    """By charge it takes two runs, both above zero."""
    with pytest.raises(InputError, match="two capacities"):
        leakage_of_ah([0, 14, 28], [90, 88, 86], unit=AGM, meter=MV)
    with pytest.raises(InputError, match="two capacities"):
        leakage_of_ah([0, 28], [90, 0], unit=AGM, meter=MV)


@pytest.mark.parametrize("key", ["hand", "millivolt"])
def test_the_bounds_hold_the_true_leakage(key: str) -> None:
    """300 invented units, meter within its limits, temperature ± 3 K: the bounds hold the truth in 91 to 99 %."""
    rng, held, read_with = np.random.default_rng(11), 0, meter(key)
    for _ in range(300):
        true, celsius = rng.uniform(0.01, 0.12), rng.uniform(10, 30)
        left = 1 - true * 2 ** ((celsius - 25) / 10) * 28 / 30
        steep, level = rng.normal(1, SLOPE_SD_FRAC), rng.normal(0, 0.01)
        gain, limit = 1 + rng.uniform(-1, 1) * read_with.volts.gain_frac, read_with.volts.own_limit()
        fall = AGM.chem.ocv.volts(1.0) - AGM.chem.ocv.volts(left)
        cells = (AGM.chem.ocv.volts(1.0) + level, AGM.chem.ocv.volts(1.0) + level - steep * fall)
        volts = [6 * cell * gain + rng.uniform(-limit, limit) for cell in cells]
        found = leakage_of_volts([0, 28], volts, unit=AGM, meter=read_with, temperature_c=celsius + rng.uniform(-3, 3))
        low, high = found.interval()
        held += low <= true <= high
    assert 0.91 <= held / 300 <= 0.99

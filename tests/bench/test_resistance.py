"""
Resistance from loads and from a logger's steps.

Outside numbers: two-load cases in the form of IEC 61960-3 and IEC 60896-21 (method second hand, numbers derived), one
maker's short-circuit rating, open data of retired cells (S. Tao et al., doi 10.1038/s41467-024-54454-0) and of a 33 Ah
cell (Wiggins, Allu, Wang, doi 10.5281/zenodo.2580327), numpy's line fit. Units are invented.
"""

from __future__ import annotations

import csv
import math
from collections import defaultdict
from dataclasses import replace
from pathlib import Path
from statistics import median

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotchpot.bench.estimate import Quantity, Shape
from hotchpot.bench.load.health_resistance import health_against_resistance
from hotchpot.bench.load.resistance import (
    REPEATABILITY_FRAC,
    capacity_from_resistance,
    resistance_at,
    resistance_of_loads,
    resistance_of_log,
    resistance_of_steps,
)
from hotchpot.bench.load.resistance_doubt import growth_frac, temperature_line, to_standard
from hotchpot.bench.meter import Meter, meter
from hotchpot.bench.remark import Weight
from hotchpot.bench.trace import Jump, Log, trace_of
from hotchpot.electrics.fault import string_fault_a
from hotchpot.errors import InputError
from hotchpot.measure import Measure
from hotchpot.pile.unit import Unit

DATA = Path(__file__).parents[2].parent / "shared" / "data"
RETIRED, STRING_CELL = DATA / "retired_pulse_population", DATA / "series_string_6s2p" / "cell_hppc_25C.csv"
HAND, MILLIVOLT, LOGGER = meter("hand"), meter("millivolt"), meter("logger")


def unit(chem: str = "lead_agm", cells: int = 6, ah: float = 100.0, **more: object) -> Unit:
    """Return an invented unit."""
    return Unit(id="U1", chemistry=chem, cells=cells, rated_ah=ah, rated_hours=20.0, **more)  # type: ignore[arg-type]


def lines(found: object) -> dict[str, float]:
    """Return the budget of an estimate as a fraction of its value."""
    return {line.cause: line.sd / found.value for line in found.budget}  # type: ignore[attr-defined]


def codes(found: object) -> list[str]:
    """Return the codes of an estimate's remarks."""
    return [remark.code for remark in found.remarks]  # type: ignore[attr-defined]


# --- two and more loads ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("volts", "amps", "mohm", "open_v", "short_a"),
    [
        pytest.param((3.950, 3.870), (0.5, 2.5), 40.0, 3.970, 99.25, id="R01, IEC 61960-3"),
        pytest.param((12.40, 11.80), (40.0, 200.0), 3.75, 12.55, 3346.67, id="R02, IEC 60896-21"),
        pytest.param((12.6, 12.1), (0.0, 50.0), 10.0, 12.6, 1260.0, id="R05, rest and one load"),
    ],
)
def test_two_loads(
    volts: tuple[float, ...], amps: tuple[float, ...], mohm: float, open_v: float, short_a: float
) -> None:
    """Two loads give (V1 - V2)/(I2 - I1), and their line meets no load and no voltage where the handbooks say."""
    found = resistance_of_loads(volts, amps, unit=unit(ah=2.5 if amps[1] < 5 else 100.0), meter=MILLIVOLT)
    assert found.quantity is Quantity.RESISTANCE
    assert found.value == pytest.approx(mohm)
    assert found.facts["intercept_v"] == pytest.approx(open_v)
    assert found.facts["intercept_v"] / found.value * 1000 == pytest.approx(short_a, rel=1e-4)


def test_short_circuit_rating() -> None:
    """R04: a 12 V block rated 3800 A into a short has 3.16 mΩ (its maker prints 3.3): a load line ends there too."""
    found = resistance_of_loads([12.0, 12.0 - 380.0 * 12 / 3800], [0.0, 380.0], unit=unit(), meter=MILLIVOLT)
    assert found.value == pytest.approx(3.15789, rel=1e-5)
    assert found.value == pytest.approx(3.3, rel=0.05)


def test_battery_of_cells_and_links() -> None:
    """R05b (as IEEE 946): 24 cells of 2.05 V and 0.30 mΩ with links of 0.02 mΩ give 6406 A; cells read by two loads."""
    cell = resistance_of_loads([2.05, 2.02], [0.0, 100.0], unit=unit("lead_flooded", 1, 200), meter=MILLIVOLT)
    assert cell.value is not None
    fault = string_fault_a(24, cell.facts["intercept_v"], cell.value / 1000, links_ohm=24 * 0.02e-3)
    assert fault == pytest.approx(6406.25, rel=1e-4)


@given(
    ohm=st.floats(0.002, 0.02),
    amps=st.lists(st.floats(5, 40), min_size=3, max_size=6, unique_by=lambda a: round(a / 3)),
    open_v=st.floats(12.0, 13.0),
)
def test_more_loads_lie_on_a_line(ohm: float, amps: list[float], open_v: float) -> None:
    """Readings on one line give its slope and intercept, as numpy's line fit has them."""
    volts = [open_v - ohm * a for a in amps]
    found = resistance_of_loads(volts, amps, unit=unit(), meter=meter("lab"))
    slope, intercept = np.polyfit(amps, volts, 1)
    assert found.value == pytest.approx(-1000 * slope, rel=1e-6)
    assert found.facts["intercept_v"] == pytest.approx(intercept)
    assert "off-the-line" not in codes(found)


def test_a_reading_off_the_line_is_doubted() -> None:
    """Three loads of which one is 0.15 V off: a number with the scatter in its budget, and a remark."""
    found = resistance_of_loads([12.50, 12.25, 12.30], [10, 20, 30], unit=unit(), meter=HAND)
    straight = resistance_of_loads([12.50, 12.40, 12.30], [10, 20, 30], unit=unit(), meter=HAND)
    assert found.value == pytest.approx(straight.value)
    assert "off-the-line" in codes(found)
    assert found.sd > 2 * straight.sd


# --- the budget ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("key", "counts", "with_clamp"), [("hand", 0.327, 0.33), ("millivolt", 0.0327, 0.038)])
def test_published_doubts(key: str, counts: float, with_clamp: float) -> None:
    """10 A, 5 mΩ: sqrt2 (2 counts/sqrt3)/(dI R) is 33 % with 0.01 V counts; 4 % with 0.001 V and the clamp's share."""
    budget = lines(resistance_of_loads([12.60, 12.55], [10, 20], unit=unit(), meter=meter(key)))
    own = math.hypot(*(sd for cause, sd in budget.items() if cause.startswith("counts of the voltmeter")))
    assert own == pytest.approx(counts, abs=0.001)
    assert round(100 * own) == (33 if key == "hand" else 3)
    # the published 4 % takes the clamp's 2 % as a standard deviation; as the limit it is, it is 1.2 %
    assert math.hypot(own, 0.02) == pytest.approx(with_clamp, abs=0.005)
    assert budget["gain of the ammeter"] == pytest.approx(0.02 / math.sqrt(3))


def test_every_cause_has_its_line() -> None:
    """Counts are each reading's own, gains common; contact and timing are normal; the clamp's zero cancels."""
    found = resistance_of_loads([12.6, 12.4], [10, 40], unit=unit(), meter=HAND, temperature_c=20)
    by_cause = {line.cause: line for line in found.budget}
    assert set(by_cause) == {
        *(f"counts of the {name}, reading {k}" for name in ("voltmeter", "ammeter") for k in (1, 2)),
        "contact and timing",
        "gain of the voltmeter",
        "gain of the ammeter",
        "temperature",
    }
    assert {cause for cause, line in by_cause.items() if line.common} == {
        "gain of the voltmeter",
        "gain of the ammeter",
    }
    assert {cause for cause, line in by_cause.items() if line.shape is Shape.NORMAL} == {"contact and timing"}
    assert by_cause["contact and timing"].sd == pytest.approx(REPEATABILITY_FRAC * 1000 * 0.2 / 30)


def test_zero_of_the_clamp_counts_against_no_load() -> None:
    """A current of exactly 0 was not read: the clamp's 0.1 A then shifts the other, 1 % of 10 A as a limit."""
    budget = lines(resistance_of_loads([12.6, 12.4], [0, 10], unit=unit(), meter=HAND))
    assert budget["zero of the ammeter"] == pytest.approx(0.01 / math.sqrt(3))
    assert "counts of the ammeter, reading 1" not in budget


def test_shown_digit_beats_the_meters() -> None:
    """A voltage written with three decimals by a meter whose usual digit is 0.01 V has the doubt of three."""
    coarse = resistance_of_loads([12.60, 12.50], [10, 20], unit=unit(), meter=HAND)
    fine = resistance_of_loads([12.600, 12.500], [10, 20], unit=unit(), meter=HAND, count_v=0.001)
    name = "counts of the voltmeter, reading 1"
    assert lines(fine)[name] == pytest.approx(lines(coarse)[name] / 10)


def test_temperature_is_a_doubt_not_a_correction() -> None:
    """The value is as read; ±3 K moves lithium by 9 % at 15 °C, by its chemistry's table; not noted it adds no line."""
    cold = resistance_of_loads([3.30, 3.20], [10, 60], unit=unit("lfp", 1), meter=HAND, temperature_c=15)
    bare = resistance_of_loads([3.30, 3.20], [10, 60], unit=unit("lfp", 1), meter=HAND)
    assert cold.value == bare.value == pytest.approx(2.0)
    assert cold.facts["temperature_c"] == 15
    assert "temperature_c" not in bare.facts
    assert lines(cold)["temperature"] == pytest.approx(3 * (1.6 - 1.0) / 15 / 1.4 / math.sqrt(3))
    assert codes(bare) == ["temperature-unread"]
    assert codes(cold) == []


def test_temperature_doubt_at_the_bend() -> None:
    """Where the table bends, the doubt is the root mean square over a temperature anywhere within ±3 K."""
    lithium = unit("nmc", 1)
    drawn = [lithium.chem.at_temperature("r_temp_mult", t) - 1 for t in np.linspace(22, 28, 6001)]
    assert temperature_line(1.0, unit=lithium, temperature_c=25).sd == pytest.approx(
        np.sqrt(np.mean(np.square(drawn))), rel=1e-3
    )


def test_two_equal_rectangles_make_a_triangle() -> None:
    """Two readings' counts alone: 95 % of a triangle of half-width 2a lies within 2a(1 - sqrt 0.05)."""
    exact = Meter(
        "x", "x", replace(HAND.volts, gain_frac=0), replace(HAND.amps, gain_frac=0, counts=0, offset=0), "test"
    )
    found = resistance_of_loads([12.6, 12.4], [10, 30], unit=unit(), meter=exact)
    counts = replace(found, budget=tuple(line for line in found.budget if "counts of the volt" in line.cause))
    low, high = counts.interval()
    assert (high - low) / 2 == pytest.approx(1000 * 0.04 / 20 * (1 - math.sqrt(0.05)), rel=0.01)


# --- refusals and doubts ---------------------------------------------------------------------------------------------


def test_a_step_the_meter_cannot_see() -> None:
    """0.02 V of step with ±0.016 V of counts: refused, saying what amps or which meter would do."""
    found = resistance_of_loads([12.60, 12.58], [5, 14], unit=unit(), meter=HAND, when="2026-01-02")
    assert found.refused
    assert codes(found) == ["step-too-small"]
    remark = found.remarks[0]
    assert remark.weight is Weight.REFUSED
    assert (remark.value, remark.limit) == pytest.approx((0.02, 2.5 * math.sqrt(2) * 0.02 / math.sqrt(3)))
    assert "0.001 V" in remark.do
    assert "A" in remark.do
    assert found.when == "2026-01-02"
    fine = resistance_of_loads([12.600, 12.580], [5, 14], unit=unit(), meter=MILLIVOLT)
    assert fine.value == pytest.approx(20 / 9)


@pytest.mark.parametrize(("limit_a", "may"), [(60.0, True), (15.0, False)])
def test_advice_stays_under_what_the_unit_may_give(limit_a: float, may: bool) -> None:
    """A step that a label does not allow is not advised: then only a finer meter is."""
    do = resistance_of_loads([12.60, 12.58], [5, 9], unit=unit(max_discharge_a=limit_a), meter=HAND).remarks[0].do
    assert do.startswith("Use a step") is may
    assert ("more than the 15 A" in do) is not may


def test_what_is_advised_would_do() -> None:
    """With the step it advises, a good unit of that kind is no longer refused, and the counts are a tenth."""
    small = unit()
    typical = small.chem.typical_mohm(6, 100) / 1000
    do = resistance_of_loads([12.60, 12.59], [5, 7], unit=small, meter=HAND).remarks[0].do
    amps = float(do.split("step of ")[1].split(" A")[0])
    found = resistance_of_loads([12.60, 12.60 - typical * amps], [5, 5 + amps], unit=small, meter=HAND)
    assert math.hypot(*(sd for cause, sd in lines(found).items() if "voltmeter, r" in cause)) <= 0.101


def test_a_step_nobody_would_expect_needs_more() -> None:
    """Where a good unit would not show, a step of 3 doubts is likelier chance than a worn unit; one of 5 is not."""
    large = unit(ah=1000)  # typical 0.54 mΩ: 2.7 mV for 5 A
    doubt = math.sqrt(2) * 0.02 / math.sqrt(3)
    assert codes(resistance_of_loads([12.6, 12.6 - 3 * doubt], [60, 65], unit=large, meter=HAND)) == ["step-too-small"]
    assert not resistance_of_loads([12.6, 12.6 - 5 * doubt], [60, 65], unit=large, meter=HAND).refused


def test_voltage_that_rises_with_load() -> None:
    """12.4 V at 10 A and 12.6 V at 40 A were mixed up: refused; a rise within the counts is only too small."""
    assert codes(resistance_of_loads([12.4, 12.6], [10, 40], unit=unit(), meter=HAND)) == ["rises-with-load"]
    assert codes(resistance_of_loads([12.59, 12.60], [10, 40], unit=unit(), meter=HAND)) == ["step-too-small"]


def test_currents_that_are_one() -> None:
    """Two readings at one current, or within the clamp's counts, hold no step."""
    for amps in ((10.0, 10.0), (10.0, 10.01)):
        found = resistance_of_loads([12.6, 12.3], amps, unit=unit(), meter=HAND)
        assert codes(found) == ["step-too-small"]


@pytest.mark.parametrize(
    ("seconds", "code"),
    [(0.001, "read-too-early"), (0.9, "read-too-early"), (61.0, "read-too-late"), (600.0, "read-too-late")],
)
def test_too_early_and_too_late(seconds: float, code: str) -> None:
    """R07, in words: a 1 kHz or first-instant value is another quantity; after a minute charge has moved: refused."""
    found = resistance_of_loads([12.6, 12.3], [10, 40], unit=unit(), meter=HAND, seconds=seconds)
    assert codes(found) == [code]
    assert found.remarks[0].value == seconds


def test_off_the_usual_moment() -> None:
    """A reading at 1 to 5 s or 20 to 60 s is brought to 10 s, with more doubt and a remark; at 10 s, it stands."""
    at = {
        s: resistance_of_loads([12.6, 12.3], [10, 40], unit=unit(), meter=HAND, seconds=s) for s in (None, 2, 8, 10, 45)
    }
    assert at[None].facts["seconds"] == 10
    doubt = {s: found.sd / found.value for s, found in at.items()}
    assert doubt[None] == doubt[10] < doubt[8] < doubt[2]
    assert doubt[10] < doubt[45]
    assert "as_read_mohm" not in at[10].facts
    assert at[45].facts["as_read_mohm"] == pytest.approx(10.0)
    assert "time-far-from-ten" in codes(at[2])
    assert "time-far-from-ten" in codes(at[45])
    assert "time-far-from-ten" not in codes(at[8])


def test_a_resistance_is_brought_to_ten_seconds() -> None:
    """
    One cell is one resistance whenever it was read: 1.567, 2.05 and 2.55 mΩ after 0.5, 10 and 30 s (medians of ten
    pulses of a 33 Ah LMO cell, doi 10.5281/zenodo.2580327); between 0.5 and 10 s straight on the logarithm of time.
    """
    cell = unit("lmo", 1, 33.0)
    between = 1.567 + (2.05 - 1.567) * math.log(2 / 0.5) / math.log(10 / 0.5)
    for seconds, read_mohm in ((2.0, between), (30.0, 2.55)):
        factor, sd = to_standard(cell, seconds)
        assert factor * read_mohm == pytest.approx(2.05, abs=2 * sd * read_mohm), seconds
        assert abs(factor * read_mohm - 2.05) < 0.5 * abs(read_mohm - 2.05), seconds  # nearer than as it was read
        fall = 100.0 * read_mohm / 1000.0
        found = resistance_of_loads([4.0, 4.0 - fall], [0, 100], unit=cell, meter=MILLIVOLT, seconds=seconds)
        low, high = found.interval()
        assert low < 2.05 < high
        assert found.facts["as_read_mohm"] == pytest.approx(read_mohm, rel=1e-6)


def test_growth_is_that_of_the_open_data() -> None:
    """The doubt of the moment is what a 33 Ah cell shows: 1.567, 2.05 and 2.55 mΩ after 0.5, 10 and 30 s."""
    assert growth_frac(10, 0.5) == pytest.approx(math.log(1.567 / 2.05), abs=0.05)
    assert growth_frac(10, 30) == pytest.approx(math.log(2.55 / 2.05), abs=0.03)


def test_a_small_load_is_doubtful() -> None:
    """Loads under a twentieth of the amp-hours give a number with more doubt."""
    small = resistance_of_loads([12.600, 12.560], [1, 4.5], unit=unit(), meter=MILLIVOLT)
    assert "small-load" in codes(small)
    assert lines(small)["small load"] == pytest.approx(0.10)


def test_every_fault_of_an_input_is_told() -> None:
    """Wrong lengths, numbers that are none, voltages below zero and times of nothing are faults of the input."""
    with pytest.raises(InputError, match="3 numbers beside 2"):
        resistance_of_loads([12, 11], [1, 2, 3], unit=unit(), meter=HAND)
    with pytest.raises(InputError, match="give 2 or more"):
        resistance_of_loads([12], [1], unit=unit(), meter=HAND)
    with pytest.raises(InputError) as caught:
        resistance_of_loads([-12, math.nan], [1, 2], unit=unit(), meter=HAND, seconds=0, count_v=-1)
    assert [fault.where for fault in caught.value.faults] == ["volts", "volts", "seconds", "count_v"]


# --- no capacity of a resistance -------------------------------------------------------------------------------------


@pytest.mark.parametrize("known", [None, 2.2, Measure(2.2, 0.1)])
def test_capacity_is_refused(known: Measure | float | None) -> None:
    """Asked for a capacity where only a resistance is known, the bench says no, with figures, and what to do."""
    found = capacity_from_resistance(known, unit=unit("lfp", 1, 35))
    assert found.quantity is Quantity.CAPACITY
    assert found.refused
    assert codes(found) == ["capacity-from-resistance"]
    for figure in ("-0.39", "+0.50", "-0.29"):
        assert figure in found.remarks[0].says
    assert "run it down" in found.remarks[0].do


def test_capacity_is_refused_of_an_estimate_too() -> None:
    """An estimate of a resistance, refused or not, makes no capacity either."""
    read = resistance_of_loads([12.6, 12.3], [10, 40], unit=unit(), meter=HAND)
    assert "10 mΩ" in capacity_from_resistance(read, unit=unit()).remarks[0].says
    blind = resistance_of_loads([12.6, 12.6], [10, 11], unit=unit(), meter=HAND)
    assert capacity_from_resistance(blind, unit=unit()).refused


# --- steps through the origin: retired cells -------------------------------------------------------------------------


def retired() -> dict[str, list[tuple[float, float]]]:
    """Return health and first-instant resistance of each cell at half its nominal charge, by batch."""
    if not RETIRED.is_dir():
        pytest.skip("the open data of retired cells is not beside the repository")
    with (RETIRED / "cells.csv").open(encoding="utf-8") as file:
        cells = {row["cell"]: row for row in csv.DictReader(file)}
    batches: dict[str, list[tuple[float, float]]] = defaultdict(list)
    with (RETIRED / "pulse_voltages.csv").open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            if float(row["soc_nominal_pct"]) != 50:
                continue
            cell = cells[row["cell"]]
            u = {k: float(row[f"U{k}"]) for k in range(1, 16)}
            step_v = [u[2] - u[1], u[6] - u[5], u[10] - u[9], u[14] - u[13]]
            step_a = [c * float(cell["nominal_Ah"]) for c in (0.5, -0.5, 1.0, -1.0)]
            found = resistance_of_steps(step_v, step_a)
            assert found.value is not None
            batches[cell["batch"]].append((float(cell["soh"]), found.value))
    return batches


@pytest.mark.parametrize(
    ("batch", "mean", "sd", "correlation"),
    [("LFP35", 2.2169, 0.1899, -0.388), ("LMO10", 7.0255, 1.8918, 0.500), ("NMC2.1", 15.2426, 0.7302, -0.290)],
)
def test_retired_cells(batch: str, mean: float, sd: float, correlation: float) -> None:
    """Mean, scatter and correlation with health of R0 in the open data, and the figures the bench itself cites."""
    health, ohm = np.array(retired()[batch]).T
    assert ohm.mean() == pytest.approx(mean, abs=0.002)
    assert ohm.std(ddof=1) == pytest.approx(sd, abs=0.002)
    found = np.corrcoef(health, ohm)[0, 1]
    assert found == pytest.approx(correlation, abs=0.001)
    cited = next(one for one in health_against_resistance() if one.batch == batch)
    assert (cited.cells, cited.correlation) == (len(ohm), pytest.approx(found, abs=0.001))


def test_steps_are_the_least_squares_through_the_origin() -> None:
    """Slope and standard error are those of numpy's least squares without a constant, whichever way current counts."""
    v, a = np.array([0.036, -0.034, 0.071, -0.069]), np.array([5.0, -5, 10, -10])
    (slope,), (left,), *_ = np.linalg.lstsq(a[:, None], v, rcond=None)
    found = resistance_of_steps(v.tolist(), a.tolist())
    assert found.value == pytest.approx(1000 * slope)
    scatter = next(line for line in found.budget if line.cause == "scatter of the steps")
    assert scatter.sd == pytest.approx(1000 * math.sqrt(left / 3 / (a @ a)))
    assert resistance_of_steps(v.tolist(), (-a).tolist()).value == pytest.approx(found.value)


def test_steps_without_current_are_a_fault() -> None:
    """No step, or none with a current, is an input that cannot be used."""
    with pytest.raises(InputError, match="no step has a current"):
        resistance_of_steps([0.1], [0.0])
    with pytest.raises(InputError, match="give 1 or more"):
        resistance_of_steps([], [])


# --- a logger's steps ------------------------------------------------------------------------------------------------

OHM = 0.005


def step(
    *,
    amps: float = 20.0,
    before_s: float = 30.0,
    after_s: float = 60.0,
    every_s: float = 1.0,
    drift_v_s: float = 0.0,
    name: str = "U1",
) -> Jump:
    """Return a step at 0 s of an invented 12 V unit: 5 mΩ at once and 2 mΩ more with a time constant of 20 s."""
    t0, t1 = np.arange(-before_s, 0.0, every_s), np.arange(0.0, after_s + 0.5 * every_s, every_s)
    slow = 0.002 * (1 - np.exp(-t1 / 20.0))
    before = trace_of(t0, 12.7 + drift_v_s * t0, 0.0)
    after = trace_of(t1, 12.7 + drift_v_s * t1 - amps * (OHM + slow), amps)
    return Jump(unit=name, line=2, time_s=0.0, before=before, after=after)


def true_mohm(seconds: float) -> float:
    """Return the resistance of the invented unit at a time after the step."""
    return 1000 * (OHM + 0.002 * (1 - math.exp(-seconds / 20.0)))


@pytest.mark.parametrize("seconds", [1.0, 5.5, 10.0, 30.0, 59.7])
def test_a_step_at_a_time(seconds: float) -> None:
    """The resistance at a time after a step is that of the circuit it was made with, also between two samples."""
    found = resistance_at(step(), seconds=seconds, unit=unit(), meter=LOGGER)
    assert found.value == pytest.approx(true_mohm(seconds), rel=3e-4 if seconds != 59.7 else 1e-2)
    assert found.facts["seconds"] == seconds
    assert found.facts["step_a"] == pytest.approx(20)


def test_a_step_of_charge_is_a_resistance_too() -> None:
    """Current into the unit raises its voltage: the same resistance, with a negative step."""
    found = resistance_at(step(amps=-20), seconds=10, unit=unit(), meter=LOGGER)
    assert found.value == pytest.approx(true_mohm(10))
    assert found.facts["step_a"] == pytest.approx(-20)


def test_a_drifting_base_is_carried_on() -> None:
    """A unit that still moves by 1 mV a second would have moved 10 mV: corrected, told, half kept as doubt."""
    found = resistance_at(step(drift_v_s=0.001), seconds=10, unit=unit(), meter=LOGGER)
    assert found.value == pytest.approx(true_mohm(10), rel=1e-3)
    assert "base-drifts" in codes(found)
    assert lines(found)["drift before the step"] * found.value == pytest.approx(5 / 20 / math.sqrt(3), rel=0.01)
    assert "base-drifts" not in codes(resistance_at(step(), seconds=10, unit=unit(), meter=LOGGER))


def test_samples_not_to_be_used_are_passed_over() -> None:
    """NaN volts around the switching change nothing; nothing but NaN before the step leaves no base."""
    jump = step()
    jump.before.volts[-1] = jump.after.volts[0] = jump.after.volts[10] = math.nan
    assert resistance_at(jump, seconds=10, unit=unit(), meter=LOGGER).value == pytest.approx(true_mohm(10), rel=1e-3)
    jump.before.volts[:] = math.nan
    assert codes(resistance_at(jump, seconds=10, unit=unit(), meter=LOGGER)) == ["no-base"]
    bare = replace(step(), before=trace_of([], [], 0.0))
    assert codes(resistance_of_log(log_of(bare), unit=unit(), meter=LOGGER)) == ["no-base"]


@pytest.mark.parametrize(
    ("every_s", "seconds", "code"),
    [(60.0, 10.0, "sampling-too-coarse"), (1.0, 0.3, "sampling-too-coarse"), (1.0, 70.0, "step-too-short")],
)
def test_samples_that_do_not_show_it(every_s: float, seconds: float, code: str) -> None:
    """A sample a minute shows no 10 s value, one a second no 0.3 s value, and a minute's log none at 70 s."""
    found = resistance_at(step(every_s=every_s, before_s=5 * every_s), seconds=seconds, unit=unit(), meter=LOGGER)
    assert codes(found) == [code]


def test_coarse_samples_are_doubtful() -> None:
    """Samples every 6 s still show a 10 s value, with doubt about when the step came."""
    found = resistance_at(step(every_s=6.0), seconds=10, unit=unit(), meter=LOGGER)
    assert found.value == pytest.approx(true_mohm(10), rel=0.02)
    assert "sampling-coarse" in codes(found)
    assert lines(found)["moment of the step"] > 0.02


def test_a_load_that_does_not_last() -> None:
    """A load switched off before the moment asked for shows no resistance; one that sags by a fifth is doubtful."""
    jump = step()
    sagging = jump.after.amps - np.where(jump.after.time_s < 9, 0.0, 4.0)
    gone = np.where(jump.after.time_s < 5, 20.0, 9.0)
    for amps, found_codes in ((sagging, "load-unsteady"), (gone, "load-unsteady")):
        changed = replace(jump, after=trace_of(jump.after.time_s, jump.after.volts, amps))
        assert found_codes in codes(resistance_at(changed, seconds=10, unit=unit(), meter=LOGGER))


def test_small_and_backward_steps_of_a_log() -> None:
    """A logger's step within its counts, or with the sign of the current reversed, is refused as by hand."""
    assert codes(resistance_at(step(amps=0.3), seconds=10, unit=unit(), meter=LOGGER)) == ["step-too-small"]
    assert codes(resistance_at(step(amps=0.001), seconds=10, unit=unit(), meter=LOGGER)) == ["step-too-small"]
    jump = step()
    reversed_sign = replace(jump, after=trace_of(jump.after.time_s, jump.after.volts, -jump.after.amps))
    assert codes(resistance_at(reversed_sign, seconds=10, unit=unit(), meter=LOGGER)) == ["rises-with-load"]


def test_a_time_of_nothing_is_a_fault() -> None:
    """A time after the step must be above zero."""
    with pytest.raises(InputError, match="must be above zero"):
        resistance_at(step(), seconds=0, unit=unit(), meter=LOGGER)


def log_of(*jumps: Jump) -> Log:
    """Return a log with these jumps."""
    return Log(
        name="log.csv",
        rows=9,
        span_s=9,
        out_ah=0,
        in_ah=0,
        out_wh=0,
        in_wh=0,
        pieces=(),
        jumps=jumps,
        start="2026-01-02T10:00:00",
    )


def test_a_log_is_the_median_of_its_discharge_steps() -> None:
    """Steps into discharge are preferred, small ones left out by their current; the scatter is the doubt."""
    found = resistance_of_log(log_of(step(), step(), step(amps=3), step(amps=-40)), unit=unit(), meter=LOGGER)
    # a file does not say where between two samples, here one second apart, a step came
    assert found.value == pytest.approx(true_mohm(10), rel=1e-3)
    assert lines(found)["moment of the step"] == pytest.approx(0.2 * math.log(1.1) / math.sqrt(3), rel=0.02)
    assert (found.facts["steps"], found.facts["steps_seen"]) == (2, 4)
    assert found.when == "2026-01-02T10:00:00"
    charged = resistance_of_log(log_of(step(amps=-40)), unit=unit(), meter=LOGGER)
    assert charged.value == pytest.approx(true_mohm(10), rel=1e-3)


def test_steps_from_rest_are_preferred() -> None:
    """A load that follows a charge at once stands on a voltage still falling: steps from rest count before it."""
    loaded = step(amps=30)
    charging = trace_of(loaded.before.time_s, 13.2 + 0 * loaded.before.volts, -20.0)
    turned = replace(loaded, before=charging)
    found = resistance_of_log(log_of(turned, step(), turned), unit=unit(), meter=LOGGER)
    assert found.value == pytest.approx(true_mohm(10), rel=1e-3)
    assert found.facts["steps"] == 1
    assert resistance_of_log(log_of(turned), unit=unit(), meter=LOGGER).facts["step_a"] == pytest.approx(50)


def test_a_log_without_steps() -> None:
    """A log without a step, or with steps of other units only, shows no resistance."""
    assert codes(resistance_of_log(log_of(), unit=unit(), meter=LOGGER)) == ["no-steps"]
    others = log_of(step(name="A"), step(name="B"))
    assert codes(resistance_of_log(others, unit=unit(), meter=LOGGER)) == ["no-steps"]
    assert not resistance_of_log(log_of(step(name="A")), unit=unit(), meter=LOGGER).refused


def hppc() -> list[tuple[float, float, float, int]]:
    """Return time, volts, amps (positive on discharge) and step of the 33 Ah cell's pulse test."""
    if not STRING_CELL.is_file():
        pytest.skip("the open data of the 33 Ah cell is not beside the repository")
    with STRING_CELL.open(encoding="utf-8") as file:
        return [
            (float(r["t_s"]), float(r["voltage_V"]), -float(r["current_A"]), int(r["step"]))
            for r in csv.DictReader(file)
        ]


def hppc_log(*, moment: int = -1) -> Log:
    """Return its ten 30 A pulses, each at the last sample of the rest (`moment` -1) or the first of the pulse (0)."""
    rows = hppc()
    starts = [k for k in range(1, len(rows)) if rows[k][3] == 6 and rows[k - 1][3] != 6]
    jumps = []
    for k in starts:
        before, after = (np.array(rows[part])[:, :3].T for part in (slice(k - 8, k), slice(k, k + 60)))
        jumps.append(
            Jump(unit="S1", line=k, time_s=rows[k + moment][0], before=trace_of(*before), after=trace_of(*after))
        )
    return log_of(*jumps)


@pytest.mark.parametrize("moment", [-1, 0])
@pytest.mark.parametrize(("seconds", "mohm"), [(0.5, 1.567), (30.0, 2.55)])
def test_string_cell(seconds: float, mohm: float, moment: int) -> None:
    """Open data: 1.567 mΩ at 0.5 s and 2.55 mΩ at 30 s, medians over ten pulses, whichever sample marks the step."""
    cell = unit("nmc", 1, 33.0)
    found = resistance_of_log(hppc_log(moment=moment), unit=cell, meter=LOGGER, seconds=seconds)
    assert found.value == pytest.approx(mohm, abs=0.002)
    assert found.facts["steps"] == 10
    single = [resistance_at(jump, seconds=seconds, unit=cell, meter=LOGGER).value for jump in hppc_log().jumps]
    assert median(value for value in single if value is not None) == pytest.approx(mohm, abs=0.002)

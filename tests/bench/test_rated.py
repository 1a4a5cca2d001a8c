"""
A capacity brought to 25 °C and the rated hours: worked out by hand, against printed figures, there and back.

Temperature: a lead maker's 0.006 /K and 0.010 /K (vela); rate: Peukert's rated form, or the kinetic model of M01.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotchpot.bench.combine import combine
from hotchpot.bench.discharge.capacity import to_rated
from hotchpot.bench.discharge.kinetic import Kinetic
from hotchpot.bench.discharge.kinetic_fit import fit_kinetic
from hotchpot.bench.discharge.rate import time_rated_h
from hotchpot.bench.discharge.rated import rated_by_fit
from hotchpot.bench.discharge.temperature import capacity_factor
from hotchpot.bench.estimate import Estimate, Line, Quantity, Shape, refused
from hotchpot.bench.remark import Remark, Weight
from hotchpot.chemistry import KEYS, chemistry
from hotchpot.errors import InputError
from hotchpot.measure import Measure
from hotchpot.pile.unit import Unit

AGM = Unit(id="A", chemistry="lead_agm", cells=6, rated_ah=100, rated_hours=20)
SURE = Measure(1.1)


def run(ah: float, amps: float, *lines: Line, warmth: float | None = 25.0) -> Estimate:
    """Return an invented run."""
    facts = {"mean_a": amps, "hours": ah / amps} | ({} if warmth is None else {"temperature_c": warmth})
    return Estimate(quantity=Quantity.CAPACITY, value=ah, budget=lines, facts=facts, instrument="hand")


def sds(found: Estimate) -> dict[str, float]:
    """Return the budget by cause."""
    return {line.cause: line.sd for line in found.budget}


def test_a_printed_pair_of_figures() -> None:
    """447 min at 25 A bring a battery to its 225 Ah at 20 h with the exponent 1.24 that a monitor's manual prints."""
    unit = Unit(id="T", chemistry="lead_flooded", cells=3, rated_ah=225, rated_hours=20)
    for exponent in (Measure(1.24), None):  # 1.24 is also what the chemistry's file calls typical
        found = to_rated(run(25 * 447 / 60, 25.0), unit=unit, exponent=exponent)
        assert found.value == pytest.approx(225, rel=0.005)


def test_temperature_by_hand() -> None:
    """91 Ah in a 20 h run at 10 °C are 100 Ah at 25 °C: 1 − 0.006·15 = 0.91; the rate is then the rated one."""
    found = to_rated(run(91.0, 5.0, warmth=10.0), unit=AGM)
    assert found.value == pytest.approx(100.0)
    assert found.facts["temperature_factor"] == pytest.approx(0.91)
    assert found.facts["rate_factor"] == pytest.approx(1.0)


def test_at_the_rated_rate_the_exponent_is_no_matter() -> None:
    """100 Ah at 5 A and 25 °C are 100 Ah at 20 h whatever the exponent, and it adds no doubt."""
    for exponent in (None, Measure(1.4, 0.2), Measure(1.0, 0.1)):
        found = to_rated(run(100.0, 5.0), unit=AGM, exponent=exponent)
        assert found.value == pytest.approx(100.0)
        assert sds(found).get("rate exponent", 0.0) == pytest.approx(0.0, abs=1e-9)


def test_lines_by_hand() -> None:
    """
    20 A, 74.3 Ah, n 1.1 ± 0.02: at 20 h that is 74.3^(1/1.1)·400^(0.1/1.1) Ah.

    The exponent's line is Q ln(I/I_c)/n·0.02; a line of the charge counts 1/n, one of the current whole; 3 K at
    0.00962 /K (3.7 h, between 0.010 at 3 h and 0.006 at 10 h) is rectangular.
    """
    lines = (Line("repeatability", 2.0), Line("ammeter's gain", 1.0, Shape.RECTANGULAR, common=True))
    found = to_rated(run(74.3, 20.0, *lines), unit=AGM, exponent=Measure(1.1, 0.02))
    ah = 74.3 ** (1 / 1.1) * 400 ** (0.1 / 1.1)
    k = 0.010 - 0.004 * math.log(3.715 / 3) / math.log(10 / 3)
    assert found.value == pytest.approx(ah)
    assert sds(found) == pytest.approx(
        {
            "repeatability": 2.0 / 74.3 * ah / 1.1,
            "ammeter's gain": 1.0 / 74.3 * ah,
            "temperature of the run": 3 * k / math.sqrt(3) * ah / 1.1,
            "rate exponent": ah * math.log(20 / (ah / 20)) / 1.1 * 0.02,
        },
        rel=1e-6,
    )
    assert {line.cause: line.shape for line in found.budget}["temperature of the run"] is Shape.RECTANGULAR


def test_a_temperature_that_was_not_read_costs_doubt() -> None:
    """Nobody held a thermometer to it: 20 °C give or take 10 K, and the remark asks for one."""
    found, known = (to_rated(run(97.0, 4.85, warmth=t), unit=AGM) for t in (None, 20.0))
    assert found.value == pytest.approx(known.measure.value)
    assert sds(found)["temperature of the run"] == pytest.approx(10 / 3 * sds(known)["temperature of the run"])
    assert [(r.code, r.weight) for r in found.remarks] == [("temperature-unread", Weight.DOUBTFUL)]
    assert known.remarks == ()


@pytest.mark.parametrize(
    ("amps", "warmth", "codes"),
    [(5.0, 25, []), (20.0, 25, []), (40.0, 25, ["rate-far"]), (0.6, 25, ["rate-far"]), (5.0, -25, ["temperature-far"]),
     (5.0, 45, ["temperature-far"])],
)  # fmt: skip
def test_far_from_rated_is_doubted(amps: float, warmth: float, codes: list[str]) -> None:
    """Beyond five times the rated current, a fifth of it, or the temperature tables, the number is marked doubtful."""
    found = to_rated(run(90.0, amps, warmth=warmth), unit=AGM)
    assert [r.code for r in found.remarks] == codes
    assert all(r.weight is Weight.DOUBTFUL for r in found.remarks)


# ---------------------------------------------------------------- by the kinetic model


@pytest.mark.parametrize(("hours", "ah"), [(1.0, 60.0), (10.0, 93.0), (20.0, 100.0)])
def test_the_kinetic_model_brings_its_own_points_to_the_rated_rate(hours: float, ah: float) -> None:
    """M01: 60 Ah in 1 h and 93 Ah in 10 h are 100 Ah in 20 h (NREL ssc), where one exponent misses one (L22)."""
    kinetic = fit_kinetic([(1, 60), (10, 93), (20, 100)]).kinetic
    found = to_rated(run(ah, ah / hours), unit=AGM, kinetic=kinetic)
    assert found.value == pytest.approx(100.0, abs=1e-3)
    assert "exponent" not in found.facts


def test_runs_of_one_fit_are_one_estimate() -> None:
    """
    Each run brought to 20 h by the model through all holds the errors of all: joined, they are no surer than one.

    Beyond the rates that were run the model's line grows; what one ammeter's gain does counts once, whatever the model.
    """
    lines = Line("repeatability", 2.0), Line("ammeter's gain", 1.0, Shape.RECTANGULAR, common=True)
    model, told = Kinetic(108.16, 0.4751, 0.677), []
    for times in ((1.0, 10.0, 20.0), (2.0, 5.0, 10.0)):
        points = [(hours, model.delivered_ah(hours)) for hours in times]
        runs = [run(ah, ah / hours, *lines) for hours, ah in points]
        found = rated_by_fit(runs, unit=AGM, fit=fit_kinetic(points))
        joined = combine(found, subject="A")
        assert joined is not None
        assert joined.sd == pytest.approx(found[-1].sd)
        told.append(sds(joined)["kinetic model"])
        gain = sds(joined)["ammeter's gain"] / joined.measure.value
        assert gain == pytest.approx(1.0 / points[-1][1], rel=0.01)
    assert told[1] > 2.0 * told[0]


def test_a_fit_of_other_runs_is_an_error() -> None:
    """A fit must be of the runs it brings to the rated hours."""
    fit = fit_kinetic([(1, 60), (10, 93), (20, 100)])
    with pytest.raises(InputError, match="not one of these 2 runs"):
        rated_by_fit([run(60.0, 60.0), run(93.0, 9.3)], unit=AGM, fit=fit)


def test_the_kinetic_model_s_size_is_no_matter() -> None:
    """A worn unit keeps the shape: half the charge in the same hours is half at the rated rate."""
    kinetic = fit_kinetic([(1, 60), (10, 93), (20, 100)]).kinetic
    assert to_rated(run(46.5, 4.65), unit=AGM, kinetic=kinetic).value == pytest.approx(50.0, abs=1e-3)


def test_one_or_the_other_never_both() -> None:
    """An exponent beside a kinetic model is an error: both would correct the same thing twice."""
    kinetic = fit_kinetic([(1, 60), (10, 93), (20, 100)]).kinetic
    with pytest.raises(InputError, match="one or the other"):
        to_rated(run(93.0, 9.3), unit=AGM, exponent=SURE, kinetic=kinetic)


# ---------------------------------------------------------------- laws


@pytest.mark.parametrize("key", KEYS)
@given(
    size=st.tuples(st.floats(5, 500), st.floats(1, 40)),
    rate=st.floats(0.3, 4),
    warmth=st.floats(-15, 38),
    exponent=st.floats(1.0, 1.5),
)
def test_there_and_back(key: str, size: tuple[float, float], rate: float, warmth: float, exponent: float) -> None:
    """What a unit of known capacity gives, colder and faster, leads back to that capacity, for every chemistry."""
    rated, hours = size
    unit = Unit(id="U", chemistry=key, cells=4, rated_ah=rated, rated_hours=hours)
    amps = rate * rated / hours
    at_25 = amps * time_rated_h(rated, hours, amps, exponent)
    lasts = at_25 / amps  # the factor goes by the run's hours, which the cold shortens: find them
    for _ in range(200):
        lasts = at_25 * capacity_factor(chemistry(key), warmth, hours=lasts).value / amps
    found = to_rated(run(amps * lasts, amps, warmth=warmth), unit=unit, exponent=Measure(exponent))
    assert found.value == pytest.approx(rated, rel=1e-6)


@given(st.floats(0.1, 10))
def test_charge_scales(times: float) -> None:
    """A unit of several times the size at as much more current comes out as much larger, with as much more doubt."""
    big_unit = Unit(id="B", chemistry="lead_agm", cells=6, rated_ah=100 * times, rated_hours=20)
    small = to_rated(run(80.0, 10.0, Line("repeatability", 2.4), warmth=15.0), unit=AGM)
    big = to_rated(run(80.0 * times, 10.0 * times, Line("repeatability", 2.4 * times), warmth=15.0), unit=big_unit)
    assert big.value == pytest.approx(times * small.measure.value)
    assert big.sd == pytest.approx(times * small.sd)


# ---------------------------------------------------------------- what is refused


def test_a_refused_run_stays_refused() -> None:
    """A run that told no capacity tells none at the rated rate, for the same reason."""
    why = Remark(code="run-aborted", weight=Weight.REFUSED, subject="A", says="s", why="w", do="d", source="x")
    aborted = refused(Quantity.CAPACITY, why)
    assert to_rated(aborted, unit=AGM) is aborted


@pytest.mark.parametrize(
    ("given_run", "exponent", "named"),
    [
        (run(80, 5), Measure(0.95), "exponent"),
        (Estimate(quantity=Quantity.CAPACITY, value=80.0), None, "mean current"),
        (Estimate(quantity=Quantity.RESISTANCE, value=8.0), None, "resistance_mohm"),
    ],
)
def test_what_is_malformed_is_an_error(given_run: Estimate, exponent: Measure | None, named: str) -> None:
    """An exponent below one, a run without its facts and another quantity are named."""
    with pytest.raises(InputError, match=named):
        to_rated(given_run, unit=AGM, exponent=exponent)

"""Charge from a rest voltage: published points, bounds where the curve is flat, refusals, and that the bounds hold."""

from __future__ import annotations

import math

import numpy as np
import pytest

from hotchpot.bench.estimate import Estimate, Line, Quantity, Shape, refused
from hotchpot.bench.remark import Remark, Weight
from hotchpot.bench.standing.charge import charge_of_rest, span_of
from hotchpot.bench.standing.curve import OwnCurve
from hotchpot.chemistry import Curve, chemistry
from hotchpot.errors import InputError
from hotchpot.measure import Measure
from hotchpot.pile.unit import Unit


def unit(key: str, cells: int = 1, **known: float) -> Unit:
    """Return a unit of 100 Ah."""
    return Unit(id="U1", chemistry=key, cells=cells, rated_ah=100, rated_hours=20, **known)  # type: ignore[arg-type]


def told(key: str, volts: float, *, cells: int = 1, sd: float = 0.001, temperature_c: float | None = 25.0) -> Estimate:
    """Return the charge of a rested unit at 25 °C."""
    return charge_of_rest(Measure(volts, sd), unit=unit(key, cells), temperature_c=temperature_c)


@pytest.mark.parametrize(
    ("volts", "percent"), [(12.65, 100), (12.45, 75), (12.24, 50), (12.06, 25), (11.89, 0)]
)  # L07: starter and flooded batteries at 26.7 °C, a trade body's table read second hand
def test_a_published_table_of_flooded_batteries_lies_within_the_bounds(volts: float, percent: int) -> None:
    """Tables of flooded batteries differ by up to 0.25 V when empty (D13): each row is a band that must touch ours."""
    found = told("lead_flooded", volts, cells=6, sd=0.02)
    assert found.value is not None
    assert found.low is not None
    assert found.high is not None
    assert found.low - 0.15 <= percent / 100 <= found.high + 0.15


@pytest.mark.parametrize(("volts", "percent"), [(12.66, 100), (12.45, 75), (12.30, 50), (12.15, 25)])
def test_a_second_published_table_as_bands(volts: float, percent: int) -> None:
    """L09, a magazine's table, ± 0.1 V as stated there: the row's band of voltage must meet our bounds."""
    low, high = told("lead_flooded", volts - 0.1, cells=6), told("lead_flooded", volts + 0.1, cells=6)
    assert low.low is not None
    assert high.high is not None
    assert low.low <= percent / 100 <= high.high


@pytest.mark.parametrize("key", ["lead_flooded", "lead_agm", "lead_gel", "nmc", "nca", "lco", "lto"])
@pytest.mark.parametrize("soc", [0.2, 0.5, 0.8, 1.0])
def test_a_curve_that_rises_gives_a_number(key: str, soc: float) -> None:
    """Lead and the sloped lithium curves tell the charge, back at the point of the curve that was read."""
    found = told(key, 4 * chemistry(key).ocv.volts(soc), cells=4)
    assert found.value == pytest.approx(soc, abs=1e-9)
    assert found.low is not None
    assert found.high is not None
    assert found.low < soc <= found.high
    assert not found.remarks


@pytest.mark.parametrize("volts", [3.285, 3.295, 3.297, 3.30, 3.315, 3.329, 3.333])
@pytest.mark.parametrize("cells", [1, 4, 16])
def test_lithium_iron_on_its_plateau_is_refused_with_bounds(volts: float, cells: int) -> None:
    """On the plateau the number is refused, the bounds are given, and it says what would tell."""
    found = told("lfp", cells * volts, cells=cells)
    assert found.refused
    assert [remark.code for remark in found.remarks] == ["voltage-plateau"]
    assert "count" in found.remarks[0].do
    assert found.low is not None
    assert found.high is not None
    assert 0.15 < found.low < found.high <= 1.0
    assert found.facts["low_frac"] == found.low
    assert found.facts["high_frac"] == found.high


@pytest.mark.parametrize(
    ("volts", "low", "high"), [(3.14, 0.03, 0.07), (3.19, 0.05, 0.12), (3.359, 0.9, 1), (3.42, 1, 1)]
)
def test_lithium_iron_in_its_knees_is_told(volts: float, low: float, high: float) -> None:
    """Below about 10 % and at full the curve rises again, so there is a number."""
    found = told("lfp", 4 * volts, cells=4)
    assert found.value is not None
    assert low <= found.value <= high


def test_just_at_full_the_plateau_stays_within_the_bounds() -> None:
    """3.359 V may be full, or plateau on a curve that reads 26 mV high: the bounds say so; 3.42 V is full."""
    at, above = told("lfp", 3.359), told("lfp", 3.42)
    assert at.low is not None
    assert above.low is not None
    assert at.low < 0.8
    assert above.low > 0.95
    assert at.sd > 2 * above.sd


def test_it_is_the_width_and_not_the_name_that_refuses() -> None:
    """A sloped cell whose curve is flat is refused, and lithium iron with a steep curve of its own is not."""
    flat = Curve((0.0, 0.1, 0.9, 1.0), (3.0, 3.6, 3.65, 4.1), "made", chemistry("nmc").ocv.grade)
    steep = Curve((0.0, 1.0), (3.0, 3.5), "made", chemistry("nmc").ocv.grade)
    assert charge_of_rest(Measure(3.62, 0.001), unit=unit("nmc"), curve=flat).refused
    own = OwnCurve(curve=steep, sd_v=0.003, gap_v=0.01, measured=True)
    found = charge_of_rest(Measure(3.25, 0.001), unit=unit("lfp"), curve=own)
    assert found.value == pytest.approx(0.5)
    assert found.sd < 0.02


def test_doubt_by_hand_on_a_straight_curve() -> None:
    """3.0 to 4.0 V straight, 20 mV of normal doubt and nothing else: 2 % of charge, bounds ± 1.96 of it."""
    straight = Curve((0.0, 1.0), (3.0, 4.0), "made", chemistry("nmc").ocv.grade)
    found = span_of(straight, 3.6, [Line("all", 0.02)])
    assert (found.value, found.low, found.high) == pytest.approx((0.6, 0.6 - 0.0392, 0.6 + 0.0392), abs=2e-4)
    square = span_of(straight, 3.6, [Line("all", 0.02, Shape.RECTANGULAR)])
    assert square.high - 0.6 == pytest.approx(0.95 * math.sqrt(3) * 0.02, abs=2e-4)


def test_the_budget_adds_up_to_the_bounds() -> None:
    """The lines are told in charge: curve 10 mV a cell, meter 12 mV a cell on AGM, in the ratio of their volts."""
    found = told("lead_agm", 6 * 2.045, cells=6, sd=0.072)
    by = {line.cause: line.sd for line in found.budget}
    assert by["reading"] / by["curve"] == pytest.approx(1.2)
    assert found.sd == pytest.approx(math.hypot(*by.values()))


def test_an_estimate_keeps_the_shapes_and_what_is_common() -> None:
    """The meter's gain stays rectangular and common when a settled voltage becomes a charge."""
    gain = Line("gain of the meter", 0.03, Shape.RECTANGULAR, common=True)
    rest = Estimate(quantity=Quantity.REST_V, value=12.5, budget=(gain,), when="2026-03-01")
    found = charge_of_rest(rest, unit=unit("lead_agm", 6), temperature_c=25.0)
    line = next(one for one in found.budget if one.cause == gain.cause)
    assert line.shape is Shape.RECTANGULAR
    assert line.common
    assert found.when == "2026-03-01"


def test_a_refused_rest_voltage_refuses_the_charge_for_the_same_reason() -> None:
    """What was not told cannot be read backwards, and the reason is passed on."""
    why = Remark(code="cannot-tell-settled", weight=Weight.REFUSED, subject="U1", says="a", why="b", do="c", source="d")
    found = charge_of_rest(refused(Quantity.REST_V, why), unit=unit("nmc"))
    assert found.refused
    assert found.remarks == (why,)


def test_a_blurred_reading_is_refused_as_such() -> None:
    """0.3 V of doubt on six lead cells is no plateau: the reading is to blame, and better reading is the advice."""
    found = told("lead_agm", 12.4, cells=6, sd=0.3)
    assert found.refused
    assert found.remarks[0].code == "reading-too-doubtful"
    assert "millivolts" in found.remarks[0].do


@pytest.mark.parametrize(
    ("key", "cells", "volts", "code"),
    [
        ("lead_agm", 6, -12.5, "reversed"),
        ("lfp", 4, -0.1, "reversed"),
        ("nicd", 10, -1.0, "reversed"),
        ("lead_flooded", 6, 10.4, "dead-cell"),
        ("nmc", 1, 1.9, "dead-cell"),
        ("nimh", 5, 0.0, "dead-cell"),
        ("lfp", 4, 15.0, "voltage-impossible"),
        ("lead_agm", 6, 16.0, "voltage-impossible"),
        ("nimh", 5, 6.3, "nickel-voltage"),
        ("nicd", 10, 12.6, "nickel-voltage"),
        ("nife", 10, 13.0, "nickel-voltage"),
    ],
)
def test_what_no_rested_unit_reads_is_refused_with_its_reason(key: str, cells: int, volts: float, code: str) -> None:
    """Reversed, dead and impossible voltages, and nickel at any voltage, give no charge but say why and what to do."""
    found = told(key, volts, cells=cells)
    assert found.refused
    assert [remark.code for remark in found.remarks] == [code]
    assert found.remarks[0].do


@pytest.mark.parametrize(
    ("key", "cells", "volts", "code"),
    [
        ("lead_agm", 6, 13.2, "surface-charge"),
        ("lead_agm", 6, 11.2, "empty-or-dead-cell"),
        ("nmc", 1, 2.6, "below-empty"),
        ("lfp", 4, 9.0, "below-empty"),
    ],
)
def test_the_edges_are_told_in_doubt(key: str, cells: int, volts: float, code: str) -> None:
    """Above full, and below empty but alive, a number is given and doubted."""
    found = told(key, volts, cells=cells)
    assert found.value in (0.0, 1.0) or code == "empty-or-dead-cell"
    assert [(remark.code, remark.weight) for remark in found.remarks] == [(code, Weight.DOUBTFUL)]


def test_one_cell_alone_cannot_hide_a_dead_one() -> None:
    """A single lead cell at 1.92 V is nearly empty; only in a unit of several could it be a dead one among good."""
    assert not told("lead_agm", 1.92, sd=0.001).remarks


def test_lead_reads_lower_in_the_cold() -> None:
    """0.2 mV/K and cell (from memory): at 0 °C the same charge reads 30 mV lower on 12 V."""
    warm, cold = told("lead_agm", 12.40, cells=6), told("lead_agm", 12.37, cells=6, temperature_c=0.0)
    assert cold.value == pytest.approx(warm.value)


def test_a_temperature_that_nobody_read_adds_doubt() -> None:
    """The pile's temperature counts where none was given; where there is none, the doubt grows."""
    known = charge_of_rest(Measure(12.4, 0.01), unit=unit("lead_agm", 6, temperature_c=25.0))
    unknown = charge_of_rest(Measure(12.4, 0.01), unit=unit("lead_agm", 6))
    assert unknown.sd > known.sd


@pytest.mark.parametrize("volts", [math.nan, math.inf])
def test_what_is_no_voltage_is_bad_input(volts: float) -> None:
    """A missing number is a fault of the input, not of the battery."""
    with pytest.raises(InputError, match="rest voltage"):
        charge_of_rest(Measure(volts, 0.01), unit=unit("nmc"))


@pytest.mark.parametrize(("key", "cells"), [("lead_flooded", 6), ("lead_agm", 6), ("nmc", 7), ("lfp", 4)])
def test_the_bounds_hold_cells_whose_curve_is_off_by_its_doubt(key: str, cells: int) -> None:
    """
    300 invented units: curve off by its stated doubt, anywhere between the branches, meter of 20 mV. Told or refused,
    the bounds must hold the true charge in about 95 % (here 91 to 99.5 %, three standard errors of 300 draws).
    """
    rng, chem = np.random.default_rng(7), chemistry(key)
    held = 0
    for _ in range(300):
        soc = rng.uniform(0.0, 1.0)
        cell = chem.ocv.volts(soc) + rng.normal(0.0, chem.num("ocv_curve_sd"))
        cell += rng.uniform(-0.5, 0.5) * chem.num("ocv_hysteresis")
        cell = min(cell, chem.num("charge_max_v"))  # no charger leaves it higher
        found = told(key, cells * cell + rng.normal(0.0, 0.02), cells=cells, sd=0.02)
        if found.low is None or found.high is None:  # the reading passed the highest possible by chance
            continue
        held += found.low <= soc <= found.high
    assert 0.91 <= held / 300 <= 0.995


def test_a_limit_is_passed_only_beyond_the_reading_s_own_doubt() -> None:
    """A full 4.20 V cell read as 4.21 ± 0.01 V is full, not impossible; read as 4.21 ± 0.001 V it is."""
    assert told("nmc", 4.21, sd=0.01).value == 1.0
    assert told("nmc", 4.21, sd=0.001).remarks[0].code == "voltage-impossible"

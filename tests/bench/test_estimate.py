"""
The interval of a budget: what a sum of rectangular and normal errors holds, against closed forms and drawn numbers.

Sources: JCGM 100:2008 clause 4.3.7 (a limit is rectangular) and JCGM 101:2008 (propagation of distributions); the
closed forms are those of a rectangle, a triangle and a normal distribution.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from hotchpot.bench.estimate import Estimate, Line, Quantity, Shape, coverage_factor, refused
from hotchpot.bench.meter import meter, meters
from hotchpot.bench.remark import Remark, Weight
from hotchpot.errors import InputError, NoAnswerError
from hotchpot.measure import Basis


@pytest.mark.parametrize("level", [0.5, 0.9, 0.95, 0.99])
def test_closed_forms(level: float) -> None:
    """One rectangle holds its level times its half-width; two equal ones are a triangle; none is a normal."""
    half = 1.0
    one = coverage_factor((half / math.sqrt(3),), half / math.sqrt(3), level) * half / math.sqrt(3)
    assert one == pytest.approx(level * half, abs=2e-3)
    both = math.sqrt(2) * half / math.sqrt(3)
    triangle = coverage_factor((half / math.sqrt(3),) * 2, both, level) * both
    assert triangle == pytest.approx(2 * half * (1 - math.sqrt(1 - level)), abs=4e-3)
    assert coverage_factor((), 1.0, level) == pytest.approx(stats.norm.ppf(0.5 + level / 2), abs=1e-6)


@given(st.lists(st.floats(0.01, 1), max_size=3), st.floats(0.01, 1))
def test_against_drawn_numbers(wide: list[float], normal: float) -> None:
    """For any mix, 95 % of drawn sums (numpy, 200,000 draws) lie within the interval, give or take 0.4 %."""
    rng = np.random.default_rng(1)
    total = math.hypot(normal, *wide)
    drawn = rng.normal(0, normal, 200_000)
    for sd in wide:
        drawn += rng.uniform(-1, 1, 200_000) * math.sqrt(3) * sd
    reach = coverage_factor(tuple(wide), total, 0.95) * total
    assert float(np.mean(np.abs(drawn) <= reach)) == pytest.approx(0.95, abs=0.004)


def test_bounds_go_before_the_budget() -> None:
    """Where an estimate carries bounds of its own, they are its interval."""
    told = Estimate(quantity=Quantity.CHARGE, value=0.9, budget=(Line("curve", 0.2),), low=0.7, high=1.0)
    assert told.interval() == (0.7, 1.0)


def test_a_refused_estimate_has_no_measure_and_says_why() -> None:
    """Asking a refused estimate for its number is answered by the reason and the next step."""
    says, do = "It stopped at 12.1 V.", "Run it again."
    why = Remark(code="run-aborted", weight=Weight.REFUSED, subject="A1", says=says, why="", do=do, source="")
    with pytest.raises(NoAnswerError, match=r"It stopped at 12\.1 V\. Run it again\."):
        _ = refused(Quantity.CAPACITY, why).measure


def test_the_measure_carries_the_budget() -> None:
    """The doubt of the measure is the root sum of squares of the lines, and its basis is measured."""
    told = Estimate(quantity=Quantity.CAPACITY, value=90.0, budget=(Line("a", 3.0), Line("b", 4.0)))
    assert (told.measure.value, told.measure.sd, told.measure.basis) == (90.0, 5.0, Basis.MEASURED)


def test_the_meters_are_physical_and_named() -> None:
    """Every meter has positive limits, a name and a source; the usual one has a clamp of 2 % + 0.1 A."""
    for one in meters().values():
        assert one.name
        assert one.source
        for accuracy in (one.volts, one.amps):
            assert 0 < accuracy.gain_frac < 0.1
            assert accuracy.counts > 0
            assert accuracy.count > 0
    hand = meter()
    assert (hand.key, hand.amps.gain_frac, hand.amps.offset) == ("hand", 0.02, 0.1)  # physics notes: clamp 2 % + 0.1 A
    assert hand.volts.own_sd() == pytest.approx(2 * 0.01 / math.sqrt(3))
    assert hand.volts.own_sd(0.001) == pytest.approx(2 * 0.001 / math.sqrt(3))


def test_an_unknown_meter_is_told_with_the_nearest() -> None:
    """A slip in a meter's name is answered with the name that was meant."""
    with pytest.raises(InputError, match=r"meter 'milivolt': no such meter, did you mean 'millivolt'\?"):
        meter("milivolt")


def test_shapes_are_spelled() -> None:
    """The two shapes are the two that a budget knows."""
    assert {str(shape) for shape in Shape} == {"normal", "rectangular"}

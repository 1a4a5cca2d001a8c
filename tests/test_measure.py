"""A number with its doubt, against Monte Carlo and scipy's normal distribution."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from scipy import stats  # type: ignore[import-untyped]

from hotchpot.measure import Basis, Measure, least, total, weakest

X, Y = Measure(12.0, 0.3), Measure(4.0, 0.1)
DRAWS = 400_000
# The standard error of a sampled sd is sd/√(2n), 0.11 % here; 1 % leaves room for it and for the terms of second order
# that the law of propagation drops (relative errors of 2.5 % square to 0.06 %).
SD_TOLERANCE = 0.01
BIAS = 0.001  # the mean of a quotient is off by the square of its divisor's relative error, 0.06 %


@pytest.mark.parametrize(
    ("name", "work"),
    [
        ("sum", lambda x, y: x + y),
        ("difference", lambda x, y: x - y),
        ("product", lambda x, y: x * y),
        ("quotient", lambda x, y: x / y),
        ("shifted", lambda x, y: 3.0 + x - 1.5),
        ("taken from", lambda x, y: 20.0 - x),
        ("scaled", lambda x, y: 2.5 * x / 4.0),
        ("inverse", lambda x, y: 6.0 / y),
        ("negative", lambda x, y: -x),
        ("ohm's law", lambda x, y: (x - 11.4) / y),
    ],
)
def test_doubt_travels_as_sampling_says(name: str, work: Callable[[Any, Any], Any]) -> None:
    """The law of propagation (JCGM 100:2008, 5.1.2) must agree with drawing both numbers at random (fixed seed)."""
    draw = np.random.default_rng(20)
    sample = work(draw.normal(X.value, X.sd, DRAWS), draw.normal(Y.value, Y.sd, DRAWS))
    result = work(X, Y)
    assert isinstance(result, Measure)
    assert result.sd == pytest.approx(float(np.std(sample)), rel=SD_TOLERANCE)
    assert result.value == pytest.approx(
        float(np.mean(sample)), abs=4 * result.sd / math.sqrt(DRAWS) + BIAS * abs(result.value)
    )


def test_a_published_budget() -> None:
    """The quotient must match the guide's product rule: relative variances add (JCGM 100:2008, 5.1.6, equation 12)."""
    ratio = Measure(5.0, 0.05) / Measure(0.020, 0.0004)  # 1 % and 2 %
    assert ratio.value == pytest.approx(250.0)
    assert ratio.sd / ratio.value == pytest.approx(math.hypot(0.01, 0.02), rel=1e-12)


@pytest.mark.parametrize("measure", [X, Y, Measure(-3.0, 2.0), Measure(0.0, 1.0)])
def test_percentiles_are_those_of_the_normal_distribution(measure: Measure) -> None:
    """Upper and lower must be the 95th and the 5th percentile (scipy.stats.norm)."""
    reference = stats.norm(measure.value, measure.sd)
    assert measure.upper() == pytest.approx(float(reference.ppf(0.95)), rel=1e-12)
    assert measure.lower() == pytest.approx(float(reference.ppf(0.05)), rel=1e-12)


@pytest.mark.parametrize("limit", [-50.0, 11.0, 11.9, 12.0, 12.3, 13.5])
def test_chance_above_is_the_survival_function(limit: float) -> None:
    """The chance of exceeding a limit must be the normal survival function (scipy.stats.norm)."""
    assert X.chance_above(limit) == pytest.approx(float(stats.norm.sf(limit, X.value, X.sd)), abs=1e-12)


@pytest.mark.parametrize(("limit", "chance"), [(11.9, 1.0), (12.0, 0.0), (12.1, 0.0)])
def test_without_doubt_a_limit_is_a_limit(limit: float, chance: float) -> None:
    """A number without doubt is above a limit or it is not; standing at it is not above."""
    assert Measure(12.0).chance_above(limit) == chance
    assert Measure(12.0).upper() == Measure(12.0).lower() == 12.0


def test_a_product_with_zero_keeps_its_doubt() -> None:
    """Zero times a number must not lose the doubt of the zero: its sd scales with the other value."""
    assert (Measure(0.0, 0.1) * Measure(5.0, 1.0)).sd == pytest.approx(0.5)
    assert (Measure(0.0, 0.1) / Measure(5.0, 1.0)).sd == pytest.approx(0.02)


def test_a_negative_divisor_leaves_the_doubt_positive() -> None:
    """Dividing by a negative number must turn the value and keep the doubt (worked by hand)."""
    assert (X / -4.0).value == pytest.approx(-3.0)
    assert (X / -4.0).sd == pytest.approx(0.075)
    assert (1.0 / Measure(-4.0, 0.1)).sd == pytest.approx(0.1 / 16)


@pytest.mark.parametrize("sd", [-0.1, float("nan")])
def test_a_doubt_below_zero_is_refused(sd: float) -> None:
    """A negative or missing sd is a mistake of the caller and must not travel."""
    with pytest.raises(ValueError, match="sd must be zero or more"):
        Measure(1.0, sd)


def test_a_result_is_no_better_than_its_worst_input() -> None:
    """Anything made with an assumption must be marked assumed, whichever side it stands on."""
    sure, stated, guess = Measure(2.0), Measure(2.0, basis=Basis.STATED), Measure(2.0, basis=Basis.ASSUMED)
    for work in (Measure.__add__, Measure.__sub__, Measure.__mul__, Measure.__truediv__):
        assert work(sure, guess).basis is work(guess, stated).basis is Basis.ASSUMED
        assert work(sure, stated).basis is Basis.STATED
        assert work(sure, sure).basis is Basis.MEASURED
    assert weakest([]) is Basis.MEASURED


def test_totals_are_repeated_sums() -> None:
    """A total must equal adding one by one, in any order, and an empty total is a certain zero."""
    parts = [Measure(1.0, 0.3), Measure(2.0, 0.4, Basis.ASSUMED), Measure(-5.0, 1.2)]
    assert total(parts).value == pytest.approx(-2.0)
    assert total(parts).sd == pytest.approx(1.3)  # 0.3² + 0.4² + 1.2² = 1.69
    assert total(reversed(parts)) == total(parts)
    assert total(parts).basis is Basis.ASSUMED
    assert total([]) == Measure(0.0)


def test_the_least_is_one_of_the_parts() -> None:
    """The least must have the value of one part, so that it can be traced to one unit."""
    small = Measure(40.0, 3.0, Basis.ASSUMED)
    assert least([Measure(41.0, 0.1), small, Measure(90.0)]) == small


def test_the_least_is_trusted_no_more_than_its_most_doubtful_part() -> None:
    """A part that reads larger but is badly known may be the smallest: its 5th percentile and basis count."""
    found = least([Measure(64.0, 2.0), Measure(65.0, 20.0, Basis.ASSUMED)])
    assert found.value == 64.0
    assert found.lower() == pytest.approx(65.0 - 1.6449 * 20.0, abs=1e-3)
    assert found.basis is Basis.ASSUMED


def test_shows_its_doubt_only_when_there_is_one() -> None:
    """Formatting must show value and sd to the same figures, and a certain number alone."""
    assert f"{Measure(5.234, 1.41):.1f}" == "5.2 ± 1.4"
    assert f"{Measure(5.234):.1f}" == "5.2"

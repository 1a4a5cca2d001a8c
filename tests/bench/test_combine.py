"""
Several readings of one quantity: the better and the newer count more, shared errors stay, contradictions are told.

Source of the arithmetic: JCGM 100:2008, 5.1.2 (independent) and 5.2.2 (correlated inputs); the weighted mean is that of
any handbook of statistics. Three standard deviations as the limit for a contradiction: common practice, no source.
"""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotchpot.bench.combine import combine
from hotchpot.bench.estimate import Estimate, Line, Quantity, refused
from hotchpot.bench.remark import Remark, Weight


def said(value: float, sd: float, when: str | None = None, *, instrument: str = "", common: float = 0.0) -> Estimate:
    """Return an estimate of a capacity with an own and a common line."""
    budget = (Line("own", sd), *((Line("gain", common, common=True),) if common else ()))
    return Estimate(quantity=Quantity.CAPACITY, value=value, budget=budget, when=when, instrument=instrument)


def no(code: str = "run-aborted") -> Estimate:
    """Return a refused estimate."""
    remark = Remark(code=code, weight=Weight.REFUSED, subject="A1", says="It stopped.", why="", do="Again.", source="")
    return refused(Quantity.CAPACITY, remark)


def test_the_mean_is_weighted_by_inverse_variance() -> None:
    """96 ± 1 and 93 ± 2 give (96/1 + 93/4) / (1/1 + 1/4) = 95.4 ± 0.894 (worked by hand)."""
    found = combine([said(93, 2), said(96, 1)], subject="A1")
    assert found is not None
    assert (found.value, found.sd) == pytest.approx((95.4, math.sqrt(0.8)))


def test_what_one_meter_shares_does_not_average_away() -> None:
    """Four readings with one clamp keep its gain whole and halve the rest; with four clamps all is halved."""
    one = combine([said(100, 2, instrument="clamp", common=3) for _ in range(4)], subject="A1")
    four = combine([said(100, 2, instrument=f"clamp {k}", common=3) for k in range(4)], subject="A1")
    assert one is not None
    assert four is not None
    assert one.sd == pytest.approx(math.hypot(1, 3))
    assert four.sd == pytest.approx(math.hypot(2, 3) / 2)


def test_the_newest_counts_most() -> None:
    """Of two equal readings four years apart, 5 % drift a year as sd, the old one weighs 1/(1 + (20/2)²)."""
    found = combine([said(100, 2, "2022-11-01"), said(96, 2, "2026-11-01")], subject="A1", drift_frac_per_year=0.05)
    assert found is not None
    years = 1461 / 365.25
    weight = (1 / (4 + (0.05 * years * 100) ** 2)) / (1 / (4 + (0.05 * years * 100) ** 2) + 1 / 4)
    assert found.value == pytest.approx(weight * 100 + (1 - weight) * 96)
    assert found.when == "2026-11-01"


def test_an_old_reading_says_less_of_today() -> None:
    """Read three years ago, 5 % a year: the doubt grows by 15 Ah in quadrature."""
    found = combine([said(100, 2, "2023-11-25")], subject="A1", drift_frac_per_year=0.05, today="2026-11-25")
    assert found is not None
    assert found.sd == pytest.approx(math.hypot(2, 0.05 * 1096 / 365.25 * 100))


def test_a_contradiction_is_told_and_not_averaged() -> None:
    """96 and 58 on one day: the later row stands, the doubt covers half the distance, and both figures are named."""
    found = combine([said(96, 2, "2026-11-01"), said(58, 2, "2026-11-01")], subject="A1")
    assert found is not None
    assert found.value == 58
    assert found.sd == pytest.approx(math.hypot(2, 19))
    (remark,) = found.remarks
    assert (remark.code, remark.weight) == ("contradiction", Weight.DOUBTFUL)
    assert "58 Ah" in remark.says
    assert "96 Ah" in remark.says


def test_slow_ageing_is_no_contradiction() -> None:
    """96 Ah four years ago and 80 Ah now are what ageing does; the newer is believed and nothing is flagged."""
    found = combine([said(96, 2, "2022-11-01"), said(80, 2, "2026-11-01")], subject="A1", drift_frac_per_year=0.05)
    assert found is not None
    assert found.remarks == ()
    assert 79 < found.value < 82  # type: ignore[operator]


def test_refused_readings_are_passed_over() -> None:
    """A refused reading gives no number; where all are refused there is none."""
    assert combine([no(), said(90, 2)], subject="A1").value == 90  # type: ignore[union-attr]
    assert combine([no(), no()], subject="A1") is None


def test_a_figure_without_a_date_counts_as_the_oldest() -> None:
    """The pile file's bare figure goes before all dated readings and drifts a year more than the oldest."""
    found = combine([said(80, 2, "2026-01-01"), said(90, 2)], subject="A1", drift_frac_per_year=0.05)
    assert found is not None
    drift = 4.5**2
    weight = (1 / (4 + drift)) / (1 / (4 + drift) + 1 / 4)
    assert found.value == pytest.approx(weight * 90 + (1 - weight) * 80)


@pytest.mark.parametrize(
    ("quantity", "worse"), [(Quantity.CAPACITY, -1), (Quantity.RESISTANCE, 1), (Quantity.LEAKAGE, 1)]
)
@given(
    dated=st.lists(
        st.tuples(st.floats(50, 100), st.sampled_from(["2023-05-01", "2026-01-01"])), min_size=1, max_size=3
    ),
    undated=st.lists(st.floats(20, 200), min_size=1, max_size=3),
    drift=st.sampled_from([0.0, 0.05, 0.3]),
)
def test_what_has_no_date_never_flatters(
    quantity: Quantity,
    worse: int,
    dated: list[tuple[float, str]],
    undated: list[float],
    drift: float,
) -> None:
    """
    Project rule: figures without a date that contradict the dated ones never make the result more favourable than the
    dated alone, do not give way where they are the less favourable, and are told.
    """

    def one(value: float, when: str | None) -> Estimate:
        return Estimate(quantity=quantity, value=value, budget=(Line("own", 2.0),), when=when)

    with_date = [one(*pair) for pair in dated]
    listed = [*with_date, *(one(value, None) for value in undated)]
    alone = combine(with_date, subject="A1", drift_frac_per_year=drift)
    found = combine(listed, subject="A1", drift_frac_per_year=drift)
    assert alone is not None
    assert found is not None
    assert alone.value is not None
    assert found.value is not None
    # Readings contradict each other in pairs: each is held against the others, not against their mean.
    values = [value for value, _ in dated]
    far = [v for v in undated if all(abs(v - of_day) > 3 * math.hypot(2, 2 + drift * 6 * v) for of_day in values)]
    if len(far) == len(undated):
        assert worse * (found.value - alone.value) >= -1e-9
        assert [r.code for r in found.remarks] == ["contradiction"]
    against = [v for v in far if worse * (v - alone.value) > 0]
    if against:
        assert worse * (found.value - min(against, key=lambda v: worse * v)) >= -3 * (2 + drift * 6 * max(against))


def test_an_undated_figure_that_is_worse_counts_as_of_the_newest_day() -> None:
    """80 of a day and 76 without one, alike sure: 78, as the 76 may be the newer; 84 without one counts as older."""
    low = combine([said(80, 2, "2026-01-01"), said(76, 2)], subject="A1", drift_frac_per_year=0.05)
    high = combine([said(80, 2, "2026-01-01"), said(84, 2)], subject="A1", drift_frac_per_year=0.05)
    assert low is not None
    assert high is not None
    assert low.value == pytest.approx(78)
    assert 80 < (high.value or 0) < 81


def test_a_lower_figure_without_a_date_stands_against_a_higher_one_with_a_date() -> None:
    """96 of a day, 58 without one: 58 stands, half the distance is doubt, and the way out is told."""
    found = combine([said(96, 2, "2026-11-01"), said(58, 2)], subject="A1")
    assert found is not None
    assert (found.value, found.sd) == pytest.approx((58, math.hypot(2, 19)))
    assert found.when == "2026-11-01"
    (remark,) = found.remarks
    assert remark.code == "contradiction"
    assert "Write the date" in remark.do


@given(
    st.lists(st.tuples(st.floats(90, 110), st.floats(0.5, 5)), min_size=1, max_size=6),
    st.randoms(use_true_random=False),
)
def test_the_order_of_undated_readings_changes_no_agreeing_mean(
    pairs: list[tuple[float, float]], shuffler: random.Random
) -> None:
    """Where nothing contradicts, the mean lies among the readings, is surer than the best, and knows no order."""
    first = combine([said(v, sd) for v, sd in pairs], subject="A1")
    assert first is not None
    if first.remarks:
        return
    shuffled = pairs[:]
    shuffler.shuffle(shuffled)
    again = combine([said(v, sd) for v, sd in shuffled], subject="A1")
    assert again is not None
    assert again.remarks or (again.value, again.sd) == pytest.approx((first.value, first.sd))
    assert min(v for v, _ in pairs) - 1e-9 <= (first.value or 0) <= max(v for v, _ in pairs) + 1e-9
    assert first.sd <= min(sd for _, sd in pairs) * (1 + 1e-9)


def test_the_interval_of_the_mean_holds_the_truth() -> None:
    """Of 2,000 units read three times with one clamp (2 % rectangular gain, 1.5 % own scatter) 93 to 97 % are held."""
    rng = random.Random(7)
    held = 0
    for _ in range(2000):
        truth = rng.uniform(50, 150)
        gain = 1 + rng.uniform(-0.02, 0.02)
        reads = [truth * gain * (1 + rng.gauss(0, 0.015)) for _ in range(3)]
        estimates = [
            Estimate(
                quantity=Quantity.CAPACITY,
                value=read,
                budget=(Line("scatter", 0.015 * read), _gain(0.02 * read)),
                instrument="clamp",
            )
            for read in reads
        ]
        found = combine(estimates, subject="A1")
        assert found is not None
        low, high = found.interval()
        held += low <= truth <= high
    assert 0.93 <= held / 2000 <= 0.97


def _gain(limit: float) -> Line:
    from hotchpot.bench.estimate import Shape

    return Line("gain", limit / math.sqrt(3), Shape.RECTANGULAR, common=True)

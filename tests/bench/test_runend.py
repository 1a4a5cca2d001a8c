"""Where a run ended: solved by hand on straight lines, where slope and crossing are exact."""

from __future__ import annotations

import math

import numpy as np
import pytest

from hotchpot.bench.discharge.runend import Loaded, end_of_run, loaded_part
from hotchpot.bench.trace import trace_of


def straight(volts: list[float], amps: float = 2.0) -> Loaded:
    """Return a run of a reading an hour."""
    part = loaded_part(trace_of([3600.0 * k for k in range(len(volts))], volts, amps))
    assert part is not None
    return part


def test_a_straight_fall_is_crossed_where_the_line_says() -> None:
    """12 V falling 0.1 V an hour at 2 A passes 10.55 V after 14.5 h and 29 Ah, falling 0.05 V/Ah."""
    end = end_of_run(straight([12 - 0.1 * k for k in range(17)]), 10.55, end_slope_v=0.1)
    assert end is not None
    assert (end.drawn_ah, end.hours, end.end_v) == pytest.approx((29.0, 14.5, 10.55))
    assert end.slope_v_per_ah == pytest.approx(0.05)
    assert (end.short_ah, end.bend_ah) == pytest.approx((0.0, 0.0), abs=1e-9)
    assert end.past_ah == pytest.approx(3.0)


def test_what_is_left_is_told_by_the_slope() -> None:
    """The same fall stopped at 10.6 V has 0.1 V, so 2 Ah, to go to 10.5 V."""
    end = end_of_run(straight([12 - 0.1 * k for k in range(15)]), 10.5, end_slope_v=0.1)
    assert end is not None
    assert (end.drawn_ah, end.short_ah) == pytest.approx((28.0, 2.0))


def test_a_bend_is_bounded_by_the_line_before() -> None:
    """12, 11.5, 10 V: straight to 10.5 V at 3.33 Ah; the line before would get there only at 6 Ah, the reading at 4."""
    end = end_of_run(straight([12.0, 11.5, 10.0]), 10.5, end_slope_v=0.1)
    assert end is not None
    assert end.drawn_ah == pytest.approx(2 + 2 * 1.0 / 1.5)
    assert end.bend_ah == pytest.approx(4 - end.drawn_ah)


def test_sparse_readings_take_the_steeper_of_chord_and_usual_end() -> None:
    """With one voltage there is no slope: the usual one of the end is taken, per whole of the charge."""
    end = end_of_run(straight([math.nan, math.nan, 10.6]), 10.5, end_slope_v=8.0)
    assert end is not None
    assert end.slope_v_per_ah == pytest.approx(8.0 / 4.0)
    assert end.short_ah == pytest.approx(0.1 / 2.0)


def test_a_voltage_that_does_not_fall_leaves_no_end_in_sight() -> None:
    """Where the voltage stands, what is left is without bound."""
    end = end_of_run(straight([12.0] * 60), 10.5, end_slope_v=8.0)
    assert end is not None
    assert end.short_ah == math.inf


def test_the_last_lowest_voltage_is_the_end() -> None:
    """A logger's sample of the switching instant lies above the last; the charge to it still counts."""
    end = end_of_run(straight([12 - 0.1 * k for k in range(15)] + [11.4]), 10.5, end_slope_v=0.1)
    assert end is not None
    assert end.end_v == pytest.approx(10.6)
    assert end.drawn_ah == pytest.approx(30.0)
    assert end.short_ah == pytest.approx(0.0)


def test_no_voltage_and_no_load_have_no_end() -> None:
    """Without a voltage, or without a current, there is nothing to judge."""
    assert end_of_run(straight([math.nan] * 3), 10.5, end_slope_v=1.0) is None
    assert loaded_part(trace_of([0, 3600], [12, 12], 0.0)) is None
    assert loaded_part(trace_of([0, 3600, 7200], [12, 12, 12], [0.0, 5.0, 0.0])) is None


def test_under_load_is_told_from_rest() -> None:
    """Rests are left out at both ends, kept inside as pauses, and their voltages are no readings under load."""
    amps = [0.03, 5, 5, 0.02, 0.02, 5, 5, 0.03, 0.03]
    part = loaded_part(trace_of([3600.0 * k for k in range(9)], [12.0] * 9, amps))
    assert part is not None
    assert list(np.isfinite(part.volts)) == [True, True, False, False, True, True]
    assert part.hours[-1] == pytest.approx(2.0)
    assert part.paused_h == pytest.approx(3.0)

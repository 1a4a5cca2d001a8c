"""A day's hours: energy kept whatever the shape, days repeated, and where a given profile ends; counted by hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given as drawn
from hypothesis import strategies as st

from hotchpot.errors import InputError
from hotchpot.trial.days import DAY_S, HOUSEHOLD, Table, feed, given, given_day, household


def whole(table: Table, name: str = "load_w") -> float:
    """Return the hours' sum of a column: watts become Wh, amps Ah."""
    return float((np.diff(table.edges_s) * table.columns[name]).sum()) / 3600


def test_the_households_hours_are_a_hundred_parts_of_a_day() -> None:
    """24 hours, 100 parts."""
    assert (len(HOUSEHOLD), sum(HOUSEHOLD)) == (24, 100)


@drawn(energy=st.floats(1.0, 1e5), largest=st.floats(0.0, 1e5), idle=st.floats(0.0, 1.0))
def test_a_day_keeps_its_energy(energy: float, largest: float, idle: float) -> None:
    """Whatever flows at all hours and however large the largest load: the day's energy is the plan's, none is below."""
    idle_w = idle * energy / 24.0
    table, held_s = household(energy, largest_w=largest, idle_w=idle_w)
    watts = table.columns["load_w"]
    assert whole(table) == pytest.approx(energy, rel=1e-9)
    assert watts.min() >= idle_w * (1.0 - 1e-9)
    assert 0.0 <= held_s <= 3600.0
    if held_s > 1e-6:
        assert watts.max() == pytest.approx(largest)
        assert held_s * (largest - idle_w) / 3600 <= energy / 3 * (1 + 1e-9)


def test_the_largest_load_stands_in_the_evening() -> None:
    """2,000 W in a day of 1,200 Wh: a third of them is 400 Wh, 12 minutes from 19 h on; 300 W stand for the hour."""
    table, held_s = household(1200.0, largest_w=2000.0)
    k = int(table.columns["load_w"].argmax())
    assert (table.edges_s[k], table.edges_s[k + 1] - table.edges_s[k], held_s) == pytest.approx((19 * 3600, 720, 720))
    assert household(1200.0, largest_w=300.0)[1] == 3600.0
    assert household(1200.0, largest_w=100.0)[1] == 0.0  # the evening's 9 parts are 108 W already


def test_days_are_repeated_and_the_last_is_cut_short() -> None:
    """A day and a half has half as much again by noon as the day's first half."""
    table = household(1000.0)[0].beside(feed("pv", 10.0))
    more = table.repeated(1.5)
    assert more.edges_s[-1] == 1.5 * DAY_S
    assert whole(more) == pytest.approx(1000.0 + 10.0 * sum(HOUSEHOLD[:12]))
    assert whole(more, "source_a") == pytest.approx(1.5 * whole(table, "source_a"))
    assert (np.diff(more.edges_s) > 0).all()


@pytest.mark.parametrize(
    ("hours", "watts", "ends", "wh"),
    [
        ([0, 7, 24], [60, 100, 0], 24, 60 * 7 + 100 * 17),  # a row of nothing closes the day
        ([0, 7, 24], [60, 100, 60], 24, 60 * 7 + 100 * 17),  # so does one a whole day after the first
        ([7, 12, 31], [60, 100, 60], 24, 60 * 5 + 100 * 19),
        ([0, 1, 2], [60, 100, 0], 2, 160),
        ([0, 1, 2], [60, 100, 30], 3, 190),  # any other holds as long as the one before it
        (list(range(24)), [10] * 24, 24, 240),
        ([0, 1, 2], [60, 100], 2, 160),  # one moment more than values is the end
    ],
)
def test_the_last_row_of_a_profile(hours: list[float], watts: list[float], ends: float, wh: float) -> None:
    """Both ways of writing a day end after 24 h; energies by hand."""
    table = given([3600.0 * hour for hour in hours], {"load_w": watts})
    assert table.edges_s[[0, -1]] == pytest.approx([0.0, 3600.0 * ends])
    assert whole(table) == pytest.approx(wh)


def test_a_source_in_the_last_row_holds_it_open() -> None:
    """Nothing drawn, but still charging: that row is no end."""
    assert given([0, 60], {"load_w": [5, 0], "source_a": [0, 3]}).edges_s[-1] == 120


@pytest.mark.parametrize("shift", [0.0, 5.0, 24.0 * 20_000])
def test_a_given_day_goes_by_the_clock(shift: float) -> None:
    """Rows from 18 h round midnight to 8 h make the same day from whichever midnight they are counted; by hand."""
    base = [18.0, 22.0, 32.0] if shift != 5.0 else [18.0, 22.0, 24.0 + 8.0]
    days = 0.0 if shift == 5.0 else shift
    table = given_day([3600.0 * (hour + days) for hour in base], {"load_w": [100, 20, 50]})
    assert (table.edges_s / 3600).tolist() == pytest.approx([0, 8, 18, 22, 24])
    assert table.columns["load_w"].tolist() == [20, 50, 100, 20]


def test_a_row_that_closes_the_day_is_none_of_its_own() -> None:
    """Midnight to midnight: the last row stands where the first does, and the first counts."""
    table = given_day([0, 3600, DAY_S], {"load_w": [5, 6, 0]})
    assert table.columns["load_w"].tolist() == [5, 6]
    assert given_day([0, 3600, DAY_S], {"load_w": [5, 6]}).columns["load_w"].tolist() == [5, 6]
    with pytest.raises(InputError, match="it lasts 25 h"):
        given_day([0, 25 * 3600], {"load_w": [5, 6]})

"""What a bank is good for, and which units set each limit: against sums done by hand."""

from __future__ import annotations

import pytest
from referee import bank, unit

from hotchpot.bank.ratings import capacity_shares, rate


def test_series_takes_the_smallest_and_names_it() -> None:
    """By hand: 96 and 101 Ah in series give 96 Ah; the volts add; the smaller unit is named."""
    rated = rate(bank("A + B", unit("A", ah=96), unit("B", ah=101)))
    assert rated.capacity_ah.value == 96
    assert (rated.nominal_v, rated.cells) == (24, 12)
    assert rated.limiting_units == ("A",)
    assert rated.energy_wh.value == pytest.approx(96 * 24)


def test_parallel_adds_and_combines_doubts() -> None:
    """By hand: 100 and 60 Ah, each ± 3.45 %, give 160 Ah with the doubts added as squares."""
    rated = rate(bank("A // B", unit("A"), unit("B", ah=60)))
    assert rated.capacity_ah.value == 160
    doubt = (0.017**2 + 0.03**2) ** 0.5
    assert rated.capacity_ah.sd == pytest.approx(doubt * (100**2 + 60**2) ** 0.5)


def test_resistance_of_a_parallel_pair_counts_its_links() -> None:
    """By hand: 5 and 20 mΩ, each with two links of 0.5 mΩ, make 6 x 21 / 27 = 4.667 mΩ."""
    made = bank("A // B", unit("A", resistance_mohm=5.0), unit("B", resistance_mohm=20.0))
    assert rate(made).resistance_mohm.value == pytest.approx(6 * 21 / 27)


def test_voltage_limits_are_the_tightest_branch() -> None:
    """By hand: AGM (2.45) beside gel (2.40), six cells: 14.4 V at most, set by the gel; 10.5 V at least, by both."""
    rated = rate(bank("A // B", unit("A"), unit("B", "lead_gel")))
    assert rated.charge_v_max == pytest.approx(14.4)
    assert rated.limits["charge_v_max"] == ("B",)
    assert rated.discharge_v_min == pytest.approx(10.5)
    assert rated.limits["discharge_v_min"] == ("A", "B")


def test_voltage_limits_add_along_a_string() -> None:
    """By hand: 12 V and 6 V flooded make 9 cells: 22.5 V at most, 15.75 V at least."""
    rated = rate(bank("A + B", unit("A", "lead_flooded", 6), unit("B", "lead_flooded", 3)))
    assert (rated.charge_v_max, rated.discharge_v_min) == (pytest.approx(22.5), pytest.approx(15.75))


def test_current_limit_is_the_worse_of_early_and_late_shares() -> None:
    """
    By hand: 100 Ah behind 10 mΩ beside 100 Ah behind 30 mΩ, no links: the first carries three quarters at first.

    AGM may give 0.5C: 50 A at 0.75 of the bank's current is 66.7 A, not the 100 A that capacities alone would allow.
    """
    made = bank("A // B", unit("A", resistance_mohm=10.0), unit("B", resistance_mohm=30.0), link_mohm=0)
    rated = rate(made)
    assert rated.discharge_a_max == pytest.approx(50 / 0.75)
    assert rated.limits["discharge_a_max"] == ("A",)


def test_a_label_limits_the_bank() -> None:
    """A maker's limit and protection electronics come before the chemistry's."""
    labelled = rate(bank("A", unit("A", "lfp", 4, max_discharge_a=30.0, max_charge_a=20.0)))
    assert (labelled.discharge_a_max, labelled.charge_a_max) == (30, 20)
    electronic = rate(bank("A", unit("A", "lfp", 4, bms_max_a=25.0)))
    assert (electronic.discharge_a_max, electronic.charge_a_max) == (25, 25)


def test_shares_by_capacity() -> None:
    """By hand: a group of 60 and 40 Ah in a string beside 100 Ah: 0.3, 0.2 and 0.5; strings carry one current."""
    made = bank("(A // B) // C", unit("A", ah=60), unit("B", ah=40), unit("C", ah=100))
    assert capacity_shares(made) == pytest.approx({"A": 0.3, "B": 0.2, "C": 0.5})
    string = bank("(A + B) // C", unit("A", ah=50), unit("B", ah=80), unit("C", cells=12, ah=50))
    assert capacity_shares(string) == pytest.approx({"A": 0.5, "B": 0.5, "C": 0.5})


def test_limits_name_the_weak_member_of_every_string() -> None:
    """In strings side by side the weak member of each limits its own string, and both are named."""
    made = bank("(A + B) // (C + D)", *(unit(n, ah=q) for n, q in (("A", 100), ("B", 80), ("C", 60), ("D", 90))))
    assert rate(made).limiting_units == ("B", "C")
    assert rate(made).capacity_ah.value == 140


def test_assumption_travels_to_the_rating() -> None:
    """A capacity that was assumed makes the bank's capacity assumed."""
    made = bank("A // B", unit("A"), unit("B", capacity_ah=None))
    assert str(rate(made).capacity_ah.basis) == "assumed"
    assert rate(made).capacity_ah.value == pytest.approx(100 + 65)
